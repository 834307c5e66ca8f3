"""What a proposed swap does to the panel's supply, on the proposal's page and under 'why not'."""

from __future__ import annotations

from typing import Any

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from installs.models import CircuitPlace, Device, Panel
from installs.services.supply import install_standby_rules
from maintenance.models import SwapProposal
from maintenance.queries.swap_supply import STATEMENTS, SwapSupply, swap_supply
from tests.conftest import logged_in
from tests.maintenance.swap_scene import Scene, make_scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def scene(branch: Branch, stores: User) -> Scene:
    """Every figure of the supply is known; its covers draw 12 and 18 mA, the masking one 16 and 20 mA."""
    install_standby_rules()
    scene = make_scene(branch, stores)
    kind = scene.panel_type
    kind.supply_mains_v, kind.supply_end_v, kind.supply_output_ma = "13.7", "10.5", 500
    kind.own_quiescent_ma, kind.own_alarm_ma, kind.recharge_ma = 100, 200, 300
    kind.save()
    return scene


def device_at(scene: Scene, run_m: float, battery_ah: float = 7) -> Device:
    device = scene.device(variant=scene.old, mark="D1")
    CircuitPlace.objects.filter(device=device).update(run_m=run_m)
    Panel.objects.filter(system=device.system).update(battery_ah=battery_ah)
    return device


def proposed(device: Device, scene: Scene, cover: Any) -> SwapProposal:
    verdict = make.SwapVerdictFactory(variant=cover)
    make.SwapNeedFactory(device=device, proposable=1)
    return make.SwapProposalFactory(device=device, verdict=verdict)


def told(device: Device, cover: Any) -> SwapSupply:
    found = swap_supply(device, cover)
    assert found is not None
    return found


def test_before_and_after_by_hand(scene: Scene) -> None:
    # 100 m at 85 Ω/km a core and 40 °C: 17 x 1.0786 Ω; 18 mA before, 20 mA after, from 10.5 V; both need 9 V.
    found = told(device_at(scene, 100), scene.masking)
    ohm = 17 * 1.0786
    case = "in full alarm, battery discharged"
    assert found.before_own == f"{10.5 - ohm * 0.018:.2f} V {case}; it needs 9 V"
    assert found.after_own == f"{10.5 - ohm * 0.020:.2f} V {case}; it needs 9 V"
    assert found.after_lowest == f"D1: {10.5 - ohm * 0.020:.2f} V {case}, margin {1.5 - ohm * 0.020:.2f} V"
    assert found.before_needed_ah == pytest.approx(1.25 * (0.112 * 12 + 0.218 * 0.25))
    assert found.after_needed_ah == pytest.approx(1.25 * (0.116 * 12 + 0.220 * 0.25))
    assert (found.tone, found.warnings) == ("ok", ())


def test_a_swap_that_makes_a_voltage_fall_short_is_said_loudly(scene: Scene, scheduler: User) -> None:
    # 1.5 V may be lost: 18 mA lose 1.43 V on 433 m, 20 mA 1.59 V.
    device = device_at(scene, 433)
    found = told(device, scene.masking)
    assert found.tone == "bad"
    assert found.warnings == ("D1 gets too little: 8.91 V in full alarm, battery discharged, and it needs 9 V.",)
    text = logged_in(scheduler).get(f"/work/proposals/{proposed(device, scene, scene.masking).pk}/").content.decode()
    assert found.warnings[0] in text
    assert '<span class="tag tag-bad">Falls short</span> With this cover the supply falls short.' in text
    why = logged_in(scheduler).get(f"/work/devices/{device.pk}/swaps/")
    tones = {row.code: row.supply.tone for row in why.context["options"]}
    assert tones == {"OLD": "ok", "NEW": "ok", "MASK": "bad"}
    assert found.warnings[0] in why.content.decode()


def test_who_may_not_open_sites_sees_nothing_of_their_supply(scene: Scene, stores: User) -> None:
    device = device_at(scene, 433)
    proposal = logged_in(stores).get(f"/work/proposals/{proposed(device, scene, scene.masking).pk}/")
    assert (proposal.status_code, proposal.context["supply"]) == (200, None)
    assert "supply" not in proposal.content.decode().split("<main")[1].lower()
    why = logged_in(stores).get(f"/work/devices/{device.pk}/swaps/")
    assert {row.supply for row in why.context["options"]} == {None}


def test_what_is_short_today_already_is_said_to_be(scene: Scene) -> None:
    found = told(device_at(scene, 900), scene.new)
    assert found.warnings[0].startswith("D1 gets too little (as it does today already): ")


def test_a_swap_that_makes_the_battery_too_small(scene: Scene) -> None:
    # 1.75 Ah are needed before and 1.81 Ah after.
    assert told(device_at(scene, 10, battery_ah=1.8), scene.masking).warnings == (
        "The fitted battery of 1.8 Ah is too small: 1.81 Ah are needed.",
    )
    assert told(device_at(scene, 10, battery_ah=1.2), scene.masking).warnings == (
        "The fitted battery of 1.2 Ah is too small (as it is today already): 1.81 Ah are needed.",
    )
    assert told(device_at(scene, 10, battery_ah=1.9), scene.masking).warnings == ()


def test_a_cover_that_takes_less_clears_what_was_short(scene: Scene) -> None:
    device = device_at(scene, 433)
    device.variant = scene.masking
    device.save()
    found = told(device, scene.new)
    assert (found.tone, found.warnings) == ("ok", ())


def test_what_the_record_lacks_is_not_called_good(scene: Scene, scheduler: User, branch: Branch) -> None:
    kind = scene.panel_type
    kind.supply_mains_v = kind.supply_end_v = kind.own_quiescent_ma = None
    kind.save()
    found = told(device_at(scene, 433), scene.masking)
    assert (found.tone, found.headline) == ("info", "What the swap does to the supply cannot be computed.")
    assert found.after_lowest == found.after_own == "cannot be computed"
    lone = make.DeviceFactory(system__site__branch=branch)
    assert swap_supply(lone, scene.new) is None
    page = logged_in(scheduler).get(f"/work/proposals/{proposed(lone, scene, scene.new).pk}/").content.decode()
    assert "No panel is recorded for this system" in page


@pytest.mark.parametrize("devices", [1, 3])
def test_statements(scene: Scene, django_assert_num_queries: Any, devices: int) -> None:
    device = device_at(scene, 100)
    circuit = device.places.get().circuit
    for order in range(2, devices + 1):
        make.CircuitPlaceFactory(circuit=circuit, order=order)
    assert STATEMENTS == 6
    with django_assert_num_queries(6):
        told(device, scene.masking)
