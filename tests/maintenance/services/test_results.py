"""Recording results: append-only, once, and requirements roll on by anniversary."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from config.demo import factories as make
from config.errors import Conflict, InvalidInput, KeyReused
from maintenance.models import Flag, TestResult, Visit
from maintenance.services.results import ResultEntry, record_results

pytestmark = pytest.mark.django_db


@pytest.fixture
def work() -> dict[str, Any]:
    """A visit of today that is to meet a site visit, a loop test and a walk test, all due four months ago and late."""
    today = timezone.localdate()
    due = (today.replace(day=1) - timedelta(days=100)).replace(day=1)
    start = timezone.make_aware(datetime.combine(today, time(9)))
    visit = make.VisitFactory(period=(start, start + timedelta(hours=1)))
    tasks = {}
    for test, subject in (("site visit", "site"), ("loop", "circuit"), ("walk test", "device")):
        rule = make.RegimeRuleFactory(test=test, subject=subject)
        tasks[test] = make.RequirementFactory(site=visit.site, rule=rule, due_month=due)
        make.VisitTaskFactory(visit=visit, requirement=tasks[test])
    return {"visit": visit, "engineer": visit.engineer.user, "today": today, "due": due, **tasks}


def entries(work: dict[str, Any], **changes: Any) -> list[ResultEntry]:
    given = {
        "site visit": ResultEntry(work["site visit"].pk, "passed"),
        "loop": ResultEntry(work["loop"].pk, "passed", 4700.0),
        "walk test": ResultEntry(work["walk test"].pk, "not done", note="room locked"),
    }
    return list((given | {name.replace("_", " "): entry for name, entry in changes.items()}).values())


def record(work: dict[str, Any], results: list[ResultEntry] | None = None, **more: Any) -> list[TestResult]:
    return record_results(
        work["visit"], entries(work) if results is None else results, by=work["engineer"],
        done_on=more.pop("done_on", work["today"]), **more,
    )


def plus_year(month: date) -> date:
    return month.replace(year=month.year + 1)


def test_what_was_done_rolls_on_by_anniversary_and_what_was_not_stays_due(work: dict[str, Any]) -> None:
    # The visit is late (the window closed over a month ago): the due month is kept all the same.
    record(work)
    for name in ("site visit", "loop", "walk test"):
        work[name].refresh_from_db()
    assert work["site visit"].due_month == plus_year(work["due"])
    assert work["site visit"].last_done_on == work["today"]
    assert work["loop"].due_month == plus_year(work["due"])
    assert (work["walk test"].due_month, work["walk test"].last_done_on) == (work["due"], None)
    work["visit"].refresh_from_db()
    assert (work["visit"].state, work["visit"].version) == ("done", 2)
    found = {result.requirement_id: result for result in TestResult.objects.all()}
    assert len(found) == 3
    assert found[work["loop"].pk].measured_ohm == 4700.0
    assert found[work["walk test"].pk].outcome == "not done"
    assert {result.recorded_by for result in found.values()} == {work["engineer"]}


def test_results_cannot_be_changed_or_deleted(work: dict[str, Any]) -> None:
    record(work)
    for statement in ("UPDATE maintenance_testresult SET outcome = 'failed'", "DELETE FROM maintenance_testresult"):
        refused = pytest.raises(DatabaseError, match="Cannot update or delete")
        with refused, transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    assert TestResult.objects.filter(outcome="passed").count() == 2


def test_a_second_press_of_the_button_records_once(work: dict[str, Any]) -> None:
    first = record(work, key="token-1")
    again = record(work, key="token-1")
    assert [row.pk for row in again] == [row.pk for row in first]
    assert TestResult.objects.count() == 3
    work["site visit"].refresh_from_db()
    assert work["site visit"].due_month == plus_year(work["due"])


def test_a_token_with_other_results_and_a_second_token_are_refused(work: dict[str, Any]) -> None:
    record(work, key="token-1")
    with pytest.raises(KeyReused):
        record(work, entries(work, loop=ResultEntry(work["loop"].pk, "passed", 2200.0)), key="token-1")
    with pytest.raises(Conflict, match="is done; its results are recorded once"):
        record(work, key="token-2")
    assert TestResult.objects.count() == 3


def test_a_refused_record_leaves_its_token_usable(work: dict[str, Any]) -> None:
    with pytest.raises(InvalidInput):
        record(work, entries(work)[:2], key="token-1")
    assert len(record(work, key="token-1")) == 3


def test_a_failed_test_raises_a_fault_flag_at_once_and_a_passed_one_withdraws_it(work: dict[str, Any]) -> None:
    old = make.FlagFactory(requirement=work["loop"], state="failed", fault=True, since=work["today"])
    record(work, entries(work, walk_test=ResultEntry(work["walk test"].pk, "failed", note="no alarm in the corner")))
    old.refresh_from_db()
    assert old.withdrawn_at is not None
    flag = Flag.objects.get(withdrawn_at=None)
    assert (flag.requirement, flag.state, flag.fault, flag.since) == (work["walk test"], "failed", True, work["today"])


def test_carrying_out_a_requirement_withdraws_its_calendar_flag(work: dict[str, Any]) -> None:
    flag = make.FlagFactory(requirement=work["site visit"])
    kept = make.FlagFactory(requirement=work["walk test"])
    record(work)
    assert list(Flag.objects.filter(withdrawn_at=None)) == [kept]
    flag.refresh_from_db()
    assert flag.withdrawn_at is not None


@pytest.mark.parametrize(
    ("task", "entry", "field"),
    [
        ("loop", {"outcome": "passed"}, "measured_ohm"),
        ("loop", {"outcome": "passed", "measured_ohm": -1.0}, "measured_ohm"),
        ("loop", {"outcome": "passed", "measured_ohm": float("inf")}, "measured_ohm"),
        ("walk test", {"outcome": "passed", "measured_ohm": 4700.0}, "measured_ohm"),
        ("walk test", {"outcome": "failed"}, "note"),
        ("walk test", {"outcome": "fine"}, "outcome"),
    ],
)
def test_results_that_cannot_be_used_are_refused(work: dict[str, Any], task: str, entry: Any, field: str) -> None:
    with pytest.raises(InvalidInput) as refused:
        record(work, entries(work, **{task: ResultEntry(work[task].pk, **entry)}))
    assert refused.value.field == field
    assert TestResult.objects.count() == 0
    assert Visit.objects.get().state == "planned"


def test_a_missing_a_double_and_a_foreign_task_are_refused(work: dict[str, Any]) -> None:
    with pytest.raises(InvalidInput, match="No result for 1 of the 3 tasks"):
        record(work, entries(work)[:2])
    with pytest.raises(InvalidInput, match="two results"):
        record(work, [*entries(work), entries(work)[0]])
    foreign = make.RequirementFactory()
    with pytest.raises(InvalidInput, match="belongs to no task"):
        record(work, [*entries(work), ResultEntry(foreign.pk, "passed")])
    assert TestResult.objects.count() == 0


def test_a_day_to_come_or_before_the_visit_is_refused(work: dict[str, Any]) -> None:
    for day in (work["today"] + timedelta(days=1), work["today"] - timedelta(days=1)):
        with pytest.raises(InvalidInput) as refused:
            record(work, done_on=day)
        assert refused.value.field == "done_on"
