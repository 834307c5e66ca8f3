"""A small site with everything on it, for the tests of this app."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import count
from typing import Any

import pytest
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import ZonewrightError
from installs.models import Circuit, CircuitPlace, Device, InputBand, Panel, Site, SiteAssignment
from installs.services.devices import fit_device
from stock.models import Board, CableType, Serial, Topology, Variant

_visits = count(1_000_000)

# A double end-of-line loop of 4.7 kΩ: normal 4.7, one device in alarm 9.4 (common practice, no source).
BANDS = (
    ("tamper", 0.0, 2_000.0), ("normal", 2_000.0, 7_000.0), ("alarm", 7_000.0, 30_000.0), ("tamper", 30_000.0, None),
)


def topology(code: str = "double-eol") -> Topology:
    return make.TopologyFactory.create(code=code)


@dataclass
class Kit:
    """A site with its panel, circuits and devices."""

    site: Site
    panel: Panel
    circuits: list[Circuit] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)


def variant(**fields: Any) -> Variant:
    return make.VariantFactory.create(**fields)


def site_with(branch: Branch, *, circuits: int = 1, devices_each: int = 1, **fields: Any) -> Kit:
    """A site whose circuits read right: double EOL of 4.7 kΩ boards. The devices carry no serial."""
    site = make.SiteFactory.create(branch=branch, **fields)
    panel = make.PanelFactory.create(system__site=site)
    kit = Kit(site, panel)
    wired = topology()
    profile = make.InputProfileFactory.create(panel_type=panel.type, topology=wired)
    for state, low, high in BANDS:
        InputBand.objects.create(profile=profile, state=state, low_ohm=low, high_ohm=high)
    cable: CableType = make.CableTypeFactory.create()
    family = make.FamilyFactory.create()
    of_type = variant(family=family)
    backplate = make.BackplateFactory.create(family=family)
    board: Board = make.BoardFactory.create(topology=wired, eol_ohm=4700, alarm_ohm=4700, families=[family])
    for number in range(1, circuits + 1):
        circuit = make.CircuitFactory.create(
            panel=panel, number=number, zone=f"Zone {number}", profile=profile, topology=wired, cable_type=cable
        )
        kit.circuits.append(circuit)
        for order in range(1, devices_each + 1):
            device = make.DeviceFactory.create(
                system=panel.system, mark=f"D{number}{order}", position=f"Room {number}.{order}", variant=of_type,
                backplate=backplate, board=board, cable_type=cable,
            )
            kit.devices.append(device)
            CircuitPlace.objects.create(
                circuit=circuit, device=device, order=order, functions=["alarm", "tamper"], run_m=20
            )
    return kit


def assign(user: User, site: Site, *, days_ahead: int = 0) -> SiteAssignment:
    """What the trigger on visits leaves behind: the person goes to the site on that day."""
    day = timezone.localdate() + timedelta(days=days_ahead)
    return SiteAssignment.objects.create(visit_id=next(_visits), site=site, user=user, first_day=day, last_day=day)


GOOD: dict[str, Any] = {"pir_range_m": 9, "pet_immunity_kg": 12, "led": False}


def fit(kit: Kit, by: User, serial: Serial | None, **fields: Any) -> Device:
    like = kit.devices[0]
    return fit_device(
        kit.panel.system,
        by=by,
        **{
            "mark": "N1", "position": "Landing", "variant": like.variant, "serial": serial,
            "backplate": like.backplate, "board": like.board, "signalling_wires": 2, "cable_type": like.cable_type,
            "core_landings": {"red": "+", "black": "-", "blue": "A1", "yellow": "T2"}, "settings": GOOD,
            "fitted_on": date(2026, 11, 2), **fields,
        },
    )


def refusal(error: pytest.ExceptionInfo[ZonewrightError]) -> tuple[str, str, bool]:
    return error.value.field, error.value.value, bool(error.value.remedy)
