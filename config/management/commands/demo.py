"""`manage.py demo`: the whole of Zonewright on this machine, with an invented firm, until Ctrl-C."""

from __future__ import annotations

import os
import signal
import sys
import time
from argparse import ArgumentParser
from pathlib import Path
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection, connections
from django.utils import timezone

from config import embedded, lifecycle
from config.servers import CannotStart, log_tail

NIGHTLY_TIMEOUT_S = 900.0


class Command(BaseCommand):
    help = "Starts everything with the data of an invented firm and serves it until Ctrl-C."
    # The checks need the database's tables; migrate runs them.
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="web port on 127.0.0.1 (8000)")
        parser.add_argument("--scale", type=float, default=1.0, help="size of the firm; 1.0 is about 250 sites")
        parser.add_argument("--fresh", action="store_true", help="delete the embedded database and start anew")
        parser.add_argument("--no-serve", action="store_true", help="stop after the summary")

    def handle(self, *args: Any, **options: Any) -> None:
        where: Path = settings.DATA_DIR.resolve()
        port: int = options["port"]
        address = f"http://{lifecycle.HOST}:{port}/"
        # SIGINT too: a shell script's background jobs start with it ignored.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, _interrupt)
        serving = False
        family = lifecycle.Family(where, _environment(where))
        try:
            (where / "run").mkdir(parents=True, exist_ok=True)
            (where / "log").mkdir(parents=True, exist_ok=True)
            with lifecycle.only_one(where, address):
                try:
                    self._begin(where, port, serve=not options["no_serve"], fresh=options["fresh"])
                    self._fill(options["scale"])
                    self._work(family, where)
                    if not options["no_serve"]:
                        self._open(family, port, address)
                        serving = True
                        while True:
                            family.check()
                            _check_servers(where)
                            time.sleep(0.3)
                finally:
                    self._end(family, where)
        except CannotStart as error:
            raise CommandError(str(error)) from error
        except KeyboardInterrupt:
            if not serving:
                self._say("Stopped before it was ready; the next start carries on from here.")
                sys.exit(130)

    def _begin(self, where: Path, port: int, *, serve: bool, fresh: bool) -> None:
        left = lifecycle.end_leftovers(where)
        if left:
            self._say(f"Ended what an earlier start left behind: {', '.join(left)}.")
        if serve:
            lifecycle.await_port(port, 5.0 if left else 0.0)
        if settings.SERVICES.embedded:
            did = " and ".join(settings.SERVICES.started)
            self._say(f"{did} started, data in {where}." if did else f"Services already running, data in {where}.")
        else:
            self._say("Services: those of DATABASE_URL and REDIS_URL.")
        if fresh:
            _close_database()
            embedded.recreate_database(where)
            self._say("Old data deleted.")

    def _fill(self, scale: float) -> None:
        began = time.monotonic()
        call_command("migrate", verbosity=0, interactive=False)
        self._say(f"Database tables are up to date ({time.monotonic() - began:.1f} s).")
        began = time.monotonic()
        call_command("load_demo", scale=scale)
        self._say(f"The demo firm is loaded ({time.monotonic() - began:.1f} s).")

    def _work(self, family: lifecycle.Family, where: Path) -> None:
        from maintenance.queries import nightly_summary
        from maintenance.tasks import run_nightly

        began = time.monotonic()
        family.start("worker", lifecycle.worker_command())
        day = timezone.localdate().isoformat()
        result = run_nightly.delay(day)
        log = where / "log" / "worker.log"
        while not result.ready():
            family.check()
            if time.monotonic() - began > NIGHTLY_TIMEOUT_S:
                raise CannotStart(
                    f"The nightly work for {day} has not ended after {NIGHTLY_TIMEOUT_S:.0f} s.",
                    field="maintenance.run_nightly",
                    value=day,
                    remedy=f"Look at {log}; starting again is safe.",
                )
            time.sleep(0.05)
        if not result.successful():
            raise CannotStart(
                f"The nightly work for {day} failed in the worker: {result.result!r}",
                field="maintenance.run_nightly",
                value=day,
                remedy=f"Look at {log}; starting again is safe.",
            )
        self._say(f"The nightly work for {day} is done ({time.monotonic() - began:.1f} s).")
        self._say("")
        for line in nightly_summary().lines():
            self._say(line)

    def _open(self, family: lifecycle.Family, port: int, address: str) -> None:
        from config.demo_logins import LOGINS

        family.start("beat", lifecycle.beat_command(schedule=settings.CELERY_BEAT_SCHEDULE_FILENAME))
        family.start("web", lifecycle.web_command(host=lifecycle.HOST, port=port))
        family.await_web(port)
        self._say("")
        self._say(f"Zonewright is at {address}")
        widths = [max(len(row[column]) for row in LOGINS) for column in range(3)]
        for row in LOGINS:
            self._say("  " + "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip())
        self._say(f"Logs are in {family.where / 'log'}. Ctrl-C stops everything that was started here.")

    def _end(self, family: lifecycle.Family, where: Path) -> None:
        if family.children:
            self._say("\nStopping ...")
        stopped = family.stop()
        _close_database()
        if embedded.release(where):
            stopped += ["PostgreSQL", "Valkey"]
        if stopped:
            self._say(f"Stopped: {', '.join(stopped)}.")

    def _say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _environment(where: Path) -> dict[str, str]:
    """What the children see: these services, and as many database connections as threads."""
    return (
        dict(os.environ)
        | settings.SERVICES.environment()
        | {"ZONEWRIGHT_DATA": str(where), "ZONEWRIGHT_THREADS": str(lifecycle.WEB_THREADS)}
    )


def _check_servers(where: Path) -> None:
    if not settings.SERVICES.embedded:
        return
    missing = {"PostgreSQL": "postgres", "Valkey": "valkey"}.keys() - embedded.running(where).keys()
    for name in sorted(missing):
        log = where / "log" / ("postgres.log" if name == "PostgreSQL" else "valkey.log")
        raise lifecycle.ChildDied(
            f"{name} ended by itself. The end of {log}:\n{log_tail(log)}",
            field=name,
            remedy="Start again; PostgreSQL recovers what was committed.",
        )


def _close_database() -> None:
    connections.close_all()
    close_pool = getattr(connection, "close_pool", None)
    if close_pool is not None:
        close_pool()
