"""Starting, watching and stopping the processes of a running Zonewright on one machine.

The commands here are the entry points of every installation; docker-compose.yml names the same.
Children run in sessions of their own, so that the terminal's Ctrl-C reaches only their parent,
which then stops them in order.
"""

from __future__ import annotations

import contextlib
import fcntl
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from config.servers import CannotStart, free_port, log_tail

WEB_THREADS = 8
STOP_TIMEOUT_S = 15.0
WEB_TIMEOUT_S = 60.0
HOST = "127.0.0.1"


class ChildDied(CannotStart):
    """A process that should run until told otherwise has ended by itself."""

    title = "A part of Zonewright ended by itself"


# --- entry points ---------------------------------------------------------------------------------


def web_command(*, host: str, port: int, workers: int = 1) -> list[str]:
    """The web server: `workers` processes of WEB_THREADS threads each."""
    return [
        "granian",
        "--interface=wsgi",
        f"--host={host}",
        f"--port={port}",
        f"--workers={workers}",
        f"--blocking-threads={WEB_THREADS}",
        "config.wsgi:application",
    ]


def worker_command(*, processes: int = 2) -> list[str]:
    """A Celery worker; start as many, on as many machines, as the work needs."""
    return [
        "celery",
        "-A",
        "config.celery:app",
        "worker",
        f"--concurrency={processes}",
        "--loglevel=INFO",
        # No worker needs to know of the others: without asking around it is ready a second sooner.
        "--without-mingle",
        "--without-gossip",
    ]


def beat_command(*, schedule: Path | str) -> list[str]:
    """Celery's timetable; exactly one runs per installation."""
    return ["celery", "-A", "config.celery:app", "beat", f"--schedule={schedule}", "--loglevel=INFO"]


# --- children -------------------------------------------------------------------------------------


@dataclass
class Child:
    """One started process and its log."""

    name: str
    process: subprocess.Popen[bytes]
    log: Path
    created: float


@dataclass
class Family:
    """The processes that one command started; it stops these and nothing else."""

    where: Path
    environment: Mapping[str, str]
    children: list[Child] = field(default_factory=list)
    _hurry: threading.Event = field(default_factory=threading.Event)

    def start(self, name: str, command: list[str]) -> Child:
        """Start a program of this virtual environment, logging to `log/<name>.log`."""
        log = self.where / "log" / f"{name}.log"
        if log.exists():
            log.replace(log.with_suffix(".log.1"))
        program = [sys.executable, "-m", *command] if command[0] in {"granian", "celery"} else command
        with open(log, "wb") as output:
            process = subprocess.Popen(
                program,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd=Path(__file__).resolve().parent.parent,
                env=dict(self.environment),
                start_new_session=True,
            )
        child = Child(name, process, log, _created(process.pid))
        self.children.append(child)
        self._note()
        return child

    def check(self) -> None:
        """Raise ChildDied, with the end of its log, if a child has ended."""
        for child in self.children:
            code = child.process.poll()
            if code is not None:
                how = f"signal {signal.Signals(-code).name}" if code < 0 else f"exit status {code}"
                raise ChildDied(
                    f"The {child.name} process ended by itself ({how}). The end of {child.log}:\n{log_tail(child.log)}",
                    field=child.name,
                    value=code,
                    remedy="Cure what it says and start again; nothing is lost.",
                )

    def await_web(self, port: int) -> None:
        """Wait until the web server answers a request."""
        deadline = time.monotonic() + WEB_TIMEOUT_S
        status = 0
        while time.monotonic() < deadline:
            self.check()
            with contextlib.suppress(OSError, http.client.HTTPException):
                connection = http.client.HTTPConnection(HOST, port, timeout=10)
                connection.request("GET", "/")
                status = connection.getresponse().status
                connection.close()
                if status < 500:
                    return
                break
            time.sleep(0.05)
        log = self.where / "log" / "web.log"
        said = f"answers with status {status}" if status else f"does not answer within {WEB_TIMEOUT_S:.0f} s"
        raise CannotStart(
            f"The web server {said}. The end of {log}:\n{log_tail(log)}",
            field="port",
            value=port,
            remedy="Cure what the log says and start again.",
        )

    def stop(self) -> list[str]:
        """Stop the children, the last started first; returns their names. A second Ctrl-C hurries."""
        stopped = []
        with _while_stopping(self._hurry):
            for child in reversed(self.children):
                # Celery and the web server finish what they are at on SIGTERM.
                with contextlib.suppress(ProcessLookupError):
                    child.process.send_signal(signal.SIGTERM)
            for child in reversed(self.children):
                self._wait(child)
                # The leader is gone; whatever it left in its session goes too.
                with contextlib.suppress(ProcessLookupError, PermissionError):
                    os.killpg(child.process.pid, signal.SIGKILL)
                child.process.wait()
                stopped.append(child.name)
        self.children.clear()
        self._note()
        return stopped

    def _wait(self, child: Child) -> None:
        deadline = time.monotonic() + STOP_TIMEOUT_S
        while child.process.poll() is None and time.monotonic() < deadline and not self._hurry.is_set():
            time.sleep(0.02)

    def _note(self) -> None:
        """Write down who was started, for the start that follows a kill -9."""
        rows = [[child.name, child.process.pid, child.created] for child in self.children]
        path = self.where / "run" / "children.json"
        temporary = path.with_suffix(".new")
        temporary.write_text(json.dumps(rows))
        temporary.replace(path)


