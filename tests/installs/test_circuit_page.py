"""The circuit's page and the list of loops to look at: what they say, who may see it, and what they cost."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, Firm, ReadLog, User
from installs.models import CircuitPlace, InputBand, InputProfile, LoopTable, Site
from installs.queries.circuit import STATEMENTS, CircuitPage, circuit_page
from installs.queries.loop_tables import loops_to_look_at
from installs.services.loop_tables import keep_stale_tables
from tests.conftest import logged_in
from tests.installs.kit import Kit, assign, site_with, topology

pytestmark = pytest.mark.django_db


def page_of(user: User, kit: Kit) -> CircuitPage:
    page = circuit_page(user, kit.circuits[0].pk)
    assert page is not None
    return page


def html_of(user: User, kit: Kit) -> str:
    return logged_in(user).get(f"/sites/circuit/{kit.circuits[0].pk}/").content.decode()


def test_it_says_how_it_is_wired_and_what_the_meter_reads(branch: Branch, scheduler: User) -> None:
    kit = site_with(branch, devices_each=2, cautions="Dog in the yard")
    page = page_of(scheduler, kit)
    board = kit.devices[0].board
    assert board is not None
    assert [(d.mark, d.run_m, d.at_m, d.board, d.resistors) for d in page.devices] == [
        ("D11", 20, 20, board.item.name, (("eol", 4700.0), ("alarm", 4700.0))),
        ("D12", 20, 40, board.item.name, (("eol", 4700.0), ("alarm", 4700.0))),
    ]
    assert (page.total_run_m, page.eol_ohm, page.eol_at_last_device) == (40, None, True)
    assert page.cautions == "Dog in the yard"
    # By hand: 40 m of pair at 85 Ω/km are 6.8 Ω. Far end: the 4.7 kΩ alone with the cores open at the panel; beside
    # 6.8 Ω of cable with them joined, 6.79 Ω; beside 4706.8 Ω with a device in alarm, 2351.7 Ω;
    # beside 9406.8 Ω with both, 3134.1 Ω.
    assert [
        (line.label, line.nominal_ohm, line.far_open_ohm[0], line.far_joined_ohm[0]) for line, _ in page.states
    ] == [
        ("Normal", 4706.8, 4700.0, 6.8),
        ("Any device in alarm", 9406.8, 4700.0, 2351.7),
        ("Any device with tamper open", None, 4700.0, 4700.0),
        ("All 2 devices in alarm", 14106.8, 4700.0, 3134.1),
        ("Cable cut", None, 4700.0, 4700.0),
        ("Cable shorted", 0.0, 0.0, 0.0),
    ]
    html = html_of(scheduler, kit)
    for words in ("Dog in the yard", "disconnect the pair from the panel", "Any device in alarm", "2.352 kΩ",
                  "D11 in alarm with D12 in alarm", "at the longest"):
        assert words in html


def test_what_others_show_is_asked_for_after_the_page(kit: Kit, scheduler: User) -> None:
    html = html_of(scheduler, kit)
    for name in ("diagram", "diagnose", "trend"):
        address = f"/sites/circuit/{kit.circuits[0].pk}/{name}/"
        assert html.count(f'hx-get="{address}"') == 1
        assert html.count(f'<a href="{address}"') == 1


def test_a_loop_that_reads_wrong_says_why_and_what_would_cure_it(kit: Kit, scheduler: User) -> None:
    # Normal reads up to 4700 Ω only: 4703.4 Ω of the nominal circuit lies beyond.
    InputBand.objects.filter(state="normal").update(high_ohm=4700)
    html = html_of(scheduler, kit)
    assert "Loop reads wrong" in html
    assert "<strong>Cause:</strong> Normal (4.703 kΩ)" in html
    assert "<strong>Cure:</strong>" in html


def test_a_wide_margin_that_the_firm_asks_for_acts_on_a_record_just_changed(
    kit: Kit, firm: Firm, scheduler: User
) -> None:
    assert page_of(scheduler, kit).loop.outcome == "right"
    firm.loop_margin_percent = 60
    firm.save()
    assert page_of(scheduler, kit).loop.outcome == "thin"


def test_volts_are_told_where_the_input_has_a_pull_up(kit: Kit, scheduler: User) -> None:
    assert [volts for _, volts in page_of(scheduler, kit).states] == [None] * 5
    InputProfile.objects.update(reference_v=12, pull_up_ohm=4703.4)
    # A loop as large as the pull-up halves the reference; alarm: 12 x 9403.4 / 14106.8 = 8.00.
    assert [volts for _, volts in page_of(scheduler, kit).states] == [6.0, 8.0, 12.0, 12.0, 0.0]
    assert "Normal: 6.00 V" in html_of(scheduler, kit)


def test_a_device_wired_otherwise_than_its_circuit(branch: Branch, scheduler: User) -> None:
    kit = site_with(branch, devices_each=2)
    other = topology("single-eol")
    CircuitPlace.objects.filter(device=kit.devices[1]).update(topology=other, functions=["alarm"])
    page = page_of(scheduler, kit)
    assert [device.otherwise for device in page.devices] == ["", other.name]
    # Its alarm opens the loop; the other's raises it by 4.7 kΩ.
    assert [(line.label, line.nominal_ohm) for line, _ in page.states if line.state == "alarm"] == [
        ("D11 in alarm", 9406.8), ("D12 in alarm", None),
    ]


def test_a_circuit_without_devices(kit: Kit, scheduler: User) -> None:
    CircuitPlace.objects.all().delete()
    html = html_of(scheduler, kit)
    assert "No device is recorded here, so nothing can be computed." in html
    assert "Cannot be computed" in html


@pytest.mark.parametrize("devices", [1, 3])
@pytest.mark.parametrize(("stale", "more"), [(False, 0), (True, 1)])
def test_statements_of_a_circuit(branch: Branch, scheduler: User, devices: int, stale: bool, more: int) -> None:
    kit = site_with(branch, devices_each=devices)
    if not stale:
        keep_stale_tables()
    with CaptureQueriesContext(connection) as seen:
        page = circuit_page(scheduler, kit.circuits[0].pk)
    assert len(seen) == STATEMENTS + more
    assert page is not None
    assert page.kept != stale


def test_statements_of_the_page(kit: Kit, scheduler: User) -> None:
    keep_stale_tables()
    client = logged_in(scheduler)
    with CaptureQueriesContext(connection) as seen:
        client.get(f"/sites/circuit/{kit.circuits[0].pk}/")
    # session, user, read log, name of the branch in the page's head
    assert len(seen) == STATEMENTS + 4, [q["sql"][:90] for q in seen]


def test_who_may_open_a_circuit_and_that_it_is_logged(
    kit: Kit, engineer: User, stranger: User, stores: User
) -> None:
    address = f"/sites/circuit/{kit.circuits[0].pk}/"
    assert logged_in(stores).get(address).status_code == 403
    assert logged_in(stranger).get(address).status_code == 404
    assert logged_in(engineer).get(address).status_code == 404
    assert ReadLog.objects.count() == 0
    assign(engineer, kit.site)
    assert logged_in(engineer).get(address).status_code == 200
    assert list(ReadLog.objects.values_list("subject_id", "user", "door")) == [
        (kit.site.pk, engineer.pk, "page: circuit")
    ]


def test_the_site_sheet_leads_to_the_circuit(kit: Kit, scheduler: User) -> None:
    html = logged_in(scheduler).get(f"/sites/{kit.site.pk}/").content.decode()
    assert f'<a href="/sites/circuit/{kit.circuits[0].pk}/">Circuit 1: Zone 1</a>' in html
    assert "Expected at the panel: <strong>normal 4.703 kΩ, alarm 9.403 kΩ, tamper open circuit</strong>" in html
    assert "Loop reads right" in html


def test_the_administration_shows_the_kept_table_and_lets_nobody_edit_it(kit: Kit, administrator: User) -> None:
    keep_stale_tables()
    client = logged_in(administrator)
    html = client.get(f"/admin/installs/circuit/{kit.circuits[0].pk}/change/").content.decode()
    assert "Reads right" in html
    assert 'name="loop_table-0-outcome"' not in html


# Loops to look at


def looked_at(branch: Branch) -> list[LoopTable]:
    """A right loop, and one of each other outcome, thinnest margins last."""
    kit = site_with(branch, circuits=6)
    LoopTable.objects.update(stale=False, computed_at="2026-11-25T02:30:00Z")
    wanted = (("right", 20), ("thin", 1.5), ("marginal", -1), ("wrong", -4), ("wrong", -40), ("unknown", None))
    tables = []
    for circuit, (outcome, percent) in zip(kit.circuits, wanted, strict=True):
        LoopTable.objects.filter(circuit=circuit).update(
            outcome=outcome, least_margin_percent=percent, least_margin_ohm=percent,
            cause=f"Cause of {circuit.number}", cure=f"Cure of {circuit.number}",
        )
        tables.append(LoopTable.objects.get(circuit=circuit))
    return tables


def test_the_worst_come_first_and_right_ones_not_at_all(branch: Branch, scheduler: User) -> None:
    looked_at(branch)
    rows = loops_to_look_at(scheduler).rows
    assert [(row.outcome, row.least_margin_percent) for row in rows] == [
        ("wrong", -40), ("wrong", -4), ("unknown", None), ("marginal", -1), ("thin", 1.5),
    ]
    assert [row.number for row in loops_to_look_at(scheduler, outcome="thin").rows] == [2]


def test_pages_follow_without_gap_or_repeat(branch: Branch, scheduler: User) -> None:
    looked_at(branch)
    numbers: list[int] = []
    cursor = None
    while True:
        page = loops_to_look_at(scheduler, cursor=cursor, size=2)
        numbers += [row.number for row in page.rows]
        cursor = page.next_cursor
        if cursor is None:
            break
    assert numbers == [5, 4, 6, 3, 2]


def test_the_list_says_cause_and_cure_and_leads_on(branch: Branch, scheduler: User) -> None:
    tables = looked_at(branch)
    html = logged_in(scheduler).get("/sites/loops/?outcome=thin").content.decode()
    assert f'<a href="/sites/circuit/{tables[1].circuit_id}/">2 Zone 2</a>' in html
    for words in ("Cause of 2", "Cure of 2", "Thin margin", "1.5 Ω (1.5 %)", "disconnect the pair"):
        assert words in html
    assert "Cause of 3" not in html


def test_old_values_are_not_shown(branch: Branch, scheduler: User) -> None:
    looked_at(branch)
    LoopTable.objects.filter(outcome="thin").update(stale=True)
    html = logged_in(scheduler).get("/sites/loops/?outcome=thin").content.decode()
    assert "the record changed since" in html
    assert "Cause of 2" not in html
    assert "1.5 Ω" not in html


def test_who_sees_which_loops(branch: Branch, stranger: User, engineer: User, stores: User) -> None:
    looked_at(branch)
    assert loops_to_look_at(stranger).rows == []
    assert loops_to_look_at(engineer).rows == []
    assign(engineer, Site.objects.get())
    assert len(loops_to_look_at(engineer).rows) == 5
    assert logged_in(stores).get("/sites/loops/").status_code == 403
    empty = logged_in(stranger).get("/sites/loops/").content.decode()
    assert "No loop wants a look in the sites that you may open." in empty


def test_htmx_gets_only_the_list(branch: Branch, scheduler: User) -> None:
    looked_at(branch)
    part = logged_in(scheduler).get("/sites/loops/", headers={"HX-Request": "true"}).content.decode()
    assert "<h1>" not in part
    assert part.count("<tr>") == 6


@pytest.mark.parametrize("circuits", [1, 3])
def test_statements_of_the_list(branch: Branch, scheduler: User, circuits: int) -> None:
    site_with(branch, circuits=circuits)
    LoopTable.objects.update(outcome="wrong", stale=False, computed_at="2026-11-25T02:30:00Z")
    client = logged_in(scheduler)
    with CaptureQueriesContext(connection) as seen:
        client.get("/sites/loops/")
    # session, user, list, name of the branch in the page's head
    assert len(seen) == 4, [q["sql"][:90] for q in seen]
