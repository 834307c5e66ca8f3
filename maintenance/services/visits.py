"""Planning visits: who goes where and when. The database refuses overlaps; here the refusal is put in words."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

import pghistory
from django.db import IntegrityError, transaction
from django.db.backends.postgresql.psycopg_any import DateTimeTZRange
from django.utils import timezone

from config.accounts.models import User
from config.errors import ChangedMeanwhile, Conflict, InvalidInput
from installs.models import Site
from maintenance.models import Absence, Engineer, RegimeRule, Requirement, Visit, VisitTask
from stock.services.reservations import release_for

OVERLAP = "maintenance_visit_no_overlap"
# What can be done without anybody going there (common practice, no source).
REMOTE_TESTS = frozenset({RegimeRule.Test.REMOTE_CHECK, RegimeRule.Test.SIGNALLING})


def plan_visit(
    site: Site,
    *,
    engineer: Engineer,
    start: datetime,
    end: datetime,
    kind: Visit.Kind | str,
    requirements: Collection[int],
    by: User,
    note: str = "",
) -> Visit:
    """Plan a visit that is to meet the named requirements (ids).

    Raises InvalidInput for a time outside the engineer's working hours or a requirement of another site;
    Conflict for an absence, an overlap with another visit, or a requirement that another visit already
    is to meet.
    """
    _check_time(engineer, start, end)
    _check_engineer(site, engineer)
    chosen = _check_requirements(site, Visit.Kind(kind), requirements)
    visit = Visit(
        site=site, engineer=engineer, kind=Visit.Kind(kind), period=_period(start, end), note=note.strip(), made_by=by
    )
    with pghistory.context(user=by.pk), transaction.atomic():
        _save(visit)
        VisitTask.objects.bulk_create([VisitTask(visit=visit, requirement=requirement) for requirement in chosen])
    return visit


def move_visit(
    visit: Visit,
    *,
    version: int,
    start: datetime,
    end: datetime,
    by: User,
    engineer: Engineer | None = None,
    note: str | None = None,
) -> Visit:
    """Give a visit another time, another engineer or another note.

    `version` is the state of the visit that the caller read; raises ChangedMeanwhile if it is no longer
    that, and otherwise as `plan_visit`.
    """
    with pghistory.context(user=by.pk), transaction.atomic():
        visit = _lock(visit, version)
        if visit.state not in (Visit.State.PLANNED, Visit.State.CONFIRMED):
            raise _not_open(visit, "moved")
        chosen = engineer or visit.engineer
        _check_time(chosen, start, end)
        _check_engineer(visit.site, chosen)
        visit.engineer = chosen
        visit.period = _period(start, end)
        # What was agreed with the customer was agreed for the old time.
        visit.state = Visit.State.PLANNED
        if note is not None:
            visit.note = note.strip()
        _save(visit)
    return visit


def cancel_visit(visit: Visit, *, version: int, reason: str, by: User) -> Visit:
    """Abort a visit that will not take place; what it was to meet stays due, and its site closes again.

    Raises InvalidInput without a reason, Conflict when it is over already, ChangedMeanwhile when it was
    changed after the caller read it.
    """
    reason = reason.strip()
    if not reason:
        raise InvalidInput("A visit is not aborted without a reason.", field="reason",
                           remedy="Say why, in a few words.")
    with pghistory.context(user=by.pk), transaction.atomic():
        visit = _lock(visit, version)
        if visit.state not in Visit.LIVE:
            raise _not_open(visit, "aborted")
        note = f"{visit.note} Aborted: {reason}".strip()
        longest = 200
        if len(note) > longest:
            raise InvalidInput("The reason is too long for the visit's note.", field="reason", value=reason,
                               remedy=f"Use at most {longest - len(note) + len(reason)} letters.")
        visit.note = note
        visit.state = Visit.State.ABORTED
        _save(visit)
        release_for(f"visit {visit.pk}", by=by)
    return visit


def _period(start: datetime, end: datetime) -> DateTimeTZRange:
    return DateTimeTZRange(start, end)


def _lock(visit: Visit, version: int) -> Visit:
    locked = (
        Visit.objects.select_for_update(of=("self",)).select_related("site", "engineer__user").get(pk=visit.pk)
    )
    if locked.version != version:
        raise ChangedMeanwhile("The visit was changed by somebody else after you opened it.", field="version",
                               value=version, remedy="Open the visit again and repeat the change.")
    locked.version += 1
    return locked


def _not_open(visit: Visit, verb: str) -> Conflict:
    return Conflict(
        f"The visit is {visit.get_state_display().lower()} and cannot be {verb}.", field="state", value=visit.state,
        remedy="Plan another visit instead.",
    )


def _save(visit: Visit) -> None:
    """Save, and put an overlap that the database refuses in words."""
    try:
        with transaction.atomic():
            visit.save()
    except IntegrityError as error:
        diagnosis = getattr(error.__cause__, "diag", None)
        if getattr(diagnosis, "constraint_name", None) == OVERLAP:
            raise _clash(visit) from error
        raise


def _clash(visit: Visit) -> Conflict:
    other = (
        Visit.objects.filter(engineer=visit.engineer, period__overlap=visit.period)
        .exclude(state__in=(Visit.State.ABORTED, Visit.State.MISSED))
        .exclude(pk=visit.pk)
        .select_related("site")
        .order_by("period")
        .first()
    )
    who = visit.engineer.user.name
    if other is None or other.period.lower is None or other.period.upper is None:
        # The other visit went away between the refusal and this look.
        return Conflict(f"{who} already had a visit at that time.", field="start", remedy="Try once more.")
    lower, upper = timezone.localtime(other.period.lower), timezone.localtime(other.period.upper)
    return Conflict(
        f"{who} is already at {other.site.reference} ({other.site.name}) on {lower:%-d %b %Y} "
        f"from {lower:%H:%M} to {upper:%H:%M}.",
        field="start",
        value=f"{timezone.localtime(visit.period.lower):%Y-%m-%d %H:%M}",
        remedy="Choose another time or another engineer, or move that visit first.",
    )


def _check_time(engineer: Engineer, start: datetime, end: datetime) -> None:
    start, end = timezone.localtime(start), timezone.localtime(end)
    who = engineer.user.name
    if start >= end:
        raise InvalidInput("The visit ends before it begins.", field="end", value=f"{end:%H:%M}",
                           remedy=f"Choose a time after {start:%H:%M}.")
    day = start.date()
    if end.date() != day:
        raise InvalidInput("The visit runs past midnight.", field="end", value=f"{end:%Y-%m-%d %H:%M}",
                           remedy="Plan one visit for each day.")
    if day < timezone.localdate():
        raise InvalidInput(f"{day:%-d %b %Y} is past.", field="start", value=f"{day:%Y-%m-%d}",
                           remedy="Choose today or a later day.")
    if day.isoweekday() not in engineer.weekdays:
        worked = ", ".join(_WEEKDAYS[number - 1] for number in sorted(engineer.weekdays)) or "no day"
        raise InvalidInput(f"{who} does not work on a {_WEEKDAYS[day.isoweekday() - 1]}.", field="start",
                           value=f"{day:%Y-%m-%d}", remedy=f"Working days are: {worked}.")
    if start.time() < engineer.day_starts or end.time() > engineer.day_ends:
        raise InvalidInput(
            f"{start:%H:%M} to {end:%H:%M} is outside the working hours of {who}.", field="start",
            value=f"{start:%H:%M}",
            remedy=f"Stay between {engineer.day_starts:%H:%M} and {engineer.day_ends:%H:%M}.",
        )
    absence = Absence.objects.filter(engineer=engineer, days__contains=day).first()
    if absence is not None:
        raise Conflict(
            f"{who} takes no visits on {day:%-d %b %Y}: {absence.reason}.", field="start", value=f"{day:%Y-%m-%d}",
            remedy="Choose another day or another engineer.",
        )


_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def _check_engineer(site: Site, engineer: Engineer) -> None:
    if not engineer.user.is_active:
        raise InvalidInput(f"{engineer.user.name} no longer works here.", field="engineer", value=engineer.pk,
                           remedy="Choose another engineer.")
    if engineer.user.branch_id != site.branch_id:
        raise InvalidInput(f"{engineer.user.name} belongs to another branch than {site.reference}.",
                           field="engineer", value=engineer.pk, remedy="Choose an engineer of the site's branch.")


def _check_requirements(site: Site, kind: Visit.Kind, ids: Collection[int]) -> Sequence[Requirement]:
    wanted = set(ids)
    found = list(
        Requirement.objects.filter(pk__in=wanted, site=site, active=True).select_related("rule").order_by("id")
    )
    missing = wanted - {requirement.pk for requirement in found}
    if missing:
        raise InvalidInput(
            f"Not open at {site.reference}: requirement {', '.join(str(pk) for pk in sorted(missing))}.",
            field="requirements", value=min(missing), remedy="Choose from the site's open requirements.",
        )
    if kind == Visit.Kind.REMOTE:
        for requirement in found:
            if requirement.rule.test not in REMOTE_TESTS:
                raise InvalidInput(
                    f"'{requirement.rule.get_test_display()}' cannot be done remotely.", field="requirements",
                    value=requirement.pk, remedy="Take it off the list, or plan a site visit.",
                )
    planned = (
        VisitTask.objects.filter(requirement__in=wanted, visit__state__in=Visit.LIVE)
        .select_related("visit", "requirement__rule")
        .order_by("id")
        .first()
    )
    if planned is not None:
        starts = timezone.localtime(planned.visit.period.lower)
        raise Conflict(
            f"'{planned.requirement.rule.get_test_display()}' is already on the visit of {starts:%-d %b %Y %H:%M}.",
            field="requirements", value=planned.requirement_id,
            remedy="Take it off the list, or move or abort that visit.",
        )
    return found
