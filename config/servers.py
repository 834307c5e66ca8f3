"""What the PostgreSQL and Valkey servers of the wheels have in common: accounts, programs, ports, ends.

The callers in `config.embedded` hold the start lock. Both servers listen on 127.0.0.1 only, with a
random password, and put themselves in the background, away from the terminal's Ctrl-C. What runs
is read from the servers' own pid files, and a pid counts only if the process has the right name
and works in the right directory: after a crash the number may belong to somebody else.

The wheels' programs are called directly: their Python wrappers stop servers that other processes
still use, and open every parent directory to everybody when run as root.
"""

from __future__ import annotations

import importlib.util
import os
import pwd
import signal
import socket
import stat
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import psutil

from config.errors import ZonewrightError

ROLE = "zonewright"
DATABASE = "zonewright"
SYSTEM_USER = "zonewright"
START_TIMEOUT_S = 60.0
STOP_TIMEOUT_S = 60.0
LOG_TAIL_LINES = 12


class CannotStart(ZonewrightError):
    """A service cannot be started, or not without harm."""

    status = 503
    title = "A service cannot be started"

    def __str__(self) -> str:
        # The end of a log takes lines of its own; the way out follows it on the next.
        gap = "\n" if "\n" in self.message else " "
        return f"{self.message}{gap}{self.remedy}".strip()


@dataclass(frozen=True)
class Account:
    """The system user whom the servers run as."""

    name: str
    uid: int
    gid: int


# --- programs and accounts ------------------------------------------------------------------------


def package_dir(name: str) -> Path:
    spec = importlib.util.find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise CannotStart(
            f"The package {name.replace('_', '-')} is not installed in {sys.prefix}.",
            remedy="Install requirements/run.txt, or set DATABASE_URL and REDIS_URL to servers that you run.",
        )
    return Path(next(iter(spec.submodule_search_locations)))


def account_for(where: Path) -> Account | None:
    """Whom to switch to, None for no switch. PostgreSQL refuses to run as root."""
    cluster = where / "postgres"
    owner = cluster.stat().st_uid if cluster.is_dir() else None
    if os.geteuid() != 0:
        if owner is not None and owner != os.geteuid():
            raise CannotStart(
                f"The database in {cluster} belongs to user {_user_name(owner)}, and you are "
                f"{_user_name(os.geteuid())}.",
                field="ZONEWRIGHT_DATA",
                value=where,
                remedy="Start as that user, or set ZONEWRIGHT_DATA to a directory of your own.",
            )
        return None
    try:
        entry = pwd.getpwuid(owner) if owner else pwd.getpwnam(SYSTEM_USER)
    except KeyError:
        if owner:
            raise CannotStart(
                f"The database in {cluster} belongs to user number {owner}, who is not known here.",
                field="ZONEWRIGHT_DATA",
                value=where,
                remedy=f"Run 'chown -R {SYSTEM_USER} {cluster}' or set ZONEWRIGHT_DATA to a new directory.",
            ) from None
        entry = _add_system_user()
    return Account(entry.pw_name, entry.pw_uid, entry.pw_gid)


