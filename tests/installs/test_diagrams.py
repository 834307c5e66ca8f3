"""Circuits as drawings on pages: what they show, to whom, at what cost, and that each look is logged."""

from __future__ import annotations

import re

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, ReadLog, User
from config.demo import factories as make
from installs.models import CircuitPlace
from installs.queries.diagrams import (
    CIRCUIT_STATEMENTS,
    SHEETS_STATEMENTS,
    CircuitDiagram,
    circuit_diagram,
    picture_of,
    wiring_sheets,
)
from installs.queries.sheet import site_sheet
from installs.rules.diagram.picture import draw
from installs.rules.diagram.record import DrawnCircuit
from installs.rules.topology import STANDARD_TOPOLOGIES, parse_topology
from tests.conftest import logged_in
from tests.installs.kit import assign, site_with, topology

pytestmark = pytest.mark.django_db

HTMX = {"HTTP_HX_REQUEST": "true"}
HOSTILE = "<script>alert(1)</script>"


def diagram_of(user: User, circuit_id: int) -> CircuitDiagram:
    diagram = circuit_diagram(user, circuit_id)
    assert diagram is not None
    return diagram


def words_in(diagram: CircuitDiagram) -> list[str]:
    assert diagram.picture is not None
    return re.findall(r"<text[^>]*>([^<]*)</text>", "".join(diagram.picture.parts))


def test_the_record_is_what_is_drawn(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=2)
    second = kit.devices[1]
    second.hand_wired, second.board = {"alarm": 4700, "eol": 5600}, None
    second.save()
    diagram = diagram_of(scheduler, kit.circuits[0].pk)
    board = kit.devices[0].board
    assert board is not None
    assert diagram.steps == (
        f"From Panel input 1, Zone 1, a pair of {diagram.cable}.",
        f"20 m of cable to D11 Room 1.1 (board {board.item.name}): in line with the pair, tamper contact, normally "
        "closed; then alarm contact, normally closed, with 4.7 kΩ ±1 % on the board across it.",
        "20 m of cable to D12 Room 1.2: in line with the pair, tamper contact, normally closed; then alarm contact, "
        "normally closed, with 4.7 kΩ ±1 % hand-wired across it.",
        "End of line, at D12, across the pair: 5.6 kΩ ±1 % hand-wired.",
    )
    assert [word for word in words_in(diagram) if word[:1].isdigit()] == [
        f"20 m of {diagram.cable}", "4k7 ±1 %", "20 m", "4k7 ±1 %", "5k6 ±1 %",
    ]
    assert diagram.summary == "Wiring of Panel input 1, Zone 1: 2 devices on one pair, end of line 5.6 kΩ"


def test_a_device_wired_otherwise_and_a_removed_one(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=3)
    CircuitPlace.objects.filter(device=kit.devices[0]).update(
        topology=topology("single-eol-open"), functions=["alarm"]
    )
    kit.devices[1].removed_on = kit.devices[1].fitted_on
    kit.devices[1].save()
    words = words_in(diagram_of(scheduler, kit.circuits[0].pk))
    assert [word for word in words if word.endswith((" NC", " NO"))] == ["alarm NO", "tamper NC", "alarm NC"]
    assert [word for word in words if word.startswith("D1")] == ["D11 Room 1.1", "D13 Room 1.3"]


