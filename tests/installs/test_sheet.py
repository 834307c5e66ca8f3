"""The site sheet: what it says, who may see what of it, what it costs, and that each look is logged."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, Firm, ReadLog, User
from config.demo import factories as make
from installs import sections
from installs.models import CircuitPlace, Site
from installs.queries.reads import looks_at_site
from installs.queries.sheet import OWN_STATEMENTS, site_sheet
from installs.queries.sheet_rows import SiteSheet
from installs.services.loop_tables import keep_loop_tables
from tests.conftest import api_client, logged_in
from tests.installs.kit import assign, site_with, topology

pytestmark = pytest.mark.django_db

SECRET = "Key safe by the side door, code 4711-Zebra"


@pytest.fixture
def only_sections(monkeypatch: pytest.MonkeyPatch) -> list[tuple[sections.SheetSection, int]]:
    """Sections of this test alone, so that the sheet's own figures are what is seen."""
    mine: list[tuple[sections.SheetSection, int]] = []
    monkeypatch.setattr(sections, "SHEET_SECTIONS", mine)
    return mine


def sheet_of(user: User, site: Site) -> SiteSheet:
    sheet = site_sheet(user, site.pk)
    assert sheet is not None
    return sheet


def test_it_says_what_is_there_in_order(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, circuits=2, devices_each=2)
    system = sheet_of(scheduler, kit.site).systems[0]
    assert [(c.number, c.zone, c.total_run_m) for c in system.circuits] == [(1, "Zone 1", 40), (2, "Zone 2", 40)]
    assert [[p.mark for p in c.places] for c in system.circuits] == [["D11", "D12"], ["D21", "D22"]]
    device = system.circuits[0].places[0].device
    assert device is not None
    assert device.spare_cores == ("green", "white")
    assert [(s.label, s.value, s.changed) for s in device.settings] == [
        ("LED", "on", False), ("Pet immunity", "0 kg", False), ("PIR range", "12 m", False),
    ]


