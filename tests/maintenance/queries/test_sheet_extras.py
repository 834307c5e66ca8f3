"""What maintenance adds to the site sheet."""

from __future__ import annotations

from datetime import date

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from installs.sections import SHEET_SECTIONS, LastTest, SheetExtras
from maintenance.queries.sheet import STATEMENTS, sheet_extras
from tests.maintenance.door_scene import loop_test, next_monday, site_of, visit_of


def test_the_section_is_registered_with_its_number_of_statements() -> None:
    assert [number for section, number in SHEET_SECTIONS if section is sheet_extras] == [STATEMENTS]


def test_next_visit_flags_and_the_latest_results_by_subject(branch: Branch, scheduler: User, engineer: User) -> None:
    site = site_of(branch)
    due = make.RequirementFactory(site=site)
    loop = loop_test(site)
    make.FlagFactory(requirement=due, since=date(2026, 5, 1))
    make.FlagFactory(requirement=loop, state="failed", fault=True, withdrawn_at="2026-11-01T00:00:00Z")
    make.ResultFactory(requirement=loop, done_on=date(2025, 3, 10), outcome="failed", note="open")
    make.ResultFactory(requirement=loop, done_on=date(2026, 3, 10), measured_ohm=4700.0)
    visit = visit_of(branch, engineer, site=site, day=next_monday())
    visit_of(branch, engineer, site=site, day=next_monday(), hour=12)
    extras = sheet_extras(scheduler, site.pk)
    assert extras.next_visit is not None
    assert (extras.next_visit.visit_id, extras.next_visit.engineer) == (visit.pk, engineer.name)
    flag, = extras.site.flags
    assert (flag.words, flag.since, flag.tone) == ("Site visit: overdue", date(2026, 5, 1), "bad")
    assert flag.source.startswith("Grade 2, signalled, every 12 months: NSI Technical Bulletin 0068")
    assert extras.circuits[loop.circuit_id].tests == (
        LastTest(test="Loop resistance", done_on=date(2026, 3, 10), outcome="Passed", passed=True, measured_ohm=4700.0),
    )
    assert extras.circuits[loop.circuit_id].flags == ()
    assert (extras.panels, extras.devices) == ({}, {})


@pytest.mark.parametrize("rows", [1, 3])
def test_statements_do_not_grow(branch: Branch, scheduler: User, django_assert_num_queries, rows: int) -> None:
    site = site_of(branch)
    for _ in range(rows):
        requirement = loop_test(site)
        make.FlagFactory(requirement=requirement)
        make.ResultFactory(requirement=requirement)
    with django_assert_num_queries(STATEMENTS):
        assert len(sheet_extras(scheduler, site.pk).circuits) == rows


def test_a_person_without_the_site_gets_nothing(branch: Branch, stranger: User, engineer: User) -> None:
    site = site_of(branch)
    requirement = loop_test(site)
    make.FlagFactory(requirement=requirement)
    make.ResultFactory(requirement=requirement)
    visit_of(branch, make.UserFactory(role="engineer", branch=branch), site=site, day=next_monday())
    assert sheet_extras(stranger, site.pk) == SheetExtras()
    assert sheet_extras(engineer, site.pk) == SheetExtras()