def _created(pid: int) -> float:
    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return 0.0


@contextlib.contextmanager
def _while_stopping(hurry: threading.Event) -> Iterator[None]:
    """A further signal must not interrupt the stopping, only shorten it."""
    previous = {
        number: signal.signal(number, lambda *_: hurry.set())
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    }
    try:
        yield
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def end_leftovers(where: Path) -> list[str]:
    """End children of an earlier start that was killed before it could; returns their names.

    A noted pid counts only with the noted start time: the number may have gone to another program.
    """
    try:
        rows = json.loads((where / "run" / "children.json").read_text())
    except (OSError, ValueError):
        return []
    ended = []
    for name, pid, created in rows:
        if created == 0.0 or abs(_created(pid) - created) > 0.5:
            continue
        members = _session(pid)
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(pid, signal.SIGKILL)
            ended.append(str(name))
        # A port is free only when its holder is gone.
        deadline = time.monotonic() + STOP_TIMEOUT_S
        while any(_alive(process) for process in members) and time.monotonic() < deadline:
            time.sleep(0.02)
    return ended


def _session(leader: int) -> list[psutil.Process]:
    found = []
    for process in psutil.process_iter():
        with contextlib.suppress(ProcessLookupError, PermissionError):
            if os.getpgid(process.pid) == leader:
                found.append(process)
    return found


def _alive(process: psutil.Process) -> bool:
    try:
        return bool(process.is_running() and process.status() != psutil.STATUS_ZOMBIE)
    except psutil.Error:
        return False


# --- one demo per data directory, one program per port --------------------------------------------


@contextlib.contextmanager
def only_one(where: Path, address: str) -> Iterator[None]:
    """Hold the data directory's place for a serving command; refuse if another holds it."""
    path = where / "run" / "demo.lock"
    with open(path, "a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            holder = file.read().strip() or "(it is only just starting)"
            raise CannotStart(
                f"Zonewright is already running with the data in {where}: {holder}.",
                field="ZONEWRIGHT_DATA",
                value=where,
                remedy="Use that one, or stop it with Ctrl-C in its terminal; for a second one beside it, set "
                "ZONEWRIGHT_DATA to another directory and choose another --port.",
            ) from None
        file.truncate(0)
        file.write(f"{address}, process {os.getpid()}\n")
        file.flush()
        try:
            yield
        finally:
            file.truncate(0)


def await_port(port: int, timeout_s: float) -> None:
    """Like `check_port`, but give a killed holder the time it takes to go.

    A process whose first thread has ended counts as dead while its other threads still hold the socket.
    """
    deadline = time.monotonic() + timeout_s
    while True:
        try:
            return check_port(port)
        except CannotStart:
            if time.monotonic() > deadline:
                raise
        time.sleep(0.05)


def check_port(port: int) -> None:
    """Raise CannotStart if nobody may listen on this port of 127.0.0.1."""
    if not 1 <= port <= 65_535:
        raise CannotStart(
            f"Port {port} does not exist.", field="port", value=port, remedy="Choose one from 1024 to 65535."
        )
    with socket.socket() as probe:
        # As the server does: a port whose last connections are just closing is free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except PermissionError as error:
            raise CannotStart(
                f"Port {port} may be opened only by the system's administrator.",
                field="port",
                value=port,
                remedy="Choose one from 1024 to 65535 with --port.",
            ) from error
        except OSError as error:
            raise CannotStart(
                f"Port {port} of {HOST} is used by another program.",
                field="port",
                value=port,
                remedy=f"Stop that program, or choose another port: manage.py demo --port {free_port(port + 1)}",
            ) from error
