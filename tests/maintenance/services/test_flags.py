"""Flags: what the statements raise, change and withdraw, held against the rule."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Firm
from config.demo.factories import RegimeRuleFactory, RequirementFactory, ResultFactory
from maintenance.models import Flag, Requirement
from maintenance.rules import due
from maintenance.services.flags import raise_flags
from maintenance.services.requirements import roll_requirement

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 25)
NOTHING = {"raised": 0, "changed": 0, "withdrawn": 0}


def standing(**where: object) -> list[tuple[str, date]]:
    return list(Flag.objects.filter(withdrawn_at=None, **where).order_by("requirement_id", "fault")
                .values_list("state", "since"))


def months_around(count: int) -> list[Requirement]:
    """Requirements due in as many months before and after the day, of three kinds of window."""
    rows = []
    for test, early, late in (("site visit", 1, 1), ("battery", 0, 0), ("loop", 3, 0)):
        rule = RegimeRuleFactory.create(test=test, early_months=early, late_months=late)
        for offset in range(-count, count):
            window = due.window(due.add_months(DAY, offset), early_months=early, late_months=late)
            rows.append(
                RequirementFactory.create(
                    rule=rule, due_month=window.due_month, window_from=window.window_from, window_to=window.window_to
                )
            )
    return rows


@pytest.mark.parametrize(("soon", "escalate"), [(45, 60), (0, 0), (100, 7)])
def test_states_and_days_are_those_of_the_rule(firm: Firm, soon: int, escalate: int) -> None:
    Firm.objects.update(due_soon_days=soon, escalate_days=escalate)
    rows = months_around(8)
    for offset in (0, 1, 5, 6, 30, 35, 36, 61, 97, 150):
        day = DAY + timedelta(days=offset)
        raise_flags(business_date=day)
        expected = []
        for row in rows:
            window = due.Window(row.due_month, row.window_from, row.window_to)
            state, since = due.state_since(day, window, due_soon_days=soon, escalate_days=escalate)
            if since is not None:
                expected.append((row.pk, state.value, since, row.site_id))
        found = Flag.objects.filter(withdrawn_at=None).values_list("requirement_id", "state", "since", "site_id")
        assert sorted(found) == sorted(expected)
    assert Flag.objects.filter(withdrawn_at__isnull=False).count() == 0


def test_a_repeat_changes_nothing(firm: Firm) -> None:
    months_around(4)
    first = raise_flags(business_date=DAY)
    assert first["raised"] == Flag.objects.count() > 0
    before = list(Flag.objects.order_by("id").values())
    assert raise_flags(business_date=DAY) == NOTHING
    assert list(Flag.objects.order_by("id").values()) == before


def test_a_flag_moves_through_its_states_as_one_flag(firm: Firm) -> None:
    RequirementFactory.create(due_month=date(2026, 12, 1))
    seen = []
    for day in (date(2026, 10, 31), DAY, date(2026, 12, 1), date(2027, 2, 1), date(2027, 4, 2)):
        counts = raise_flags(business_date=day)
        seen.append((counts["raised"], counts["changed"], standing()))
    assert seen == [
        (0, 0, []),
        (1, 0, [("due soon", date(2026, 11, 1))]),
        (0, 1, [("due", date(2026, 12, 1))]),
        (0, 1, [("overdue", date(2027, 2, 1))]),
        (0, 1, [("escalated", date(2027, 4, 2))]),
    ]
    assert Flag.objects.count() == 1


def test_a_flag_is_withdrawn_when_the_work_is_done_or_no_longer_called_for(firm: Firm) -> None:
    done = RequirementFactory.create(due_month=date(2026, 7, 1))
    dropped = RequirementFactory.create(due_month=date(2026, 7, 1))
    moved = RequirementFactory.create(due_month=date(2026, 7, 1))
    raise_flags(business_date=DAY)
    roll_requirement(done, done_on=DAY)
    Requirement.objects.filter(pk=dropped.pk).update(active=False)
    Requirement.objects.filter(pk=moved.pk).update(
        due_month=date(2027, 7, 1), window_from=date(2027, 6, 1), window_to=date(2027, 8, 31)
    )
    assert raise_flags(business_date=DAY) == NOTHING | {"withdrawn": 2}
    assert standing() == []
    assert Flag.objects.count() == 3


def test_a_withdrawn_flag_does_not_stop_a_new_one(firm: Firm) -> None:
    row = RequirementFactory.create(due_month=date(2026, 7, 1))
    raise_flags(business_date=DAY)
    Requirement.objects.update(active=False)
    raise_flags(business_date=DAY)
    Requirement.objects.update(active=True)
    assert raise_flags(business_date=DAY) == NOTHING | {"raised": 1}
    assert standing(requirement=row) == [("escalated", date(2026, 10, 31))]


def test_a_fault_stands_from_the_first_failure_until_a_later_pass(firm: Firm) -> None:
    row = RequirementFactory.create(due_month=date(2028, 7, 1))
    for outcome, day in (("failed", 1), ("passed", 2), ("failed", 3), ("failed", 5), ("not done", 7)):
        ResultFactory.create(requirement=row, outcome=outcome, done_on=date(2026, 11, day))
    assert raise_flags(business_date=DAY) == NOTHING | {"raised": 1}
    assert standing() == [("failed", date(2026, 11, 3))]
    assert raise_flags(business_date=DAY) == NOTHING
    ResultFactory.create(requirement=row, outcome="passed", done_on=date(2026, 11, 4))  # entered late: no cure
    assert raise_flags(business_date=DAY) == NOTHING | {"changed": 1}
    assert standing() == [("failed", date(2026, 11, 5))]
    ResultFactory.create(requirement=row, outcome="passed", done_on=date(2026, 11, 5))  # same day, later record
    assert raise_flags(business_date=DAY) == NOTHING | {"withdrawn": 1}
    assert standing() == []


def test_fault_and_calendar_flags_stand_side_by_side(firm: Firm) -> None:
    row = RequirementFactory.create(due_month=date(2026, 10, 1))
    ResultFactory.create(requirement=row, outcome="failed", done_on=date(2026, 4, 1))
    assert raise_flags(business_date=DAY) == NOTHING | {"raised": 2}
    assert standing() == [("due", date(2026, 10, 1)), ("failed", date(2026, 4, 1))]
    Requirement.objects.update(active=False)
    assert raise_flags(business_date=DAY) == NOTHING | {"withdrawn": 2}


def test_number_of_statements_does_not_grow_with_requirements(firm: Firm) -> None:
    counted = []
    for total in (10, 300):
        for n in range(Requirement.objects.count(), total):
            RequirementFactory.create(due_month=due.add_months(DAY, n % 9 - 6))
        with CaptureQueriesContext(connection) as queries:
            raised = raise_flags(business_date=DAY)["raised"]
        counted.append((raised > 0, len([q for q in queries if "SAVEPOINT" not in q["sql"]])))
    assert counted == [(True, 3), (True, 3)]
