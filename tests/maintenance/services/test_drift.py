"""Marks on drifting loops: the statement held against the rule, and when a mark comes and goes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from random import Random

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import User
from config.demo import factories as make
from installs.models import Circuit, LoopMeasurement, LoopTable
from installs.rules.trend import Value, trend_of
from maintenance.models import LoopDrift, Visit
from maintenance.services.drift import LEAVING, mark_drifts

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 25)
NOTHING = {"raised": 0, "changed": 0, "withdrawn": 0}


def circuit_with(
    by: User, values: Sequence[tuple[date, float | None]], *, low: float | None = 2000, high: float | None = 7000,
    since: date | None = None,
) -> Circuit:
    circuit = make.CircuitFactory.create()
    computed(circuit, low=low, high=high, since=since)
    LoopMeasurement.objects.bulk_create([
        LoopMeasurement(circuit=circuit, measured_on=day, ohm=ohm, source="by hand", by=by) for day, ohm in values
    ])
    return circuit


def computed(circuit: Circuit, *, low: float | None, high: float | None, since: date | None = None) -> None:
    LoopTable.objects.filter(circuit=circuit).update(
        stale=False, band_low_ohm=low, band_high_ohm=high, values_since=since, outcome="right",
    )


# Rises by a kilohm a year from 4.7 kΩ at the end of 2024: 7 kΩ in April 2027.
DRIFTING = [(date(2024, 12, 1), 4700.0), (date(2025, 6, 1), 5180.0), (date(2025, 12, 1), 5720.0),
            (date(2026, 6, 1), 6190.0)]


def owed(circuit: Circuit, until: date) -> None:
    make.RequirementFactory.create(
        rule=make.RegimeRuleFactory.create(test="loop", subject="circuit"), site=circuit.panel.system.site,
        circuit=circuit, due_month=until.replace(day=1), window_from=until.replace(day=1), window_to=until,
    )


def visit(circuit: Circuit, day: date, **fields: object) -> Visit:
    start = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
    made: Visit = make.VisitFactory.create(site=circuit.panel.system.site, period=(start, start + timedelta(hours=1)),
                                           **fields)
    return made


def marks() -> list[tuple[date, date, int, float, date]]:
    return list(LoopDrift.objects.filter(withdrawn_at=None).order_by("circuit_id").values_list(
        "leaves_on", "measured_again_by", "values", "last_ohm", "last_on"
    ))


def test_the_statement_is_the_rule(scheduler: User) -> None:
    """300 random series: few and many values, some outside the trend, flat, noisy and drifting, with every kind of
    band."""
    random = Random(7)
    expected = {}
    for _ in range(300):
        count = random.choice((2, 3, 3, 4, 5, 8, 40))
        days = [date(2022, 1, 1) + timedelta(days=random.randint(0, 1700)) for _ in range(count)]
        slope, noise = random.choice((0.0, 0.3, -0.5, 2.0)), random.choice((0.0, 1.0, 25.0, 300.0))
        values = [(day, round(max(0.0, 4700 + slope * (day - days[0]).days + random.gauss(0, noise)), 1))
                  for day in days]
        low, high = random.choice(((2000, 7000), (None, 7000), (2000, None), (0, 7000), (4600, 4800), (None, None)))
        since = random.choice((None, None, date(2023, 6, 1)))
        circuit = circuit_with(scheduler, values, low=low, high=high, since=since)
        for unfit in ({"place": "far end"}, {"at_rest": False}, {"ohm": None}):
            LoopMeasurement.objects.create(**{
                "circuit": circuit, "measured_on": days[0], "ohm": 99.0, "source": "by hand", "by": scheduler, **unfit,
            })
        used = [Value(day, ohm) for day, ohm in values if since is None or day >= since]
        trend = trend_of(used, band_low_ohm=low, band_high_ohm=high)
        if trend is not None and trend.leaves_on is not None:
            expected[circuit.pk] = (trend.values, trend.last_on, trend.leaves_on, pytest.approx(trend.ohm_per_year))
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT circuit_id, n, last_on, leaves_on, ohm_per_year FROM ({LEAVING}) AS l", {"day": DAY})
        found = {pk: tuple(rest) for pk, *rest in cursor.fetchall()}
    assert found == expected
    assert len(expected) > 60


def test_a_mark_is_raised_once_and_withdrawn_when_it_no_longer_holds(scheduler: User) -> None:
    circuit = circuit_with(scheduler, DRIFTING)
    owed(circuit, date(2027, 7, 31))
    assert mark_drifts(business_date=DAY) == NOTHING | {"raised": 1}
    trend = trend_of([Value(*pair) for pair in DRIFTING], band_low_ohm=2000, band_high_ohm=7000)
    assert trend is not None
    assert marks() == [(trend.leaves_on, date(2027, 7, 31), 4, 6190.0, date(2026, 6, 1))]
    assert mark_drifts(business_date=DAY) == NOTHING

    LoopMeasurement.objects.create(circuit=circuit, measured_on=date(2026, 11, 20), ohm=6600.0, source="by hand",
                                   by=scheduler)
    assert mark_drifts(business_date=DAY) == NOTHING | {"changed": 1}
    assert [mark[2:4] for mark in marks()] == [(5, 6600.0)]

    LoopMeasurement.objects.create(circuit=circuit, measured_on=date(2026, 11, 24), ohm=4700.0, source="by hand",
                                   by=scheduler)
    assert mark_drifts(business_date=DAY) == NOTHING | {"withdrawn": 1}
    assert marks() == []
    assert mark_drifts(business_date=DAY) == NOTHING


@pytest.mark.parametrize(
    ("planned", "fields", "raised"),
    [
        (date(2026, 12, 9), {}, 0), (date(2027, 6, 9), {}, 1), (date(2026, 11, 25), {}, 0),
        (date(2026, 12, 9), {"kind": "remote"}, 1), (date(2026, 12, 9), {"state": "aborted"}, 1),
        (date(2026, 12, 9), {"state": "confirmed"}, 0), (date(2026, 11, 24), {}, 1), (None, {}, 1),
    ],
)
def test_the_next_site_visit_comes_before_the_tests_window(
    planned: date | None, fields: dict[str, object], raised: int, scheduler: User
) -> None:
    circuit = circuit_with(scheduler, DRIFTING)
    owed(circuit, date(2027, 7, 31))
    if planned is not None:
        visit(circuit, planned, **fields)
    assert mark_drifts(business_date=DAY)["raised"] == raised


@pytest.mark.parametrize(("until", "raised"), [(date(2027, 2, 28), 0), (date(2027, 7, 31), 1), (date(2026, 3, 31), 0)])
def test_without_a_visit_the_end_of_the_window_counts(until: date, raised: int, scheduler: User) -> None:
    owed(circuit_with(scheduler, DRIFTING), until)
    assert mark_drifts(business_date=DAY)["raised"] == raised


def test_a_loop_that_is_owed_no_test_and_no_visit_gets_no_mark(scheduler: User) -> None:
    circuit_with(scheduler, DRIFTING)
    assert mark_drifts(business_date=DAY) == NOTHING


def test_a_line_outside_already_is_marked_even_if_its_test_is_overdue(scheduler: User) -> None:
    owed(circuit_with(scheduler, DRIFTING, high=6000), date(2026, 3, 31))
    assert mark_drifts(business_date=DAY)["raised"] == 1
    assert marks()[0][0] < DAY
    assert marks()[0][1] == DAY


def test_values_before_the_change_of_the_record_do_not_count(scheduler: User) -> None:
    owed(circuit_with(scheduler, DRIFTING, since=date(2025, 12, 1)), date(2027, 7, 31))
    assert mark_drifts(business_date=DAY) == NOTHING


def test_a_stale_table_leaves_the_mark_as_it_is(scheduler: User) -> None:
    circuit = circuit_with(scheduler, DRIFTING)
    owed(circuit, date(2027, 7, 31))
    mark_drifts(business_date=DAY)
    LoopTable.objects.update(stale=True)
    LoopMeasurement.objects.create(circuit=circuit, measured_on=date(2026, 11, 24), ohm=4700.0, source="by hand",
                                   by=scheduler)
    assert mark_drifts(business_date=DAY) == NOTHING
    LoopTable.objects.update(stale=False)
    assert mark_drifts(business_date=DAY) == NOTHING | {"withdrawn": 1}


def test_a_missing_table_withdraws_the_mark(scheduler: User) -> None:
    owed(circuit_with(scheduler, DRIFTING), date(2027, 7, 31))
    mark_drifts(business_date=DAY)
    LoopTable.objects.all().delete()
    assert mark_drifts(business_date=DAY) == NOTHING | {"withdrawn": 1}


def test_values_of_later_days_are_not_known_yet(scheduler: User) -> None:
    owed(circuit_with(scheduler, DRIFTING), date(2027, 7, 31))
    assert mark_drifts(business_date=date(2025, 7, 1)) == NOTHING


@pytest.mark.parametrize("circuits", [1, 3])
def test_one_statement_whatever_the_number_of_circuits(circuits: int, scheduler: User) -> None:
    for _ in range(circuits):
        owed(circuit_with(scheduler, DRIFTING), date(2027, 7, 31))
    with CaptureQueriesContext(connection) as captured:
        assert mark_drifts(business_date=DAY)["raised"] == circuits
    # The statement, and the savepoint around it within the test's transaction.
    assert len(captured) == 3
