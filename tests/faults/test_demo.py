"""`manage.py demo` as a user starts, stops and loses it: the whole command, on a small firm."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from tests.machine import ROOT, data_directory, environment, free_port, manage, servers_in, users_of, wait_until

SMALL = ("--scale", "0.05")


@pytest.fixture(scope="module")
def where() -> Iterator[Path]:
    """One data directory for the module: most tests start on what the one before left."""
    with data_directory() as path:
        yield path


class Demo:
    """A running `manage.py demo`, its output collected in a file."""

    def __init__(self, where: Path, port: int) -> None:
        self.where, self.port, self.output = where, port, where.parent / f"demo-{port}.txt"
        with open(self.output, "w") as output:
            self.process = subprocess.Popen(
                [sys.executable, "manage.py", "demo", "--port", str(port), *SMALL],
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd=ROOT,
                env=environment(where),
                start_new_session=True,
            )

    def said(self) -> str:
        return self.output.read_text()

    def await_serving(self) -> None:
        def ready() -> bool:
            assert self.process.poll() is None, self.said()
            return "Ctrl-C stops everything" in self.said()

        wait_until(ready, "the demo serves", seconds=180)

    def children(self) -> dict[str, int]:
        return {name: pid for name, pid, _ in json.loads((self.where / "run" / "children.json").read_text())}

    def end(self, number: signal.Signals) -> int:
        self.process.send_signal(number)
        return self.process.wait(timeout=60)


@contextlib.contextmanager
def demo(where: Path) -> Iterator[Demo]:
    running = Demo(where, free_port())
    try:
        running.await_serving()
        yield running
    finally:
        running.process.kill()
        running.process.wait()


def nothing_left(where: Path) -> None:
    wait_until(lambda: not users_of(where) and not servers_in(where), "nothing of the demo is left", seconds=5)


def test_no_serve_prints_the_summary_and_stops_everything(where: Path) -> None:
    result = manage(where, "demo", "--no-serve", *SMALL)
    assert result.returncode == 0, result.stdout
    lines = result.stdout.splitlines()
    assert lines[0] == f"PostgreSQL and Valkey started, data in {where}."
    assert lines[-1] == "Stopped: worker, PostgreSQL, Valkey."
    nothing_left(where)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_stops_everything_that_was_started(where: Path, number: signal.Signals) -> None:
    with demo(where) as running:
        assert sorted(running.children()) == ["beat", "web", "worker"]
        with urllib.request.urlopen(f"http://127.0.0.1:{running.port}/", timeout=10) as answer:
            assert answer.status == 200
        assert running.end(number) == 0
        assert running.said().splitlines()[-1] == "Stopped: web, beat, worker, PostgreSQL, Valkey."
    nothing_left(where)


def test_a_second_start_is_quick(where: Path) -> None:
    began = time.monotonic()
    with demo(where) as running:
        assert time.monotonic() - began < 15
        assert running.end(signal.SIGINT) == 0


def test_a_second_demo_on_the_same_data_is_refused_and_harms_nothing(where: Path) -> None:
    with demo(where) as running:
        second = manage(where, "demo", "--port", str(free_port()), *SMALL)
        assert second.returncode == 1
        assert second.stdout == (
            f"CommandError: Zonewright is already running with the data in {where}: "
            f"http://127.0.0.1:{running.port}/, process {running.process.pid}. Use that one, or stop it with Ctrl-C "
            "in its terminal; for a second one beside it, set ZONEWRIGHT_DATA to another directory and choose "
            "another --port.\n"
        )
        with urllib.request.urlopen(f"http://127.0.0.1:{running.port}/", timeout=10) as answer:
            assert answer.status == 200
        assert running.end(signal.SIGINT) == 0


def test_a_busy_port_is_named_with_another_to_take(where: Path) -> None:
    port = free_port()
    other = subprocess.Popen([sys.executable, "-m", "http.server", "--bind", "127.0.0.1", str(port)], cwd="/")
    try:
        wait_until(lambda: any(c.laddr.port == port for c in psutil.Process(other.pid).net_connections()), "it listens")
        result = manage(where, "demo", "--port", str(port), *SMALL)
        assert result.returncode == 1
        said = f"CommandError: Port {port} of 127.0.0.1 is used by another program. Stop that program, or choose "
        assert result.stdout.splitlines()[-1].rpartition(" ")[0] == said + "another port: manage.py demo --port"
        assert other.poll() is None
    finally:
        other.kill()
        other.wait()
    nothing_left(where)


@pytest.mark.parametrize("name", ["web", "worker", "beat"])
def test_a_dead_child_is_named_with_its_log_and_everything_stops(where: Path, name: str) -> None:
    with demo(where) as running:
        psutil.Process(running.children()[name]).kill()
        assert running.process.wait(timeout=60) == 1
        said = f"CommandError: The {name} process ended by itself (signal SIGKILL). The end of {where}/log/{name}.log:"
        assert [line for line in running.said().splitlines() if line.startswith("CommandError")] == [said]
    nothing_left(where)


def test_a_dead_database_is_named_and_everything_stops(where: Path) -> None:
    with demo(where) as running:
        servers_in(where)["PostgreSQL"].kill()
        assert running.process.wait(timeout=60) == 1
        said = f"CommandError: PostgreSQL ended by itself. The end of {where}/log/postgres.log:"
        assert [line for line in running.said().splitlines() if line.startswith("CommandError")] == [said]
    nothing_left(where)


def test_after_a_kill_the_next_start_on_the_same_port_tidies_up(where: Path) -> None:
    with demo(where) as killed:
        killed.process.kill()
        killed.process.wait()
        assert len(users_of(where)) > 2, "its children outlive it"
        next_one = Demo(where, killed.port)
        try:
            next_one.await_serving()
            first = next_one.said().splitlines()[0]
            assert first == "Ended what an earlier start left behind: worker, beat, web."
            assert next_one.end(signal.SIGINT) == 0
        finally:
            next_one.process.kill()
            next_one.process.wait()
    nothing_left(where)
