"""Runs of the nightly work, and the shortages it found."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import QuerySet
from django.utils import timezone

from config import keyset
from config.accounts.models import User
from config.accounts.rights import Right
from config.keyset import KeysetPage
from maintenance.models import JobRun
from maintenance.queries.scope import shortages_of

RUN_ORDER = ("-id",)
SHORTAGE_ORDER = ("needed_on", "id")


@dataclass(frozen=True)
class JobRow:
    pk: int
    job: str
    business_date: date
    state: str
    state_words: str
    tone: str
    started_at: datetime
    seconds: float | None
    step: str
    progress: int
    counts: tuple[tuple[str, str], ...]
    error: str


@dataclass(frozen=True)
class ShortageRow:
    pk: int
    item_id: int
    sku: str
    name: str
    branch: str
    needed_on: date
    needed: int
    on_hand: int
    on_order: int
    short: int
    unit: str
    references: tuple[str, ...]


def runs_of(user: User) -> QuerySet[JobRun]:
    return JobRun.objects.all() if user.has_right(Right.SEE_JOBS) else JobRun.objects.none()


def job_runs(user: User, *, cursor: str | None, size: int) -> KeysetPage[JobRow]:
    """Runs, latest first. 1 statement."""
    page = keyset.page(runs_of(user), RUN_ORDER, cursor=cursor, size=size)
    return KeysetPage([_run(run) for run in page.rows], page.next_cursor, page.first)


def running() -> bool:
    """Whether a run is under way. 1 statement."""
    return JobRun.objects.filter(state=JobRun.State.RUNNING).exists()


def shortage_list(user: User, *, cursor: str | None, size: int) -> KeysetPage[ShortageRow]:
    """Shortages of the coming weeks, soonest first. 1 statement."""
    shortages = shortages_of(user).select_related("item", "branch")
    page = keyset.page(shortages, SHORTAGE_ORDER, cursor=cursor, size=size)
    rows = [
        ShortageRow(
            pk=row.pk, item_id=row.item_id, sku=row.item.sku, name=row.item.name, branch=row.branch.name,
            needed_on=row.needed_on, needed=row.needed, on_hand=row.on_hand, on_order=row.on_order,
            short=row.short, unit=row.item.unit, references=tuple(row.references),
        )
        for row in page.rows
    ]
    return KeysetPage(rows, page.next_cursor, page.first)


def _run(run: JobRun) -> JobRow:
    seconds = (run.finished_at - run.started_at).total_seconds() if run.finished_at is not None else None
    return JobRow(
        pk=run.pk, job=run.job, business_date=run.business_date, state=run.state,
        state_words=run.get_state_display(),
        tone={JobRun.State.DONE: "ok", JobRun.State.FAILED: "bad"}.get(JobRun.State(run.state), "info"),
        started_at=timezone.localtime(run.started_at), seconds=seconds, step=run.step, progress=run.progress,
        counts=tuple(_flat(run.counts)), error=run.error,
    )


def _flat(counts: object, prefix: str = "") -> list[tuple[str, str]]:
    """Counts, nested or not, as pairs of words and a number."""
    if not isinstance(counts, dict):
        return [(prefix.strip().replace("_", " "), str(counts))]
    return [pair for name, value in counts.items() for pair in _flat(value, f"{prefix} {name}")]
