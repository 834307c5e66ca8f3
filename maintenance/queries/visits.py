"""Visits: lists, one visit with its tasks, and what planning one needs to know."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, F, OuterRef, Prefetch, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.shortcuts import get_object_or_404
from django.utils import timezone

from config import keyset
from config.accounts.models import User
from config.accounts.rights import Role
from config.keyset import KeysetPage
from installs.models import Site
from installs.rules.resistors import spoken_ohm
from maintenance.models import Absence, Engineer, Flag, RegimeRule, Requirement, TestResult, Visit, VisitTask
from maintenance.queries.due import flag_tone, subject_words
from maintenance.queries.scope import engineers_of

ORDER = ("starts", "id")
LATEST_ORDER = ("-starts", "-id")


@dataclass(frozen=True)
class VisitFilter:
    """Narrows the list; empty values do not. Without a day it shows today and later."""

    day: date | None = None
    engineer_id: int | None = None
    state: str = ""
    kind: str = ""


@dataclass(frozen=True)
class VisitRow:
    """One visit as lists show it."""

    pk: int
    site_id: int
    reference: str
    name: str
    address: str
    starts: datetime
    ends: datetime
    engineer: str
    kind: str
    state: str
    state_words: str
    tone: str
    tasks: int
    note: str


@dataclass(frozen=True)
class TaskRow:
    """One requirement that a visit is to meet, and its result once there is one."""

    requirement_id: int
    test: str
    subject: str
    due_month: date
    window_to: date
    is_loop: bool
    circuit_id: int | None = None  # of a loop test at a site that the person may open today
    outcome: str = ""
    outcome_words: str = ""
    measured_ohm: float | None = None
    note: str = ""
    done_on: date | None = None

    @property
    def measured_words(self) -> str:
        return "" if self.measured_ohm is None else spoken_ohm(self.measured_ohm)


@dataclass(frozen=True)
class VisitDetail:
    visit: Visit
    row: VisitRow
    tasks: tuple[TaskRow, ...]
    open: bool
    movable: bool
    site_open: bool  # whether this person may open the site's sheet today


@dataclass(frozen=True)
class OpenRequirement:
    """A requirement of a site as the planning page offers it."""

    pk: int
    test: str
    subject: str
    due_month: date
    window_to: date
    state: str
    state_words: str
    tone: str
    remote: bool
    ticked: bool
    planned_on: datetime | None


@dataclass(frozen=True)
class PlanChoices:
    """What a visit to a site can be made of."""

    site: Site
    engineers: tuple[Engineer, ...]
    requirements: tuple[OpenRequirement, ...]


def visits_of(user: User) -> QuerySet[Visit]:
    """Visits that the person may see, with when they begin and end."""
    return Visit.objects.visible_to(user).annotate(starts=F("period__startswith"), ends=F("period__endswith"))


def visit_list(user: User, choice: VisitFilter, *, today: date, cursor: str | None, size: int) -> KeysetPage[VisitRow]:
    """Visits by day and time, from today or on one day. 1 statement."""
    day = choice.day or today
    # No visit runs past midnight, so its start says its day.
    visits = visits_of(user).filter(period__startswith__gte=_midnight(day))
    if choice.day is not None:
        visits = visits.filter(period__startswith__lt=_midnight(day + timedelta(days=1)))
    if choice.engineer_id is not None:
        visits = visits.filter(engineer_id=choice.engineer_id)
    if choice.state:
        visits = visits.filter(state=choice.state)
    if choice.kind:
        visits = visits.filter(kind=choice.kind)
    page = keyset.page(_with_rows(visits), ORDER, cursor=cursor, size=size)
    return KeysetPage([_row(visit) for visit in page.rows], page.next_cursor, page.first)


def own_visits(user: User, today: date) -> tuple[list[VisitRow], list[VisitRow]]:
    """An engineer's own live visits: those of today and earlier still open, and those of the six days after.
    1 statement."""
    visits = (
        _with_rows(visits_of(user))
        .filter(engineer__user=user, state__in=Visit.LIVE)
        .filter(
            period__startswith__gte=_midnight(today - timedelta(days=14)),
            period__startswith__lt=_midnight(today + timedelta(days=7)),
        )
        .order_by(*ORDER)[:100]
    )
    rows = [_row(visit) for visit in visits]
    tomorrow = _midnight(today + timedelta(days=1))
    return [row for row in rows if row.starts < tomorrow], [row for row in rows if row.starts >= tomorrow]


def visit_detail(user: User, pk: int) -> VisitDetail:
    """One visit with its tasks and their results; 404 if the person may not see it. 4 statements."""
    visit = get_object_or_404(
        _with_rows(visits_of(user)).annotate(
            site_open=Exists(Site.objects.visible_to(user).filter(pk=OuterRef("site_id")))
        ),
        pk=pk,
    )
    tasks = (
        VisitTask.objects.filter(visit=visit)
        .select_related(
            "requirement__rule", "requirement__panel", "requirement__circuit", "requirement__device"
        )
        .order_by("requirement__rule__subject", "requirement__circuit__number", "requirement__device__mark", "id")
    )
    results = {result.requirement_id: result for result in TestResult.objects.filter(visit=visit).order_by("id")}
    return VisitDetail(
        visit=visit,
        row=_row(visit),
        tasks=tuple(
            _task(task.requirement, results.get(task.requirement_id), site_open=visit.site_open) for task in tasks
        ),
        open=visit.state in Visit.LIVE,
        movable=visit.state in (Visit.State.PLANNED, Visit.State.CONFIRMED),
        site_open=visit.site_open,
    )


def plan_choices(user: User, site_id: int, today: date) -> PlanChoices:
    """A site, the engineers of its branch and its open requirements; those late or due are ticked unless
    another visit is to meet them. 404 for a site that the person may not see. 5 statements."""
    site = get_object_or_404(Site.objects.visible_to(user).select_related("branch", "customer"), pk=site_id)
    engineers = engineers_of(user).filter(user__branch_id=site.branch_id).select_related("user").order_by("user__name")
    requirements = (
        Requirement.objects.filter(site=site, active=True)
        .select_related("rule", "panel", "circuit", "device")
        .prefetch_related(
            Prefetch("flags", queryset=Flag.objects.filter(withdrawn_at=None).order_by("fault", "id")),
            Prefetch(
                "tasks",
                queryset=VisitTask.objects.filter(visit__state__in=Visit.LIVE).select_related("visit"),
            ),
        )
        .order_by("window_to", "id")
    )
    return PlanChoices(site, tuple(engineers), tuple(_open_requirement(r, today) for r in requirements))


def upcoming_absences(user: User, today: date) -> list[Absence]:
    """Absences that end today or later. 1 statement."""
    return list(
        Absence.objects.filter(engineer__in=engineers_of(user).values("pk"), days__endswith__gt=today)
        .select_related("engineer__user")
        .order_by("days")[:20]
    )


def engineer_choices(user: User, *, branch_id: int | None = None) -> list[tuple[int, str]]:
    """Engineers that the person may plan for or look at, if asked those of one branch. 1 statement."""
    engineers = engineers_of(user)
    if branch_id is not None:
        engineers = engineers.filter(user__branch_id=branch_id)
    return list(engineers.order_by("user__name", "pk").values_list("pk", "user__name"))


def engineer(user: User, pk: int) -> Engineer:
    """One engineer; 404 for one whom the person may not plan. 1 statement."""
    return get_object_or_404(engineers_of(user).select_related("user"), pk=pk)


def _midnight(day: date) -> datetime:
    return timezone.make_aware(datetime(day.year, day.month, day.day))  # noqa: DTZ001 - made aware here


def _with_rows(visits: QuerySet[Visit]) -> QuerySet[Any]:
    # A subquery, because grouping would have to read every visit before the first page is known.
    tasks = VisitTask.objects.filter(visit=OuterRef("pk")).values("visit").annotate(number=Count("id"))
    number = Coalesce(Subquery(tasks.values("number")), 0)
    return visits.select_related("site", "engineer__user").annotate(task_count=number)


def _row(visit: Visit) -> VisitRow:
    site = visit.site
    address = ", ".join(part for part in (site.street, site.town, site.postcode) if part)
    return VisitRow(
        pk=visit.pk,
        site_id=site.pk,
        reference=site.reference,
        name=site.name,
        address=address,
        starts=timezone.localtime(visit.period.lower),
        ends=timezone.localtime(visit.period.upper),
        engineer=visit.engineer.user.name,
        kind=visit.get_kind_display(),
        state=visit.state,
        state_words=visit.get_state_display(),
        tone={
            Visit.State.DONE: "ok",
            Visit.State.ABORTED: "bad",
            Visit.State.MISSED: "bad",
            Visit.State.UNDER_WAY: "warn",
        }.get(Visit.State(visit.state), "info"),
        tasks=getattr(visit, "task_count", 0),
        note=visit.note,
    )


def _task(requirement: Requirement, result: TestResult | None, *, site_open: bool) -> TaskRow:
    rule = requirement.rule
    row = TaskRow(
        requirement_id=requirement.pk,
        test=rule.get_test_display(),
        subject=subject_words(requirement),
        due_month=requirement.due_month,
        window_to=requirement.window_to,
        is_loop=rule.test == RegimeRule.Test.LOOP,
        circuit_id=requirement.circuit_id if site_open and rule.test == RegimeRule.Test.LOOP else None,
    )
    if result is None:
        return row
    return TaskRow(
        **{name: getattr(row, name) for name in
           ("requirement_id", "test", "subject", "due_month", "window_to", "is_loop", "circuit_id")},
        outcome=result.outcome,
        outcome_words=result.get_outcome_display(),
        measured_ohm=result.measured_ohm,
        note=result.note,
        done_on=result.done_on,
    )


def _open_requirement(requirement: Requirement, today: date) -> OpenRequirement:
    flags = list(requirement.flags.all())
    tasks = list(requirement.tasks.all())
    calendar = next((flag for flag in flags if not flag.fault), None)
    shown = next((flag for flag in flags if flag.fault), calendar)
    state = shown.state if shown is not None else ""
    rule = requirement.rule
    return OpenRequirement(
        pk=requirement.pk,
        test=rule.get_test_display(),
        subject=subject_words(requirement),
        due_month=requirement.due_month,
        window_to=requirement.window_to,
        state=state,
        state_words=Flag.State(state).label if state else "Not due yet",
        tone=flag_tone(state),
        remote=rule.test in (RegimeRule.Test.REMOTE_CHECK, RegimeRule.Test.SIGNALLING),
        # Flags are as old as the last night: what has come into its window since counts as well.
        ticked=not tasks and (bool(flags) or requirement.window_from <= today),
        planned_on=timezone.localtime(tasks[0].visit.period.lower) if tasks else None,
    )


def is_engineer(user: User) -> bool:
    """Whether the person's own visits come first."""
    return user.role == Role.ENGINEER
