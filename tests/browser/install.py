"""Find a Chromium for the browser tests, or bring Debian's: `python -m tests.browser.install`.

Exits 1 and says what to do where it can do neither; the browser tests are never skipped.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
REMEDY = (
    "Install Chromium with your system's package manager (Debian: 'apt-get install chromium'), or set "
    "CHROMIUM to the path of a Chromium or Chrome program, then run this again."
)


def find_chromium() -> str | None:
    """Path of a Chromium that runs: `CHROMIUM`, else the first of NAMES on PATH; None if there is none."""
    given = os.environ.get("CHROMIUM")
    if given:
        return shutil.which(given)
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def version(program: str) -> str:
    """What the program says of itself; raises OSError or CalledProcessError when it does not run."""
    command = [program, "--version"]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout.strip()


def _is_debian() -> bool:
    try:
        words = Path("/etc/os-release").read_text().replace('"', "").split()
    except OSError:
        return False
    return "ID=debian" in words and shutil.which("apt-get") is not None


def _install() -> str:
    """Bring Debian's Chromium; empty on success, else what went wrong."""
    environment = dict(os.environ) | {"DEBIAN_FRONTEND": "noninteractive"}
    for command in (["apt-get", "update"], ["apt-get", "install", "-y", "chromium"]):
        print("Running " + " ".join(command) + " ...", flush=True)
        result = subprocess.run(command, check=False, capture_output=True, text=True, env=environment)
        if result.returncode != 0:
            return f"'{' '.join(command)}' failed:\n{(result.stderr or result.stdout).strip()[-2000:]}"
    return ""


def main() -> int:
    program = find_chromium()
    said = ""
    if program is None and os.environ.get("CHROMIUM"):
        said = f"CHROMIUM is {os.environ['CHROMIUM']!r}, which is not a program that can be run."
    elif program is None and os.geteuid() == 0 and _is_debian():
        said = _install()
        program = find_chromium()
    elif program is None:
        said = "No Chromium is on PATH, and only root on Debian can have it installed from here."
    if program is None:
        print(f"{said or 'No Chromium was found.'}\n{REMEDY}", file=sys.stderr)
        return 1
    try:
        print(f"Browser tests use {program} ({version(program)}).")
    except (OSError, subprocess.SubprocessError) as error:
        print(f"{program} does not run: {error}\n{REMEDY}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