def test_a_setting_that_differs_from_the_factory_stands_out(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    device = kit.devices[0]
    device.settings = {"pir_range_m": 9, "pet_immunity_kg": 0, "led": True}
    device.save()
    shown = sheet_of(scheduler, kit.site).systems[0].circuits[0].places[0].device
    assert shown is not None
    assert [(s.value, s.factory) for s in shown.settings if s.changed] == [("9 m", "12 m")]
    page = logged_in(scheduler).get(f"/sites/{kit.site.pk}/").content.decode()
    assert "<strong>9 m</strong>" in page
    assert "factory: 12 m" in page


def test_loop_values_of_two_double_eol_devices(scheduler: User, branch: Branch) -> None:
    # By hand: 4.7 kΩ EOL, 4.7 kΩ over each alarm contact; 40 m of pair at 85 Ω/km a core is 6.8 Ω at 20 °C.
    loop = sheet_of(scheduler, site_with(branch, devices_each=2).site).systems[0].circuits[0].loop
    by_label = {r.label: (r.nominal_ohm, r.reads_as, r.right) for r in loop.readings}
    assert by_label == {
        "Normal": (4706.8, "normal", True),
        "Any device in alarm": (9406.8, "alarm", True),
        "Any device with tamper open": (None, "tamper", True),
        "All 2 devices in alarm": (14106.8, "alarm", True),
        "Cable cut": (None, "tamper", True),
        "Cable shorted": (0.0, "tamper", True),
    }
    assert loop.short == "normal 4.707 kΩ, alarm 9.407 kΩ, tamper open circuit"
    assert (loop.healthy, loop.verdict) == (True, "Every state reads right at the panel, within all tolerances.")


def test_a_board_for_another_panel_is_told_in_words(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    board = kit.devices[0].board
    assert board is not None
    board.eol_ohm = board.alarm_ohm = 1000
    board.save()
    loop = sheet_of(scheduler, kit.site).systems[0].circuits[0].loop
    assert not loop.healthy
    # The normal value lies where the input reads tamper, whatever the tolerances do.
    assert {r.label: r.misread_percent for r in loop.readings if not r.right}["Normal"] == 100.0
    assert {r.misread_percent for r in loop.readings if r.right} == {None}
    assert f"{kit.devices[0].mark} in alarm: " in loop.verdict
    assert [(r.label, r.reads_as) for r in loop.readings if not r.right] == [
        ("Normal", "tamper"), (f"{kit.devices[0].mark} in alarm", "tamper or normal")
    ]


def test_hand_wired_resistors_go_over_the_board(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    device = kit.devices[0]
    device.board, device.hand_wired = None, {"eol": 4700, "alarm": 4700}
    device.save()
    circuit = sheet_of(scheduler, kit.site).systems[0].circuits[0]
    assert circuit.loop.healthy
    assert [(h.role, h.resistance_ohm) for h in circuit.places[0].device.hand_wired] == [("eol", 4700), ("alarm", 4700)]


def test_where_the_end_of_line_resistor_is(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, circuits=3)
    wanted = (("double-eol", None), ("double-eol", 4700), ("closed-loop", None))
    for circuit, (code, ohm) in zip(kit.circuits, wanted, strict=True):
        circuit.topology, circuit.eol_ohm = topology(code), ohm
        circuit.save()
    sheet = sheet_of(scheduler, kit.site)
    assert [(c.eol_ohm, c.eol_at_last_device) for c in sheet.systems[0].circuits] == [
        (None, True), (4700, False), (None, False),
    ]
    page = logged_in(scheduler).get(f"/sites/{kit.site.pk}/").content.decode()
    assert page.count("end-of-line resistor at the last device") == 1
    assert page.count("end-of-line resistor 4.7 kΩ, hand-wired") == 1


def test_a_record_without_resistors_says_why_nothing_is_computed(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    device = kit.devices[0]
    device.board = None
    device.save()
    loop = sheet_of(scheduler, kit.site).systems[0].circuits[0].loop
    assert loop.readings == ()
    assert loop.verdict.startswith("Cannot be computed from the record: ")
    assert logged_in(scheduler).get(f"/sites/{kit.site.pk}/").status_code == 200


def test_a_device_on_two_circuits_is_described_once(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, circuits=2)
    CircuitPlace.objects.create(circuit=kit.circuits[1], device=kit.devices[0], order=2, functions=["tamper"], run_m=5)
    places = [p for c in sheet_of(scheduler, kit.site).systems[0].circuits for p in c.places]
    assert [(p.mark, p.device is not None) for p in places] == [("D11", True), ("D21", True), ("D11", False)]


def test_a_removed_device_is_not_on_it(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    kit.devices[0].removed_on = date(2026, 1, 5)
    kit.devices[0].save()
    system = sheet_of(scheduler, kit.site).systems[0]
    assert (system.circuits[0].places, system.unplaced) == ((), ())


@pytest.mark.parametrize(("circuits", "devices"), [(1, 1), (3, 3)])
def test_statements_do_not_grow_with_the_site(
    scheduler: User, branch: Branch, only_sections: list[object], circuits: int, devices: int
) -> None:
    kit = site_with(branch, circuits=circuits, devices_each=devices)
    with CaptureQueriesContext(connection) as stale:
        sheet_of(scheduler, kit.site)
    keep_loop_tables(circuit.pk for circuit in kit.circuits)
    with CaptureQueriesContext(connection) as seen:
        sheet_of(scheduler, kit.site)
    assert (len(stale), len(seen)) == (OWN_STATEMENTS + 1, OWN_STATEMENTS)


@pytest.mark.parametrize(("circuits", "devices"), [(1, 1), (3, 3)])
def test_registered_sections_keep_to_their_number(
    service_manager: User, branch: Branch, circuits: int, devices: int
) -> None:
    kit = site_with(branch, circuits=circuits, devices_each=devices)
    keep_loop_tables(circuit.pk for circuit in kit.circuits)
    with CaptureQueriesContext(connection) as seen:
        sheet_of(service_manager, kit.site)
    assert sections.section_statements() > 0
    assert len(seen) <= OWN_STATEMENTS + sections.section_statements()


@pytest.mark.parametrize(("circuits", "devices"), [(1, 1), (3, 3)])
def test_the_page_adds_login_log_and_branch(
    scheduler: User, branch: Branch, only_sections: list[object], circuits: int, devices: int
) -> None:
    kit = site_with(branch, circuits=circuits, devices_each=devices)
    keep_loop_tables(circuit.pk for circuit in kit.circuits)
    client = logged_in(scheduler)
    with CaptureQueriesContext(connection) as seen:
        client.get(f"/sites/{kit.site.pk}/")
    # session, user, read log, name of the branch in the page's head
    assert len(seen) == OWN_STATEMENTS + 4, [q["sql"][:90] for q in seen]


# Who may open it


def test_another_branch_gets_nothing(stranger: User, branch: Branch) -> None:
    kit = site_with(branch)
    assert site_sheet(stranger, kit.site.pk) is None
    assert logged_in(stranger).get(f"/sites/{kit.site.pk}/").status_code == 404
    assert api_client(stranger).get(f"/api/sites/{kit.site.pk}/sheet/").status_code == 404
    assert ReadLog.objects.count() == 0


def test_stores_are_refused(stores: User, branch: Branch) -> None:
    kit = site_with(branch)
    assert logged_in(stores).get(f"/sites/{kit.site.pk}/").status_code == 403
    assert api_client(stores).get(f"/api/sites/{kit.site.pk}/sheet/").status_code == 403


@pytest.mark.parametrize(("days_ahead", "opens"), [(8, False), (7, True), (0, True), (-14, True), (-15, False)])
def test_an_engineer_opens_a_site_only_around_own_visits(
    engineer: User, branch: Branch, days_ahead: int, opens: bool
) -> None:
    # The firm's defaults: 7 days before, 14 days after.
    kit = site_with(branch)
    assign(engineer, kit.site, days_ahead=days_ahead)
    assert (site_sheet(engineer, kit.site.pk) is not None) == opens
    assert logged_in(engineer).get(f"/sites/{kit.site.pk}/").status_code == (200 if opens else 404)


def test_changed_days_of_the_firm_act_at_once(engineer: User, branch: Branch, firm: Firm) -> None:
    kit = site_with(branch)
    assign(engineer, kit.site, days_ahead=10)
    client = logged_in(engineer)
    answers = []
    for days in (7, 10, 9):
        firm.access_days_before = days
        firm.save()
        answers.append(client.get(f"/sites/{kit.site.pk}/").status_code)
    assert answers == [404, 200, 404]


def test_a_visit_of_somebody_else_opens_nothing(engineer: User, scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    assign(scheduler, kit.site)
    assert site_sheet(engineer, kit.site.pk) is None


# Access notes


def test_access_notes_are_encrypted_in_the_database(branch: Branch) -> None:
    site = make.SiteFactory.create(branch=branch, access_notes=SECRET)
    with connection.cursor() as cursor:
        cursor.execute("SELECT to_jsonb(s)::text FROM installs_site s WHERE id = %s", [site.pk])
        row = cursor.fetchone()[0]
        cursor.execute("SELECT string_agg(to_jsonb(e)::text, ' ') FROM installs_siteevent e WHERE id = %s", [site.pk])
        events = cursor.fetchone()[0]
    for word in ("4711", "Zebra", "side door"):
        assert word not in row
        assert word not in events
    assert Site.objects.get(pk=site.pk).access_notes == SECRET


def test_who_goes_there_reads_the_access_notes(engineer: User, branch: Branch) -> None:
    kit = site_with(branch, access_notes=SECRET)
    assign(engineer, kit.site)
    assert SECRET in logged_in(engineer).get(f"/sites/{kit.site.pk}/").content.decode()
    assert api_client(engineer).get(f"/api/sites/{kit.site.pk}/sheet/").json()["access_notes"] == SECRET


def test_the_scheduler_gets_no_access_notes_through_any_door(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, access_notes=SECRET)
    with CaptureQueriesContext(connection) as seen:
        page = logged_in(scheduler).get(f"/sites/{kit.site.pk}/").content.decode()
        client = api_client(scheduler)
        sheet = client.get(f"/api/sites/{kit.site.pk}/sheet/").json()
        answers = [
            json.dumps(client.get(address).json())
            for address in (f"/api/sites/{kit.site.pk}/", "/api/sites/", f"/api/devices/?site={kit.site.pk}")
        ]
    assert kit.site.name in page
    assert "Access notes" not in page
    assert "access_notes" not in sheet
    for text in (page, json.dumps(sheet), *answers):
        assert "4711-Zebra" not in text
        assert "access_notes" not in text
    # Not even read: no statement names the column.
    assert [q["sql"] for q in seen if "access_notes" in q["sql"]] == []


# The read log


def test_each_look_is_logged_once(engineer: User, branch: Branch) -> None:
    kit = site_with(branch)
    assign(engineer, kit.site)
    logged_in(engineer).get(f"/sites/{kit.site.pk}/", REMOTE_ADDR="192.0.2.7")
    client = api_client(engineer)
    client.get(f"/api/sites/{kit.site.pk}/")
    client.get(f"/api/sites/{kit.site.pk}/sheet/")
    assert list(ReadLog.objects.order_by("id").values_list("subject", "subject_id", "user", "door", "address")) == [
        ("site", kit.site.pk, engineer.pk, "page: site sheet", "192.0.2.7"),
        ("site", kit.site.pk, engineer.pk, "api: site", "127.0.0.1"),
        ("site", kit.site.pk, engineer.pk, "api: site sheet", "127.0.0.1"),
    ]


def test_opening_a_site_in_the_administration_is_a_look_too(administrator: User, branch: Branch) -> None:
    site = make.SiteFactory.create(branch=branch, access_notes=SECRET)
    page = logged_in(administrator).get(f"/admin/installs/site/{site.pk}/change/").content.decode()
    assert SECRET in page
    assert list(ReadLog.objects.values_list("subject_id", "user", "door")) == [
        (site.pk, administrator.pk, "admin: site")
    ]


def test_the_log_is_listed_by_site_for_those_who_may(service_manager: User, scheduler: User, branch: Branch) -> None:
    kit, other = site_with(branch), site_with(branch)
    client = logged_in(scheduler)
    client.get(f"/sites/{kit.site.pk}/")
    client.get(f"/sites/{other.site.pk}/")
    page = logged_in(service_manager).get(f"/sites/{kit.site.pk}/read-log/").content.decode()
    assert page.count('data-label="Who">Service scheduler NB') == 1
    assert client.get(f"/sites/{kit.site.pk}/read-log/").status_code == 403


def test_pages_of_the_log_follow_without_gap_or_repeat(service_manager: User, branch: Branch) -> None:
    site = make.SiteFactory.create(branch=branch)
    start = datetime(2026, 11, 2, 9, 0, 0, 123_000, tzinfo=UTC)
    for microseconds in range(5):  # closer together than the milliseconds that a cursor may keep
        make.ReadLogFactory.create(
            subject_id=site.pk, user=service_manager, at=start + timedelta(microseconds=microseconds)
        )
    seen: list[datetime] = []
    cursor = None
    while True:
        page = looks_at_site(site.pk, cursor=cursor, size=2)
        seen += [look.at for look in page.rows]
        cursor = page.next_cursor
        if cursor is None:
            break
    assert seen == [start + timedelta(microseconds=m) for m in (4, 3, 2, 1, 0)]


# Sections of other apps


@pytest.fixture
def a_section(only_sections: list[tuple[sections.SheetSection, int]], branch: Branch) -> Iterator[object]:
    kit = site_with(branch)
    flag = sections.OpenFlag("Walk test overdue", date(2026, 3, 4), "bad", "Regime Two: EN 50131-7")
    test = sections.LastTest("Walk test", date(2025, 3, 3), "Passed", passed=True)

    def section(_user: User, _site_id: int) -> sections.SheetExtras:
        return sections.SheetExtras(
            next_visit=sections.NextVisit(
                5, "Site visit", datetime(2026, 12, 3, 9, tzinfo=UTC), datetime(2026, 12, 3, 11, tzinfo=UTC),
                "Edda Moor",
            ),
            devices={kit.devices[0].pk: sections.SubjectExtras((flag,), (test,))},
            circuits={kit.circuits[0].pk: sections.SubjectExtras((), (sections.LastTest(
                "Loop resistance", date(2025, 3, 3), "Failed", passed=False, measured_ohm=9400),))},
        )

    sections.register_section(section, statements=0)
    sections.register_section(section, statements=0)  # a second time changes nothing
    return kit


def test_what_a_section_adds_is_on_the_sheet(scheduler: User, a_section) -> None:
    sheet = sheet_of(scheduler, a_section.site)
    assert sheet.open_flags == 1
    page = logged_in(scheduler).get(f"/sites/{a_section.site.pk}/").content.decode()
    for words in ("3 Dec 2026, 09:00 to 11:00", "Site visit, Edda Moor", "Walk test overdue", "since 4 Mar 2026",
                  "Regime Two: EN 50131-7", "measured 9.4 kΩ", "1 open flag<"):
        assert words in page, words
    body = api_client(scheduler).get(f"/api/sites/{a_section.site.pk}/sheet/").json()
    device = body["systems"][0]["circuits"][0]["places"][0]["device"]
    assert device["flags"] == [
        {"words": "Walk test overdue", "since": "2026-03-04", "tone": "bad", "source": "Regime Two: EN 50131-7",
         "address": ""}
    ]
