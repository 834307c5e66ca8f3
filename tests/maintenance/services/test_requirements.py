"""Requirements follow the regime of each site, and roll on when they are carried out."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.demo.factories import (
    CircuitFactory,
    DeviceFactory,
    FlagFactory,
    PanelFactory,
    RegimeFactory,
    RegimeRuleFactory,
    RequirementFactory,
    SiteFactory,
    SystemFactory,
    VariantFactory,
)
from installs.models import Site
from maintenance.models import Flag, RegimeRule, Requirement
from maintenance.rules import due
from maintenance.services.requirements import roll_requirement, sync_requirements

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 25)
NOTHING = {"added": 0, "taken up again": 0, "dropped": 0}


def rule(test: str, subject: str, **fields: object) -> RegimeRule:
    return RegimeRuleFactory.create(test=test, subject=subject, **fields)


def owed(**where: object) -> list[tuple[str, date]]:
    rows = Requirement.objects.filter(active=True, **where).order_by("id")
    return [(row.rule.test, row.due_month) for row in rows.select_related("rule")]


def test_every_subject_gets_what_its_regime_calls_for_and_nothing_twice() -> None:
    visit = rule("site visit", "site", interval_months=6, first_after_months=6)
    battery = rule("battery", "panel")
    loop = rule("loop", "circuit")
    walk = rule("walk test", "device")
    mask = rule("mask test", "device")
    panel = PanelFactory.create()
    circuit = CircuitFactory.create(panel=panel)
    plain = DeviceFactory.create(system=panel.system)
    masked = DeviceFactory.create(system=panel.system, variant=VariantFactory.create(anti_mask=True))
    DeviceFactory.create(system=panel.system, removed_on=date(2026, 1, 1))
    SiteFactory.create(grade=4)  # no regime: owes nothing

    assert sync_requirements(business_date=DAY) == {"added": 6, "taken up again": 0, "dropped": 0}
    found = set(Requirement.objects.values_list("rule", "site", "panel", "circuit", "device", "active"))
    site = panel.system.site_id
    assert found == {
        (visit.pk, site, None, None, None, True),
        (battery.pk, site, panel.pk, None, None, True),
        (loop.pk, site, None, circuit.pk, None, True),
        (walk.pk, site, None, None, plain.pk, True),
        (walk.pk, site, None, None, masked.pk, True),
        (mask.pk, site, None, None, masked.pk, True),
    }
    assert sync_requirements(business_date=DAY) == NOTHING


def test_due_months_of_a_device_count_from_its_fitting() -> None:
    rule("walk test", "device")
    system = SystemFactory.create(site__in_use_since=date(2020, 5, 4))
    DeviceFactory.create(system=system, fitted_on=date(2026, 8, 31))
    sync_requirements(business_date=DAY)
    assert owed() == [("walk test", date(2027, 8, 1))]


@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize(
    ("interval", "first", "early", "late"), [(6, 6, 1, 1), (12, 6, 0, 0), (1, 1, 0, 2), (36, 12, 5, 3)]
)
def test_sql_gives_the_due_month_of_the_rule(known: bool, interval: int, first: int, early: int, late: int) -> None:
    """The nightly statement and rules/due.py agree, for many days on which a system came into use."""
    starts = [date(2019 + n // 4, 1 + n * 5 % 12, 1 + n * 7 % 28) for n in range(40)] + [DAY, date(2027, 2, 1)]
    sites = {site.pk: site for site in (SiteFactory.create(in_use_since=start) for start in starts)}
    if known:
        other = rule("battery", "panel")
        for site in sites.values():
            RequirementFactory.create(rule=other, site=site, active=False)
    added = rule(
        "site visit", "site", interval_months=interval, first_after_months=first, early_months=early, late_months=late
    )
    sync_requirements(business_date=DAY)
    for row in Requirement.objects.filter(rule=added):
        month = due.entry_due_month(
            sites.pop(row.site_id).in_use_since, on=DAY, first_after_months=first, interval_months=interval,
            early_months=early, late_months=late, known=known,
        )
        window = due.window(month, early_months=early, late_months=late)
        assert (row.due_month, row.window_from, row.window_to) == (
            window.due_month, window.window_from, window.window_to
        )
    assert sites == {}


def test_a_removed_device_and_a_changed_regime_drop_requirements_and_keep_the_rows() -> None:
    rule("site visit", "site")
    rule("walk test", "device")
    device = DeviceFactory.create()
    sync_requirements(business_date=DAY)
    device.removed_on = DAY
    device.save()
    assert sync_requirements(business_date=DAY) == NOTHING | {"dropped": 1}
    Site.objects.update(contract=Site.Contract.AUDIBLE)
    assert sync_requirements(business_date=DAY) == NOTHING | {"dropped": 1}
    assert list(Requirement.objects.values_list("rule__test", "active").order_by("rule__test")) == [
        ("site visit", False), ("walk test", False),
    ]


def test_a_requirement_called_for_again_owes_the_last_due_month_that_opened() -> None:
    row = RequirementFactory.create(
        active=False, site__in_use_since=date(2020, 3, 4), rule__interval_months=6, rule__first_after_months=6,
        due_month=date(2022, 3, 1),
    )
    assert sync_requirements(business_date=DAY) == NOTHING | {"taken up again": 1}
    row.refresh_from_db()
    assert (row.active, row.due_month, row.window_from, row.window_to) == (
        True, date(2026, 9, 1), date(2026, 8, 1), date(2026, 10, 31),
    )


def test_a_requirement_called_for_again_before_its_turn_keeps_its_due_month() -> None:
    row = RequirementFactory.create(active=False, due_month=date(2027, 9, 1))
    sync_requirements(business_date=DAY)
    row.refresh_from_db()
    assert (row.active, row.due_month) == (True, date(2027, 9, 1))


def test_a_rule_added_later_is_not_late_from_before_it_existed() -> None:
    site = SiteFactory.create(in_use_since=date(2020, 9, 4))
    rule("site visit", "site")
    sync_requirements(business_date=DAY)
    rule("remote check", "site")
    sync_requirements(business_date=DAY)
    assert owed(site=site) == [("site visit", date(2026, 9, 1)), ("remote check", date(2027, 9, 1))]


@pytest.mark.parametrize("sites", [2, 40])
def test_number_of_statements_does_not_grow(sites: int) -> None:
    rule("site visit", "site")
    rule("walk test", "device")
    for _ in range(sites):
        DeviceFactory.create(variant=VariantFactory.create())
    with CaptureQueriesContext(connection) as queries:
        assert sync_requirements(business_date=DAY)["added"] == 2 * sites
    assert len([q for q in queries if "SAVEPOINT" not in q["sql"]]) == 5


def test_rolling_on_keeps_the_series_and_withdraws_the_calendar_flag_only() -> None:
    row = RequirementFactory.create(rule__interval_months=6, due_month=date(2026, 7, 1))
    late, fault = FlagFactory.create(requirement=row), FlagFactory.create(requirement=row, fault=True, state="failed")
    roll_requirement(row, done_on=date(2026, 9, 3))
    row.refresh_from_db()
    assert (row.due_month, row.window_from, row.window_to, row.last_done_on) == (
        date(2027, 1, 1), date(2026, 12, 1), date(2027, 2, 28), date(2026, 9, 3),
    )
    assert list(Flag.objects.filter(withdrawn_at=None)) == [fault]
    late.refresh_from_db()
    assert late.withdrawn_at is not None


def test_work_before_the_window_is_noted_and_moves_nothing() -> None:
    row = RequirementFactory.create(due_month=date(2026, 7, 1))
    roll_requirement(row, done_on=date(2026, 5, 31))
    row.refresh_from_db()
    assert (row.due_month, row.last_done_on) == (date(2026, 7, 1), date(2026, 5, 31))


def test_the_same_work_recorded_again_moves_nothing() -> None:
    row = RequirementFactory.create(rule__keeps_anniversary=False, due_month=date(2026, 7, 1))
    for _ in range(2):
        roll_requirement(row, done_on=date(2026, 8, 20))
    roll_requirement(row, done_on=date(2026, 8, 1))
    row.refresh_from_db()
    assert (row.due_month, row.last_done_on) == (date(2027, 8, 1), date(2026, 8, 20))


def test_regime_of_another_contract_does_not_count() -> None:
    RegimeRuleFactory.create(regime=RegimeFactory.create(contract=Site.Contract.AUDIBLE))
    SiteFactory.create(contract=Site.Contract.SIGNALLED)
    assert sync_requirements(business_date=DAY) == NOTHING
