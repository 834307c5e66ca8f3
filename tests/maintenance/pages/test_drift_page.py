"""The list of drifting loops, and the mark on the site sheet."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from maintenance.models import LoopDrift
from maintenance.queries.drift import drift_list
from maintenance.queries.sheet import STATEMENTS, sheet_extras
from tests.conftest import logged_in
from tests.maintenance.door_scene import visit_of

pytestmark = pytest.mark.django_db


def drift_of(branch: Branch, *, days: int = 90, ohm_per_year: float = 1000.0) -> LoopDrift:
    circuit = make.CircuitFactory.create(panel__system__site__branch=branch, number=4, zone="Hall")
    today = timezone.localdate()
    return LoopDrift.objects.create(
        circuit=circuit, site=circuit.panel.system.site, leaves_on=today + timedelta(days=days),
        measured_again_by=today + timedelta(days=200), ohm_per_year=ohm_per_year, last_ohm=6190.0,
        last_on=date(2026, 6, 1), values=4,
    )


@pytest.mark.parametrize("rows", [1, 3])
def test_the_list_in_one_statement(rows: int, branch: Branch, scheduler: User) -> None:
    for number in range(rows):
        drift_of(branch, days=90 - number)
    with CaptureQueriesContext(connection) as captured:
        page = drift_list(scheduler, today=timezone.localdate(), cursor=None, size=50)
    assert len(captured) == 1
    assert [(row.circuit, row.slope_words, row.last_words, row.left) for row in page.rows] == [
        ("4 Hall", "rises by 1 kΩ a year", "6.19 kΩ", False)
    ] * rows
    assert [row.leaves_on for row in page.rows] == sorted(row.leaves_on for row in page.rows)


def test_pages_follow_one_another(branch: Branch, scheduler: User) -> None:
    drifts = [drift_of(branch, days=days) for days in (5, 5, 9)]
    first = drift_list(scheduler, today=timezone.localdate(), cursor=None, size=2)
    second = drift_list(scheduler, today=timezone.localdate(), cursor=first.next_cursor, size=2)
    assert [row.pk for row in (*first.rows, *second.rows)] == [drift.pk for drift in drifts]
    assert second.next_cursor is None


def test_the_page_says_where_when_and_who_goes(branch: Branch, scheduler: User, engineer: User) -> None:
    drift = drift_of(branch, ohm_per_year=-240.0)
    visit = visit_of(branch, engineer, day=timezone.localdate() + timedelta(days=120), site=drift.site)
    text = logged_in(scheduler).get(reverse("maintenance:drifts")).content.decode()
    for words in ("falls by 240 Ω a year", drift.site.reference, "4 Hall", f"{drift.leaves_on:%-d %b %Y}", "6.19 kΩ",
                  reverse("maintenance:visit", args=[visit.pk]),
                  reverse("installs:circuit-trend", args=[drift.circuit_id])):
        assert words in text


def test_withdrawn_marks_and_other_branches_are_not_shown(branch: Branch, scheduler: User, stranger: User) -> None:
    drift = drift_of(branch)
    page = logged_in(stranger).get(reverse("maintenance:drifts")).content.decode()
    assert "No loop drifts" in page
    LoopDrift.objects.update(withdrawn_at=timezone.now())
    page = logged_in(scheduler).get(reverse("maintenance:drifts")).content.decode()
    assert (drift.site.reference in page, "No loop drifts" in page) == (False, True)


def test_stores_may_not_see_the_list(stores: User) -> None:
    assert logged_in(stores).get(reverse("maintenance:drifts")).status_code == 403


def test_the_due_page_leads_to_the_list(scheduler: User) -> None:
    page = logged_in(scheduler).get(reverse("maintenance:due")).content.decode()
    assert page.count(f'href="{reverse("maintenance:drifts")}"') == 1


@pytest.mark.parametrize("rows", [1, 3])
def test_the_site_sheet_carries_the_mark_at_its_circuit(rows: int, branch: Branch, scheduler: User) -> None:
    drift = drift_of(branch)
    for number in range(rows - 1):
        other = make.CircuitFactory.create(panel=drift.circuit.panel, number=10 + number)
        LoopDrift.objects.create(
            circuit=other, site=drift.site, leaves_on=date(2026, 1, 1), measured_again_by=date(2027, 1, 1),
            ohm_per_year=1.0, last_ohm=1.0, last_on=date(2026, 1, 1), values=3,
        )
    with CaptureQueriesContext(connection) as captured:
        extras = sheet_extras(scheduler, drift.site_id)
    assert len(captured) == STATEMENTS == 4
    assert len(extras.circuits) == rows
    (flag,) = extras.circuits[drift.circuit_id].flags
    assert flag.words == f"Loop drifting: leaves the panel's band about {drift.leaves_on:%-d %b %Y}"
    assert flag.source == "4 measured values, the last 6.19 kΩ: it rises by 1 kΩ a year"
    assert flag.address == reverse("installs:circuit-trend", args=[drift.circuit_id])
