"""The design page and endpoint, and that what they promise comes true when the circuit is recorded so."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.urls import reverse

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.demo.catalogue import Catalogue, load_catalogue
from config.errors import InvalidInput
from installs.models import CircuitPlace, InputProfile
from installs.queries.design import (
    CHOICES_STATEMENTS,
    OWN_STATEMENTS,
    DesignRequest,
    design_choices,
    design_circuit,
)
from installs.queries.sheet import site_sheet
from installs.queries.sheet_rows import CircuitSheet
from installs.services.loop_tables import keep_stale_tables
from stock.models import Board, CableType
from tests.conftest import api_client, logged_in
from tests.installs.kit import BANDS

pytestmark = pytest.mark.django_db
PAGE = "/sites/design/"


@pytest.fixture
def catalogue(firm: object) -> Catalogue:
    return load_catalogue(date(2026, 11, 25))


@pytest.fixture
def profile(firm: object) -> InputProfile:
    found: InputProfile = make.InputProfileFactory.create(panel_type__name="Panel A", code="deol-4k7")
    for state, low, high in BANDS:
        make.InputBandFactory.create(profile=found, state=state, low_ohm=low, high_ohm=high)
    return found


@pytest.fixture
def cable(firm: object) -> CableType:
    found: CableType = make.CableTypeFactory.create()
    return found


def recorded(user: User, branch: Branch, request: DesignRequest, board: Board | None,
             by_hand: dict[str, float] | None) -> CircuitSheet:
    """The circuit as the sheet shows it once it is recorded as designed."""
    profile = InputProfile.objects.get(pk=request.profile_id)
    site = make.SiteFactory.create(branch=branch, environmental_class=request.environmental_class)
    panel = make.PanelFactory.create(system__site=site, type=profile.panel_type)
    circuit = make.CircuitFactory.create(
        panel=panel, number=1, profile=profile, topology=profile.topology, cable_type_id=request.cable_id
    )
    for order, run_m in enumerate(request.runs_m, 1):
        device = make.DeviceFactory.create(
            system=panel.system, board=board, hand_wired=by_hand, cable_type_id=request.cable_id
        )
        CircuitPlace.objects.create(
            circuit=circuit, device=device, order=order, run_m=run_m, functions=sorted(request.carried)
        )
    keep_stale_tables()
    sheet = site_sheet(user, site.pk)
    assert sheet is not None
    return sheet.systems[0].circuits[0]


def test_every_board_said_to_fit_reads_right_on_the_sheet_and_no_other_does(
    catalogue: Catalogue, branch: Branch, service_manager: User
) -> None:
    judged = 0
    for (panel, code), profile in catalogue.profiles.items():
        if panel not in ("KH-24", "HS-32"):
            continue
        request = DesignRequest(
            profile.pk, catalogue.cables["six-core"].pk, (35.0, 12.0), carried=frozenset(profile.topology.functions)
        )
        answer = design_circuit(service_manager, request)
        roles = set(answer.design.roles)
        for fit in answer.design.boards:
            board = Board.objects.get(pk=int(fit.board.key))
            if not fit.board.presets_values or not set(fit.board.resistor_ohm) >= roles:
                continue
            sheet = recorded(service_manager, branch, request, board, None)
            if fit.reason.startswith("It is made for another wiring, with"):
                continue
            assert sheet.loop.outcome == fit.outcome, (panel, code, fit.board.name, fit.reason)
            judged += 1
        if answer.design.preferred:
            sheet = recorded(service_manager, branch, request, None, answer.design.preferred.resistor_ohm)
            assert sheet.loop.outcome == answer.design.preferred.outcome, (panel, code)
            assert answer.loop is not None
            assert sheet.loop.longest_cable_m == answer.loop.longest_cable_m
    assert judged > 30


@pytest.mark.parametrize("more", [0, 2])
def test_statements_do_not_grow_with_the_catalogue(
    more: int, profile: InputProfile, cable: CableType, engineer: User, django_assert_num_queries: Any
) -> None:
    for _ in range(1 + more):
        make.BoardFactory.create(topology=profile.topology)
        make.CableTypeFactory.create()
        make.InputProfileFactory.create()
    with django_assert_num_queries(4):
        design_choices(engineer)
    with django_assert_num_queries(5):
        answer = design_circuit(engineer, DesignRequest(profile.pk, cable.pk, (20.0, 5.0)))
    assert (CHOICES_STATEMENTS, OWN_STATEMENTS) == (4, 5)
    assert len(answer.design.boards) == 1 + more


def test_the_page_answers_a_design_in_its_address(profile: InputProfile, cable: CableType, engineer: User) -> None:
    board = make.BoardFactory.create(topology=profile.topology, eol_ohm=4700, alarm_ohm=4700)
    client = logged_in(engineer)
    assert reverse("installs:design") == PAGE
    assert "Choose a panel and its input" in client.get(PAGE).content.decode()
    asked: dict[str, Any] = {"profile": profile.pk, "cable": cable.pk, "devices": 2, "first_m": 20, "between_m": 7.5,
             "board": board.pk}
    answer = client.get(PAGE, asked)
    text = answer.content.decode()
    assert answer.status_code == 200
    for words in (
        "Reads right", "27.5 m, panel to end", "Longest cable", "All 2 devices in alarm", "Any device in alarm",
        "disconnect the pair from the panel", board.item.name,
    ):
        assert words in text, words
    found = design_circuit(engineer, DesignRequest(profile.pk, cable.pk, (20.0, 7.5), board_id=board.pk))
    assert found.design.preferred is not None
    for resistor in found.design.preferred.resistors:
        assert f"<strong>{resistor.role} {resistor.written}</strong>: {', '.join(resistor.colours)}" in text
    part = client.get(PAGE, asked, headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()
    assert "Reads right" in part.content.decode()


def test_runs_values_and_signals_as_people_write_them(
    profile: InputProfile, cable: CableType, engineer: User
) -> None:
    asked: dict[str, Any] = {
        "profile": profile.pk, "cable": cable.pk, "runs": "12; 8.5 5", "eol_ohm": "4k7", "alarm_ohm": "4,7 kΩ",
        "signals": ["alarm", "tamper"], "series": "E96",
    }
    text = logged_in(engineer).get(PAGE, asked).content.decode()
    assert "25.5 m, panel to end" in text
    assert "Reads right" in text
    assert "alarm: 4k75 in place of 4.7 kΩ" in text


def test_a_missing_mask_resistor_is_named_and_values_offered(
    catalogue: Catalogue, engineer: User
) -> None:
    asked: dict[str, Any] = {
        "profile": catalogue.profiles["KH-24", "teol-4k7-2k2"].pk, "cable": catalogue.cables["six-core"].pk,
        "eol_ohm": "4k7", "alarm_ohm": "4k7",
    }
    text = logged_in(engineer).get(PAGE, asked).content.decode()
    assert "This wiring needs a mask resistor, and none was given." in text
    assert "<strong>mask 2k2</strong>: red, red, black, brown, brown" in text


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"eol_ohm": "4x7"}, "&#x27;4x7&#x27; is not a resistor value. Write it as 2k2, 2.2k, 2200 or R47."),
        ({"runs": "12, far"}, "&#x27;far&#x27; is not a number of metres. Write runs like 12, 8.5, 5."),
        ({"devices": "99"}, "Devices (99):"),
        ({"first_m": "-3"}, "Metres to the first (-3):"),
        ({"profile": ""}, "Choose a panel and its input."),
        ({"signals": "mask"}, "this wiring cannot carry the mask signal. Given: mask."),
    ],
)
def test_bad_input_names_field_value_and_remedy(
    fields: dict[str, str], words: str, profile: InputProfile, cable: CableType, engineer: User
) -> None:
    asked: dict[str, Any] = {"profile": profile.pk, "cable": cable.pk, "devices": 1, **fields}
    whole = logged_in(engineer).get(PAGE, asked)
    assert whole.status_code == 400
    assert words in whole.content.decode()
    part = logged_in(engineer).get(PAGE, asked, headers={"HX-Request": "true"})
    assert part.status_code == 200
    assert words in part.content.decode()


def test_stores_may_not_and_nothing_is_logged(profile: InputProfile, cable: CableType, stores: User) -> None:
    assert logged_in(stores).get(PAGE).status_code == 403
    assert api_client(stores).post("/api/designs/", {}, format="json").status_code == 403


def test_the_endpoint_answers_the_same_design(profile: InputProfile, cable: CableType, engineer: User) -> None:
    body = {"profile": profile.pk, "cable": cable.pk, "runs_m": [20, 5], "resistors": {"eol": "4k7", "alarm": 4700}}
    answer = api_client(engineer).post("/api/designs/", body, format="json")
    assert answer.status_code == 200
    data = answer.json()
    assert (data["outcome"], data["total_m"], data["used_ohm"]) == ("right", 25.0, {"eol": 4700.0, "alarm": 4700.0})
    assert [row["state"] for row in data["states"]] == ["normal", "alarm", "tamper", "all-alarm", "open", "short"]
    assert data["states"][2]["nominal_ohm"] is None
    assert [one["role"] for one in data["preferred"]["resistors"]] == ["eol", "alarm"]
    missing = api_client(engineer).post("/api/designs/", {"profile": profile.pk}, format="json")
    assert missing.status_code == 400
    assert set(missing.json()["errors"]) == {"cable", "runs_m"}
    wrong = api_client(engineer).post("/api/designs/", body | {"signals": ["mask"]}, format="json").json()
    assert (wrong["field"], wrong["value"]) == ("signals", "mask")


def test_an_input_without_bands_and_unknown_records_are_refused(
    profile: InputProfile, cable: CableType, engineer: User
) -> None:
    bare = make.InputProfileFactory.create()
    asked = DesignRequest(profile.pk, cable.pk, (20.0,))
    for request, field in (
        (DesignRequest(bare.pk, cable.pk, (20.0,)), "profile"),
        (DesignRequest(0, cable.pk, (20.0,)), "profile"),
        (DesignRequest(profile.pk, 0, (20.0,)), "cable"),
        (DesignRequest(profile.pk, cable.pk, (20.0,), board_id=0), "board"),
        (DesignRequest(profile.pk, cable.pk, (20.0,), topology_id=0), "topology"),
        (DesignRequest(profile.pk, cable.pk, ()), "devices"),
    ):
        with pytest.raises(InvalidInput) as error:
            design_circuit(engineer, request)
        assert (error.value.field, bool(error.value.remedy)) == (field, True)
    assert design_circuit(engineer, asked).design.report is not None
