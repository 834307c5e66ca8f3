"""Help for tests that start and kill real processes on data directories of their own."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parent.parent
OURS = ("DATABASE_URL", "REDIS_URL", "DJANGO_SETTINGS_MODULE")


def environment(data_dir: Path, **more: str) -> dict[str, str]:
    """The environment of a user's shell: nothing of the test run's own services in it."""
    kept = {name: value for name, value in os.environ.items() if name not in OURS and "ZONEWRIGHT" not in name}
    return kept | {"ZONEWRIGHT_DATA": str(data_dir), "PYTHONUNBUFFERED": "1"} | more


@contextlib.contextmanager
def data_directory() -> Iterator[Path]:
    """A short path that the database's system user can reach; emptied of processes at the end."""
    # Resolved, and not pytest's tmp_path, whose parent is closed to other users.
    top = Path(tempfile.mkdtemp(prefix="zw-")).resolve()
    top.chmod(0o755)
    where = top / "data"
    try:
        yield where
    finally:
        end_processes_in(where)
        shutil.rmtree(top, ignore_errors=True)


def servers_in(where: Path) -> dict[str, psutil.Process]:
    """PostgreSQL's postmaster and Valkey working in a data directory, found without the code under test."""
    found = {}
    for process in psutil.process_iter(["name", "cwd", "status"]):
        cwd = process.info["cwd"] or ""
        if process.info["status"] == psutil.STATUS_ZOMBIE or not cwd.startswith(f"{where}/"):
            continue
        if process.info["name"] == "valkey-server":
            found["Valkey"] = process
        elif process.info["name"] == "postgres" and (process.parent() is None or process.parent().name() != "postgres"):
            found["PostgreSQL"] = process
    return found


def users_of(where: Path) -> list[psutil.Process]:
    """All live processes whose environment names the data directory."""
    found = []
    for process in psutil.process_iter(["status"]):
        with contextlib.suppress(psutil.Error):
            if process.info["status"] != psutil.STATUS_ZOMBIE and process.environ().get("ZONEWRIGHT_DATA") == str(
                where
            ):
                found.append(process)
    return found


def end_processes_in(where: Path) -> None:
    """Kill what still works on a data directory, by id."""
    for process in [*users_of(where), *servers_in(where).values()]:
        with contextlib.suppress(psutil.Error):
            process.kill()
    wait_until(lambda: not servers_in(where) and not users_of(where), "its processes are gone")


def wait_until(condition: Callable[[], object], what: str, *, seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"Waited {seconds:.0f} s in vain until {what}."
        time.sleep(0.02)


def python(where: Path, code: str, **more: str) -> subprocess.Popen[str]:
    """Start a Python process of this checkout in a session of its own; read its output as text."""
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
        env=environment(where, **more),
        start_new_session=True,
    )


def kill_session(process: subprocess.Popen[str]) -> None:
    """What `kill -9` of a whole terminal does."""
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def manage(where: Path, *arguments: str, timeout_s: float = 240.0, **more: str) -> subprocess.CompletedProcess[str]:
    """Run `manage.py` to its end."""
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        check=False,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
        env=environment(where, **more),
        timeout=timeout_s,
    )


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
