"""What the site sheet shows of maintenance: the next visit, the flags that hold, the last results."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

from django.db.models import OuterRef, Subquery
from django.urls import reverse
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from installs.rules.resistors import spoken_ohm
from installs.sections import LastTest, NextVisit, OpenFlag, SheetExtras, SubjectExtras
from maintenance.models import Flag, LoopDrift, Requirement, TestResult, Visit
from maintenance.queries.drift import drift_words, drifts_of, slope_words
from maintenance.queries.due import flag_tone
from maintenance.queries.scope import flags_of, of_sites, results_of

STATEMENTS = 4
Subject = tuple[str, int]


def sheet_extras(user: User, site_id: int) -> SheetExtras:
    """Everything that maintenance adds to the sheet of a site, of what the person may see. 4 statements."""
    flags: dict[Subject, list[OpenFlag]] = defaultdict(list)
    for flag in (
        flags_of(user).filter(site_id=site_id).select_related("requirement__rule__regime").order_by("since", "id")
    ):
        flags[_subject(flag.requirement)].append(_flag(flag))
    for drift in drifts_of(user).filter(site_id=site_id).order_by("leaves_on", "id"):
        flags["circuit", drift.circuit_id].append(_drift(drift))
    # The latest of each requirement: of as many as the site has, by index.
    latest = TestResult.objects.filter(requirement=OuterRef("pk")).order_by("-done_on", "-id").values("pk")[:1]
    requirements = Requirement.objects.filter(site_id=site_id).annotate(latest=Subquery(latest))
    tests: dict[Subject, list[LastTest]] = defaultdict(list)
    for result in (
        results_of(user)
        .filter(pk__in=requirements.values("latest"))
        .select_related("requirement__rule")
        .order_by("-done_on", "-id")
    ):
        tests[_subject(result.requirement)].append(_test(result))
    merged = {
        subject: SubjectExtras(tuple(flags.get(subject, ())), tuple(tests.get(subject, ())))
        for subject in {*flags, *tests}
    }
    return SheetExtras(
        next_visit=_next_visit(user, site_id),
        site=merged.get(("site", site_id), SubjectExtras()),
        panels=_of("panel", merged),
        circuits=_of("circuit", merged),
        devices=_of("device", merged),
    )


def _next_visit(user: User, site_id: int) -> NextVisit | None:
    """The next live visit; an engineer learns of a colleague's visit to a site that both may open."""
    visit = (
        of_sites(Visit.objects.all(), user)
        .filter(site_id=site_id, state__in=Visit.LIVE, period__endswith__gte=timezone.now())
        .select_related("engineer__user")
        .order_by("period")
        .first()
    )
    if visit is None or not user.has_right(Right.SEE_VISITS):
        return None
    return NextVisit(
        visit_id=visit.pk,
        kind=visit.get_kind_display(),
        starts_at=timezone.localtime(visit.period.lower),
        ends_at=timezone.localtime(visit.period.upper),
        engineer=visit.engineer.user.name,
        address=reverse("maintenance:visit", args=[visit.pk]) if _opens(user, visit) else "",
    )


def _opens(user: User, visit: Visit) -> bool:
    """Whether the visit's page would open for the person (they see the site already)."""
    return user.has_right(Right.PLAN_VISITS) or visit.engineer.user_id == user.pk


def _subject(requirement: Requirement) -> Subject:
    if requirement.device_id is not None:
        return "device", requirement.device_id
    if requirement.circuit_id is not None:
        return "circuit", requirement.circuit_id
    if requirement.panel_id is not None:
        return "panel", requirement.panel_id
    return "site", requirement.site_id


def _of(kind: str, merged: Mapping[Subject, SubjectExtras]) -> dict[int, SubjectExtras]:
    return {pk: extras for (subject, pk), extras in merged.items() if subject == kind}


def _flag(flag: Flag) -> OpenFlag:
    rule = flag.requirement.rule
    return OpenFlag(
        words=f"{rule.get_test_display()}: {flag.get_state_display().lower()}",
        since=flag.since,
        tone=flag_tone(flag.state),
        source=f"{rule.regime.name}, every {rule.interval_months} months: {rule.source}",
    )


def _drift(drift: LoopDrift) -> OpenFlag:
    return OpenFlag(
        words=drift_words(drift, timezone.localdate()),
        since=timezone.localdate(drift.raised_at),
        source=f"{drift.values} measured values, the last {spoken_ohm(drift.last_ohm)}: it "
        f"{slope_words(drift.ohm_per_year)}",
        address=reverse("installs:circuit-trend", args=[drift.circuit_id]),
    )


def _test(result: TestResult) -> LastTest:
    return LastTest(
        test=result.requirement.rule.get_test_display(),
        done_on=result.done_on,
        outcome=result.get_outcome_display(),
        passed=result.outcome == TestResult.Outcome.PASSED,
        measured_ohm=result.measured_ohm,
        note=result.note,
    )
