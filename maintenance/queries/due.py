"""What is due and overdue: by month ahead, and as a list with its reasons."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

from dateutil.relativedelta import relativedelta
from django.db.models import Count, OuterRef, Q, QuerySet, Subquery

from config import keyset
from config.accounts.models import User
from config.keyset import KeysetPage
from maintenance.models import Flag, RegimeRule, Requirement, Subject
from maintenance.queries.scope import flags_of, requirements_of

VISITS = (RegimeRule.Test.SITE_VISIT, RegimeRule.Test.REMOTE_CHECK)
MONTHS_AHEAD = 12
STATES = (Flag.State.ESCALATED, Flag.State.FAILED, Flag.State.OVERDUE, Flag.State.DUE, Flag.State.DUE_SOON)
# Of the states that are late or failed, the words sort as urgently as they are: escalated, failed, overdue. So
# one index serves the list, and no state has to be looked up in a table of ranks.
FLAG_ORDER = ("state", "since", "id")
MONTH_ORDER = ("window_to", "id")


@dataclass(frozen=True)
class DueFilter:
    """Narrows the list; empty values do not. Without a state and a month, only what is late or failed."""

    state: str = ""
    test: str = ""
    branch_id: int | None = None
    month: date | None = None  # first day of a month: what is due in it
    grade: int | None = None


@dataclass(frozen=True)
class MonthDue:
    """Visits due in one month. Widths are per cent of the fullest month, for drawing."""

    month: date
    site_visits: int
    remote_visits: int
    site_percent: int
    remote_percent: int

    @property
    def total(self) -> int:
        return self.site_visits + self.remote_visits


@dataclass(frozen=True)
class DueRow:
    """One requirement that is due, late or failed, and why it is owed."""

    requirement_id: int
    site_id: int
    site_reference: str
    site_name: str
    town: str
    grade: str
    test: str
    subject: str
    due_month: date
    window_to: date
    since: date | None
    days: int  # days since `since`; 0 when it does not hold yet
    state: str
    state_words: str
    tone: str
    regime: str
    interval_months: int
    source: str
    last_done_on: date | None


def due_by_month(user: User, today: date) -> list[MonthDue]:
    """Visits due in this month and the eleven after it. 1 statement."""
    first = today.replace(day=1)
    months = [first + relativedelta(months=n) for n in range(MONTHS_AHEAD)]
    counts: dict[date, dict[str, int]] = defaultdict(dict)
    rows = (
        requirements_of(user)
        .filter(active=True, rule__test__in=VISITS, due_month__range=(months[0], months[-1]))
        # The window's end is indexed and never before the due month.
        .filter(window_to__gte=months[0])
        .values("due_month", "rule__test")
        .annotate(number=Count("id"))
        .order_by("due_month")
    )
    for row in rows:
        counts[row["due_month"]][row["rule__test"]] = row["number"]
    pairs = [
        (counts[m].get(RegimeRule.Test.SITE_VISIT, 0), counts[m].get(RegimeRule.Test.REMOTE_CHECK, 0)) for m in months
    ]
    fullest = max((site + remote for site, remote in pairs), default=0) or 1
    return [
        MonthDue(month, site, remote, round(100 * site / fullest), round(100 * remote / fullest))
        for month, (site, remote) in zip(months, pairs, strict=True)
    ]


def late_counts(user: User) -> dict[str, int]:
    """Open flags by state. 1 statement."""
    rows = flags_of(user).values("state").annotate(number=Count("id")).order_by("state")
    found = {row["state"]: row["number"] for row in rows}
    return {state.value: found.get(state.value, 0) for state in STATES}


def due_list(user: User, choice: DueFilter, *, today: date, cursor: str | None, size: int) -> KeysetPage[DueRow]:
    """What is late, failed or due, escalated first; or what is due in one month. 1 statement.

    Raises InvalidInput for a cursor of another list.
    """
    if choice.month is not None:
        requirements = keyset.page(_due_in_month(user, choice), MONTH_ORDER, cursor=cursor, size=size)
        rows = [_row(row, row.flag_state, row.flag_since, today) for row in requirements.rows]
        return KeysetPage(rows, requirements.next_cursor, requirements.first)
    flags = keyset.page(_flags(user, choice), FLAG_ORDER, cursor=cursor, size=size)
    return KeysetPage(
        [_row(flag.requirement, flag.state, flag.since, today) for flag in flags.rows], flags.next_cursor, flags.first
    )


def _flags(user: User, choice: DueFilter) -> QuerySet[Flag]:
    states = [choice.state] if choice.state else [*Flag.LATE, Flag.State.FAILED]
    flags = flags_of(user).filter(state__in=states).select_related(*_related("requirement__"))
    return flags.filter(_narrow(choice, "requirement__"))


def _due_in_month(user: User, choice: DueFilter) -> QuerySet[Any]:
    assert choice.month is not None
    holding = Flag.objects.filter(requirement=OuterRef("pk"), withdrawn_at=None).order_by("-fault")
    requirements = (
        requirements_of(user)
        .filter(active=True, due_month=choice.month, window_to__gte=choice.month)
        .annotate(flag_state=Subquery(holding.values("state")[:1]), flag_since=Subquery(holding.values("since")[:1]))
        .select_related(*_related(""))
        .filter(_narrow(choice, ""))
    )
    return requirements.filter(flag_state=choice.state) if choice.state else requirements


def _related(prefix: str) -> list[str]:
    return [f"{prefix}{name}" for name in ("rule__regime", "site", "panel", "circuit", "device")]


def _narrow(choice: DueFilter, prefix: str) -> Q:
    wanted: dict[str, Any] = {
        "rule__test": choice.test or None,
        "site__branch_id": choice.branch_id,
        "site__grade": choice.grade,
    }
    return Q(**{f"{prefix}{name}": value for name, value in wanted.items() if value is not None})


def _row(requirement: Requirement, state: str | None, since: date | None, today: date) -> DueRow:
    rule, site = requirement.rule, requirement.site
    return DueRow(
        requirement_id=requirement.pk,
        site_id=site.pk,
        site_reference=site.reference,
        site_name=site.name,
        town=site.town,
        grade=site.get_grade_display(),
        test=rule.get_test_display(),
        subject=subject_words(requirement),
        due_month=requirement.due_month,
        window_to=requirement.window_to,
        since=since,
        days=max(0, (today - since).days) if since is not None else 0,
        state=state or "",
        state_words=Flag.State(state).label if state else "Not due yet",
        tone=flag_tone(state),
        regime=rule.regime.name,
        interval_months=rule.interval_months,
        source=rule.source,
        last_done_on=requirement.last_done_on,
    )


def flag_tone(state: str | None) -> str:
    """The colour of a state's tag; the words say it all."""
    return {
        Flag.State.ESCALATED: "bad",
        Flag.State.FAILED: "bad",
        Flag.State.OVERDUE: "bad",
        Flag.State.DUE: "warn",
        Flag.State.DUE_SOON: "info",
    }.get(Flag.State(state), "info") if state else "info"


def subject_words(requirement: Requirement) -> str:
    """What the requirement is about. Needs panel, circuit and device selected with it."""
    if requirement.device is not None:
        return f"{Subject.DEVICE.label} {requirement.device.mark}, {requirement.device.position}"
    if requirement.circuit is not None:
        return f"{Subject.CIRCUIT.label} {requirement.circuit.number}, {requirement.circuit.zone}"
    if requirement.panel is not None:
        return f"{Subject.PANEL.label}, {requirement.panel.place}" if requirement.panel.place else Subject.PANEL.label
    return Subject.SITE.label