def _user_name(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"number {uid}"


def _add_system_user() -> pwd.struct_passwd:
    command = ["useradd", "--system", "--no-create-home", "--shell", "/usr/sbin/nologin", SYSTEM_USER]
    try:
        subprocess.run(command, check=True, capture_output=True, text=True)
        return pwd.getpwnam(SYSTEM_USER)
    except (OSError, subprocess.CalledProcessError, KeyError) as error:
        detail = getattr(error, "stderr", "") or str(error)
        raise CannotStart(
            f"PostgreSQL refuses to run as root, and the system user {SYSTEM_USER!r} cannot be added: {detail.strip()}",
            remedy="Start as an ordinary user, or set DATABASE_URL and REDIS_URL.",
        ) from error


def run(account: Account | None, command: list[str], *, stdin: str = "", timeout_s: float) -> str:
    """Run a program of the wheels as the account; returns its output, both streams."""
    # The servers inherit the streams of what starts them: a pipe would stay open for their life.
    with _text_file(stdin) as source, _text_file("") as output:
        result = subprocess.run(
            command,
            check=False,
            stdin=source,
            stdout=output,
            stderr=subprocess.STDOUT,
            cwd="/",
            env={"PATH": os.environ.get("PATH", "/usr/bin:/bin"), "LC_ALL": "C", "TZ": "UTC"},
            timeout=timeout_s,
            umask=0o077,
            user=account.uid if account else None,
            group=account.gid if account else None,
            extra_groups=[] if account else None,
        )
        output.seek(0)
        said = output.read()
    if result.returncode != 0:
        raise subprocess.CalledProcessError(result.returncode, command, said)
    return said


def _text_file(text: str) -> IO[str]:
    """A nameless file with this text, read from its beginning; the caller closes it."""
    file = tempfile.TemporaryFile("w+")  # noqa: SIM115
    file.write(text)
    file.seek(0)
    return file


def open_way(path: Path, account: Account) -> None:
    """Let the account pass through the parents of `path`: the least that does, and said aloud."""
    opened = []
    for parent in (path, *path.parents):
        status = parent.stat()
        if status.st_uid != account.uid and not status.st_mode & stat.S_IXOTH:
            parent.chmod(status.st_mode | stat.S_IXOTH)
            opened.append(str(parent))
    if opened:
        sys.stderr.write(
            f"Let system user {account.name!r} pass through {', '.join(opened)} (o+x), because PostgreSQL "
            "does not run as root.\n"
        )


# --- looking --------------------------------------------------------------------------------------


def running_process(pid_file: Path, name: str, directory: Path) -> psutil.Process | None:
    """The process of a pid file, if it is alive, has that name and works in that directory."""
    try:
        process = psutil.Process(int(pid_file.read_text().split()[0]))
        same = process.name() == name and Path(process.cwd()).samefile(directory)
        return process if same and process.status() != psutil.STATUS_ZOMBIE else None
    except (OSError, ValueError, IndexError, psutil.Error):
        return None


def log_tail(path: Path, lines: int = LOG_TAIL_LINES) -> str:
    """The last lines of a log file, indented, for an error message."""
    try:
        with open(path, "rb") as file:
            file.seek(max(0, path.stat().st_size - 16_384))
            text = file.read().decode(errors="replace")
    except OSError as error:
        return f"  (no log: {error})"
    return "\n".join(f"  {line}" for line in text.splitlines()[-lines:]) or "  (the log is empty)"


def free_port(preferred: int = 0) -> int:
    """A port of 127.0.0.1 that can be listened on; the preferred one if possible."""
    for port in (preferred, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise CannotStart("No port of 127.0.0.1 is free.", field="port", remedy="End programs that hold ports.")


# --- both -----------------------------------------------------------------------------------------


def own_file(path: Path, account: Account | None) -> None:
    path.touch(mode=0o640)
    if account is not None:
        os.chown(path, account.uid, account.gid)


def end(process: psutil.Process | None, name: str, signals: tuple[signal.Signals, ...]) -> bool:
    if process is None:
        return False
    for number in signals:
        try:
            process.send_signal(number)
            deadline = time.monotonic() + STOP_TIMEOUT_S
            while time.monotonic() < deadline:
                if not process.is_running() or process.status() == psutil.STATUS_ZOMBIE:
                    return True
                time.sleep(0.02)
        except psutil.NoSuchProcess:
            return True
        except psutil.AccessDenied as error:
            raise CannotStart(
                f"{name} (process {process.pid}) belongs to another user and cannot be stopped.",
                field="process",
                value=process.pid,
                remedy="Stop it as the user who started it.",
            ) from error
    raise CannotStart(
        f"{name} (process {process.pid}) does not stop.",
        field="process",
        value=process.pid,
        remedy=f"End it with 'kill -9 {process.pid}' and start again.",
    )
