"""Long work that a worker does: what is kept of it, how it shows its progress, how it is cancelled and repeated.

A kind of work is a model derived from `BackgroundWork`. Its service writes all its results in one transaction with
the end state, so that a worker killed half-way leaves nothing; progress goes through a connection of its own, so that
it shows meanwhile and carries the wish to cancel back.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ClassVar

from django.conf import settings
from django.db import OperationalError, connection, models, transaction
from django.db.models import Q
from django.utils import timezone

from config.celery import app
from config.errors import Conflict

logger = logging.getLogger("zonewright.background")


class CancelAsked(Exception):
    """Between two chunks the person was found to have asked for an end."""


class BackgroundWork(models.Model):
    """Work for a worker, asked for by a person."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        RUNNING = "running", "Running"
        CHECKED = "checked", "Looked over, not yet taken in"
        DONE = "done", "Done"
        REFUSED = "refused", "Refused"
        CANCELLED = "cancelled", "Cancelled"
        FAILED = "failed", "Failed"

    OPEN: ClassVar = (State.WAITING, State.RUNNING)
    # With the row's key this names the lock; every kind of work has a number of its own.
    LOCK: ClassVar[int]

    state = models.CharField(max_length=9, choices=State.choices, default=State.WAITING)
    cancel_asked = models.BooleanField(default=False)
    progress = models.PositiveSmallIntegerField(default=0, help_text="percent")
    error = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        abstract = True
        constraints: ClassVar = [
            models.CheckConstraint(name="%(app_label)s_%(class)s_progress", condition=Q(progress__lte=100))
        ]


def ask_worker(task: str, pk: int) -> None:
    """Send a task (by name: tasks are doors, and a service imports none) with one key, once the transaction is in."""
    transaction.on_commit(lambda: app.send_task(task, [pk]) and None)


def cancel(work: BackgroundWork) -> None:
    """Ask for an end: honoured before the next chunk, and nothing is kept. Raises Conflict if it ended already."""
    model = type(work)
    if not model._default_manager.filter(pk=work.pk, state__in=model.OPEN).update(cancel_asked=True):
        raise Conflict("The work has ended already.", field="work", value=work.pk, remedy="Read its page again.")


def end(work: BackgroundWork, state: BackgroundWork.State, **values: object) -> str:
    """Note how it ended. One statement, in the caller's transaction."""
    type(work)._default_manager.filter(pk=work.pk).update(
        state=state, progress=100 if state == BackgroundWork.State.DONE else 0, finished_at=timezone.now(), **values
    )
    return state.value


@contextmanager
def progress_of(work: BackgroundWork) -> Iterator[Callable[[int], None]]:
    """A function that notes how far the work is (percent) and raises CancelAsked when an end was asked for."""
    own = connection.copy()
    table = connection.ops.quote_name(work._meta.db_table)

    def report(percent: int) -> None:
        with own.cursor() as cursor:
            cursor.execute(
                f"UPDATE {table} SET state = 'running', progress = %s WHERE id = %s RETURNING cancel_asked",  # noqa: S608
                [max(0, min(percent, 99)), work.pk],
            )
            row = cursor.fetchone()
        if row and row[0]:
            raise CancelAsked

    try:
        yield report
    finally:
        own.close()


@contextmanager
def alone(lock: int, pk: int, *, wait_s: int = 10) -> Iterator[bool]:
    """Hold the database's lock on one piece of work, if it is free within that time; it ends with the process.

    Gives whether it is held. Not to be used within a transaction.
    """
    with connection.cursor() as cursor:
        # A killed process leaves a statement that may be waiting; let the server see that nobody listens.
        cursor.execute("SET client_connection_check_interval = '1s'")
    mine = False
    try:
        mine = _lock(lock, pk, wait_s)
        yield mine
    finally:
        with connection.cursor() as cursor:
            if mine:
                cursor.execute("SELECT pg_advisory_unlock(%s, %s)", [lock, pk])
            cursor.execute("RESET client_connection_check_interval")


def _lock(lock: int, pk: int, wait_s: int) -> bool:
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SELECT set_config('lock_timeout', %s, TRUE)", [f"{max(1, wait_s * 1000)}ms"])
            cursor.execute("SELECT pg_advisory_lock(%s, %s)", [lock, pk])
    except OperationalError:
        logger.info("work %s of %s is under way elsewhere", pk, lock)
        return False
    return True
