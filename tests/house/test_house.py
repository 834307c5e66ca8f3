"""The house rules: who may import whom, lint, types, migrations, and what no file may name."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

TOP = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent


def run(*command: str) -> None:
    done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout[-6000:]}\n{done.stderr[-3000:]}"


def test_rooms_import_only_what_they_may() -> None:
    run(str(BIN / "lint-imports"), "--no-cache")


def test_ruff_is_clean() -> None:
    run(str(BIN / "ruff"), "check", ".")


def test_types_are_clean() -> None:
    run(str(BIN / "mypy"), "config", "stock", "installs", "maintenance")


@pytest.mark.django_db
def test_no_migration_is_missing() -> None:
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


def test_one_migration_per_app() -> None:
    for app in ("config/accounts", "stock", "installs", "maintenance"):
        assert [p.name for p in sorted((TOP / app / "migrations").glob("0*.py"))] == ["0001_initial.py"]


def tracked_files() -> list[Path]:
    listing = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=TOP, capture_output=True, text=True, check=True,
    )
    return [TOP / name for name in listing.stdout.splitlines() if (TOP / name).is_file()]


def test_no_file_names_a_package_host() -> None:
    # Spelled in parts, or this file would find itself.
    hosts = re.compile("|".join(["py" + r"pi\.org", "python" + r"hosted\.org", "npm" + r"js\.(org|com)"]))
    found = [
        f"{path.relative_to(TOP)}: {match.group()}"
        for path in tracked_files()
        if path.suffix not in {".svg", ".png"} and (match := hosts.search(path.read_text(errors="ignore")))
    ]
    assert found == []


def test_lock_files_hold_what_pyproject_declares() -> None:
    import tomllib

    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    name = re.compile(r"^[A-Za-z0-9_.-]+")

    def normal(requirement: str) -> str:
        match = name.match(requirement)
        assert match
        return re.sub(r"[-_.]+", "-", match.group()).lower()

    for file, declared in (
        ("run.txt", project["dependencies"]),
        ("dev.txt", project["dependencies"] + project["optional-dependencies"]["dev"]),
    ):
        lines = (TOP / "requirements" / file).read_text().splitlines()
        locked = {normal(line) for line in lines if "==" in line and not line.startswith((" ", "#"))}
        assert {normal(r) for r in declared} - locked == set()
