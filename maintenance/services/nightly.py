"""The nightly work: one job run, step by step, safe to kill and safe to repeat."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date

from django.db import OperationalError, connection, transaction
from django.utils import timezone

from config.errors import Conflict
from installs.services.loop_tables import keep_stale_tables
from maintenance.models import JobRun
from maintenance.services.digests import send_digests, write_digests
from maintenance.services.drift import mark_drifts
from maintenance.services.flags import raise_flags
from maintenance.services.requirements import sync_requirements
from maintenance.services.shortages import list_shortages
from maintenance.services.swaps import propose_swaps
from stock.services.planning import plan_stock
from stock.services.proposals import propose_orders
from stock.services.reconciliation import check_ledger
from stock.services.snapshots import take_missing_snapshots

JOB = "nightly"
KILLED = "killed"
# Any number that no other advisory lock of the service uses.
LOCK = 20_170_131

logger = logging.getLogger("zonewright.nightly")

Report = Callable[[str, int], None]
Step = Callable[[date, Report], dict[str, int]]


def _digests(business_date: date, report: Report) -> dict[str, int]:
    written = write_digests(business_date=business_date)
    report("sending", 50)
    return written | send_digests(business_date=business_date)


# In this order: drift stands on the loops, flags on requirements, swaps on failed tests, shortages on proposals,
# order proposals on the stock plan, the ledger's check on its snapshots, digests on all.
STEPS: tuple[tuple[str, Step], ...] = (
    ("loops", lambda _day, report: keep_stale_tables(report)),
    ("requirements", lambda day, report: sync_requirements(business_date=day)),
    ("flags", lambda day, report: raise_flags(business_date=day)),
    ("drift", lambda day, report: mark_drifts(business_date=day)),
    ("swaps", lambda day, report: propose_swaps(business_date=day, report=report)),
    ("shortages", lambda day, report: list_shortages(business_date=day)),
    ("stock plan", lambda day, report: plan_stock(business_date=day, report=report)),
    ("order proposals", lambda day, report: propose_orders(business_date=day, report=report).counts()),
    ("snapshots", lambda _day, report: take_missing_snapshots(report=report)),
    ("ledger check", lambda _day, _report: {"differences": check_ledger().differences}),
    ("digests", _digests),
)


def run_nightly(*, business_date: date | None = None, wait_s: int = 600) -> JobRun:
    """Run all steps for that day (default: today in the firm's time zone) and return the job run.

    Each step is a service with its own transactions that a repeat brings to the same end, so a run that was
    killed is made good by the next one. Only one run works at a time: another waits up to `wait_s` seconds
    (0: not at all), then gives up with Conflict. A run found unfinished while nobody works was killed, and is
    marked so. An error of a step ends the run, is kept in it, and is raised.
    """
    day = business_date or timezone.localdate()
    with _alone(wait_s=wait_s):
        _mark_killed()
        run = JobRun.objects.create(job=JOB, business_date=day)
        try:
            for number, (name, step) in enumerate(STEPS):
                report = _reporter(run, name, number)
                report("", 0)
                run.counts[name] = step(day, report)
        except Exception as error:
            _end(run, JobRun.State.FAILED, error=f"{type(error).__name__} in step {run.step}: {error}")
            raise
        run.step, run.progress = "", 100
        _end(run, JobRun.State.DONE)
    logger.info("nightly work of %s done: %s", day, run.counts)
    return run


def _reporter(run: JobRun, name: str, number: int) -> Report:
    """A function that notes how far a step is (percent of the step) in the job run."""

    def report(part: str, percent: int) -> None:
        run.step = f"{name}: {part}"[:60] if part else name
        run.progress = (number * 100 + min(max(percent, 0), 100)) // len(STEPS)
        run.save(update_fields=["step", "progress", "counts"])

    return report


def _end(run: JobRun, state: JobRun.State, *, error: str = "") -> None:
    run.state, run.error, run.finished_at = state, error, timezone.now()
    run.save()


def _mark_killed() -> None:
    """Runs still 'running' while this one holds the lock have no process any more."""
    JobRun.objects.filter(job=JOB, state=JobRun.State.RUNNING).update(
        state=JobRun.State.FAILED, error=KILLED, finished_at=timezone.now()
    )


@contextmanager
def _alone(*, wait_s: int) -> Iterator[None]:
    """Hold the database's lock on the nightly work. It belongs to the session, so it ends with the process."""
    with connection.cursor() as cursor:
        # A killed process leaves a statement that may be waiting; let the server see that nobody listens.
        cursor.execute("SET client_connection_check_interval = '1s'")
    try:
        _lock(wait_s)
        try:
            yield
        finally:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(%s)", [LOCK])
    finally:
        with connection.cursor() as cursor:
            cursor.execute("RESET client_connection_check_interval")


def _lock(wait_s: int) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s)", [LOCK])
        row = cursor.fetchone()
        if row and row[0]:
            return
    try:
        if wait_s <= 0:
            raise OperationalError("not waiting")
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SELECT set_config('lock_timeout', %s, TRUE)", [f"{wait_s}s"])
            cursor.execute("SELECT pg_advisory_lock(%s)", [LOCK])
    except OperationalError as error:
        other = JobRun.objects.filter(job=JOB, state=JobRun.State.RUNNING).order_by("-id").first()
        since = f" since {timezone.localtime(other.started_at):%-d %b %Y %H:%M}, step '{other.step}'" if other else ""
        raise Conflict(
            f"Another run of the nightly work is under way{since}.",
            field="job", value=JOB, remedy="Wait until it has ended; a repeat is safe then.",
        ) from error
