"""Recording what was found on a visit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date

import pghistory
from django.db import transaction
from django.utils import timezone

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from config.idempotency import answered, claim
from maintenance.models import Flag, RegimeRule, Requirement, TestResult, Visit
from maintenance.services.recalls import visit_is_done
from maintenance.services.requirements import roll_requirement
from stock.services.reservations import release_for


@dataclass(frozen=True)
class ResultEntry:
    """What the engineer says of one task: the outcome, for a loop test the measured resistance, a note."""

    requirement_id: int
    outcome: str
    measured_ohm: float | None = None
    note: str = ""


def record_results(
    visit: Visit, results: Sequence[ResultEntry], *, by: User, done_on: date, key: str | None = None
) -> list[TestResult]:
    """Append the results of all tasks of a visit, roll on what was carried out, and close the visit.

    What was not done stays due. With a `key` a repeat of the same record changes nothing and gives the
    results of the first. Raises InvalidInput for a result that cannot be used, Conflict when the visit
    is over, KeyReused when the key came with other results before.
    """
    with pghistory.context(user=by.pk), transaction.atomic():
        if key is not None and not _first_use(visit, results, by=by, done_on=done_on, key=key):
            return list(TestResult.objects.filter(visit=visit).order_by("id"))
        visit = Visit.objects.select_for_update().get(pk=visit.pk)
        if visit.state not in Visit.LIVE:
            raise Conflict(
                f"The visit is {visit.get_state_display().lower()}; its results are recorded once.",
                field="state", value=visit.state,
                remedy="If something was left out, plan another visit for it.",
            )
        _check_day(visit, done_on)
        requirements = {
            requirement.pk: requirement
            for requirement in Requirement.objects.select_for_update(of=("self",))
            .filter(tasks__visit=visit).select_related("rule", "site").order_by("id")
        }
        _check_complete(requirements, results)
        rows = [_row(visit, requirements[entry.requirement_id], entry, by, done_on) for entry in results]
        rows = TestResult.objects.bulk_create(rows)
        for row in rows:
            if row.outcome != TestResult.Outcome.NOT_DONE:
                roll_requirement(requirements[row.requirement_id], done_on)
        _mark_faults(rows, done_on)
        visit.state = Visit.State.DONE
        visit.version += 1
        visit.save(update_fields=["state", "version"])
        visit_is_done(visit)
        # What the visit did not use is free again; what it fitted has been taken from its promises.
        release_for(f"visit {visit.pk}", by=by)
    return rows


def _mark_faults(rows: Sequence[TestResult], done_on: date) -> None:
    """Raise and withdraw fault flags at once, as the night would; nobody should wait a day for a fault."""
    passed = [row.requirement_id for row in rows if row.outcome == TestResult.Outcome.PASSED]
    Flag.objects.filter(requirement__in=passed, fault=True, withdrawn_at=None, since__lte=done_on).update(
        withdrawn_at=timezone.now()
    )
    Flag.objects.bulk_create(
        [
            Flag(requirement=row.requirement, site_id=row.requirement.site_id, state=Flag.State.FAILED, fault=True,
                 since=done_on)
            for row in rows
            if row.outcome == TestResult.Outcome.FAILED
        ],
        ignore_conflicts=True,
    )


def _first_use(visit: Visit, results: Sequence[ResultEntry], *, by: User, done_on: date, key: str) -> bool:
    """Claim the form's key. A second record that arrives meanwhile waits here."""
    row, fresh = claim(
        key,
        space="visit:",
        by=by,
        content=[visit.pk, done_on, [asdict(entry) for entry in results]],
        field="key",
        said="This form was already sent with other results.",
        remedy="Open the visit again: it shows what was recorded.",
    )
    if fresh:
        answered(row, 200, {"visit": visit.pk})
    return fresh


def _check_day(visit: Visit, done_on: date) -> None:
    planned = timezone.localtime(visit.period.lower).date()
    if done_on > timezone.localdate():
        raise InvalidInput(f"{done_on:%-d %b %Y} has not come yet.", field="done_on", value=done_on.isoformat(),
                           remedy="Record results on the day of the visit or later.")
    if done_on < planned:
        raise InvalidInput(
            f"The visit is planned for {planned:%-d %b %Y}, after {done_on:%-d %b %Y}.", field="done_on",
            value=done_on.isoformat(), remedy="Ask the scheduler to move the visit to the day it took place.",
        )


def _check_complete(requirements: dict[int, Requirement], results: Sequence[ResultEntry]) -> None:
    given = [entry.requirement_id for entry in results]
    for requirement_id in given:
        if requirement_id not in requirements:
            raise InvalidInput("The result belongs to no task of this visit.", field="requirement",
                               value=requirement_id, remedy="Send results of the visit's own tasks.")
    if len(set(given)) != len(given):
        raise InvalidInput("A task has two results.", field="requirement",
                           value=next(pk for pk in given if given.count(pk) > 1), remedy="Send one for each task.")
    missing = sorted(set(requirements) - set(given))
    if missing:
        raise InvalidInput(
            f"No result for {len(missing)} of the {len(requirements)} tasks, the first being "
            f"'{requirements[missing[0]].rule.get_test_display()}'.",
            field="requirement", value=missing[0], remedy="Say 'not done' for what was left out: it stays due.",
        )


def _row(visit: Visit, requirement: Requirement, entry: ResultEntry, by: User, done_on: date) -> TestResult:
    test = requirement.rule.get_test_display()
    if entry.outcome not in TestResult.Outcome.values:
        raise InvalidInput(f"'{entry.outcome}' is no outcome.", field="outcome", value=entry.outcome,
                           remedy=f"Use one of: {', '.join(TestResult.Outcome.values)}.")
    note = entry.note.strip()
    if entry.measured_ohm is not None:
        if requirement.rule.test != RegimeRule.Test.LOOP:
            raise InvalidInput(f"'{test}' takes no measured resistance.", field="measured_ohm",
                               value=entry.measured_ohm, remedy="Leave it empty, or write it in the note.")
        if not 0 <= entry.measured_ohm < float("inf"):
            raise InvalidInput("A loop resistance is a number of ohms, 0 or more.", field="measured_ohm",
                               value=entry.measured_ohm, remedy="Leave it empty for an open loop, and say so.")
    elif requirement.rule.test == RegimeRule.Test.LOOP and entry.outcome == TestResult.Outcome.PASSED:
        raise InvalidInput(f"'{test}' passed, but no resistance is given.", field="measured_ohm",
                           remedy="Write what was measured, for example 4.7k.")
    if entry.outcome == TestResult.Outcome.FAILED and not note:
        raise InvalidInput(f"'{test}' failed, but nothing says how.", field="note",
                           remedy="Say in a few words what was found.")
    return TestResult(requirement=requirement, visit=visit, done_on=done_on, outcome=entry.outcome,
                      measured_ohm=entry.measured_ohm, note=note, recorded_by=by)