def test_a_topology_that_cannot_be_read_says_so(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    kit.circuits[0].topology.circuit = {"arrangement": "ring"}
    kit.circuits[0].topology.save()
    diagram = diagram_of(scheduler, kit.circuits[0].pk)
    assert diagram.picture is None
    assert diagram.why_not == (
        'Cannot be drawn from the record: the arrangement is not known. Give "series" or "parallel".'
    )
    page = logged_in(scheduler).get(f"/sites/circuit/{kit.circuits[0].pk}/diagram/")
    assert (page.status_code, "Cannot be drawn from the record" in page.content.decode()) == (200, True)
    assert logged_in(scheduler).get(f"/sites/{kit.site.pk}/wiring/").status_code == 200


def test_hostile_names_come_out_as_text(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    kit.circuits[0].zone = kit.devices[0].position = f"{HOSTILE} & $x$"
    kit.circuits[0].save()
    kit.devices[0].save()
    for address in (f"/sites/circuit/{kit.circuits[0].pk}/diagram/", f"/sites/{kit.site.pk}/wiring/"):
        page = logged_in(scheduler).get(address).content.decode()
        assert HOSTILE not in page
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
        assert page.count("<script") == 1  # htmx's own in the page's head


def test_within_a_page_only_the_drawing(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=2)
    address = f"/sites/circuit/{kit.circuits[0].pk}/diagram/"
    client = logged_in(scheduler)
    part, whole = client.get(address, **HTMX).content.decode(), client.get(address).content.decode()
    assert (part.count("<html"), whole.count("<html")) == (0, 1)
    assert (part.count("<svg"), whole.count("<svg")) == (3, 3)
    assert part.strip() in whole
    assert part.count('role="img"') == 1
    described = re.search(r'aria-describedby="([^"]+)"', part)
    assert described is not None
    assert part.count(f'id="{described[1]}"') == 1
    assert whole.count("disconnect the pair from the panel") == 1


def test_sheets_of_a_site(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, circuits=3, devices_each=2)
    sheets = wiring_sheets(scheduler, kit.site.pk)
    assert sheets is not None
    assert [sheet.diagram.number for sheet in sheets.sheets] == [1, 2, 3]
    shown = site_sheet(scheduler, kit.site.pk)
    assert shown is not None
    assert [sheet.loop for sheet in sheets.sheets] == [circuit.loop for circuit in shown.systems[0].circuits]
    page = logged_in(scheduler).get(f"/sites/{kit.site.pk}/wiring/").content.decode()
    assert page.count("disconnect the pair from the panel") == 4  # on each sheet, and once on the screen
    assert page.count(f"Printed by {scheduler.name} on ") == 3
    assert page.count(", as recorded on ") == 3
    assert sheets.firm == "Harrow & Tansy Alarms"
    assert page.count(f"Harrow &amp; Tansy Alarms · {kit.site.reference} ") == 3
    assert page.count("<caption>Every state of circuit") == 3


def test_a_site_without_circuits(scheduler: User, branch: Branch) -> None:
    site = make.SiteFactory.create(branch=branch)
    page = logged_in(scheduler).get(f"/sites/{site.pk}/wiring/").content.decode()
    assert "No circuit is recorded at this site." in page


@pytest.mark.parametrize(("circuits", "devices"), [(1, 1), (3, 3)])
def test_statements_do_not_grow(scheduler: User, branch: Branch, circuits: int, devices: int) -> None:
    kit = site_with(branch, circuits=circuits, devices_each=devices)
    client = logged_in(scheduler)
    for address, own in (
        (f"/sites/circuit/{kit.circuits[0].pk}/diagram/", CIRCUIT_STATEMENTS),
        (f"/sites/{kit.site.pk}/wiring/", SHEETS_STATEMENTS),
    ):
        with CaptureQueriesContext(connection) as seen:
            assert client.get(address).status_code == 200
        # session, user, read log, name of the branch in the page's head
        assert len(seen) == own + 4, [query["sql"][:90] for query in seen]
    assert (CIRCUIT_STATEMENTS, SHEETS_STATEMENTS) == (2, 5)


def test_each_look_is_logged(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch)
    client = logged_in(scheduler)
    client.get(f"/sites/circuit/{kit.circuits[0].pk}/diagram/", **HTMX)
    client.get(f"/sites/{kit.site.pk}/wiring/")
    looks = ReadLog.objects.order_by("id").values_list("subject", "subject_id", "user", "door")
    assert list(looks) == [
        ("site", kit.site.pk, scheduler.pk, "page: wiring diagram"),
        ("site", kit.site.pk, scheduler.pk, "paper: wiring sheets"),
    ]


def test_who_may_look(stranger: User, stores: User, engineer: User, branch: Branch) -> None:
    kit = site_with(branch)
    addresses = (f"/sites/circuit/{kit.circuits[0].pk}/diagram/", f"/sites/{kit.site.pk}/wiring/")
    for address in addresses:
        assert logged_in(stranger).get(address).status_code == 404
        assert logged_in(stores).get(address).status_code == 403
        assert logged_in(engineer).get(address).status_code == 404
    assert ReadLog.objects.count() == 0
    assign(engineer, kit.site)
    assert [logged_in(engineer).get(address).status_code for address in addresses] == [200, 200]


def test_a_kept_picture_is_the_one_that_would_be_drawn_and_changes_with_the_record() -> None:
    cache.clear()
    drawn = DrawnCircuit(
        "Panel input 1", "Hall", parse_topology(STANDARD_TOPOLOGIES["single-eol"]), "cable", devices=()
    )
    first, kept = picture_of(drawn), picture_of(drawn)
    assert first == kept == draw(drawn)
    other = DrawnCircuit(
        "Panel input 1", "Hatch", parse_topology(STANDARD_TOPOLOGIES["single-eol"]), "cable", devices=()
    )
    assert picture_of(other) == draw(other) != first
