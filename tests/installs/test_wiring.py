"""Cores behind backplates, and what circuits can carry."""

from __future__ import annotations

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import InvalidInput
from installs.models import CircuitPlace
from installs.services.wiring import Place, land_cores, set_circuit_places
from tests.installs.kit import Kit, refusal, site_with, topology, variant

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("sites_place")]


def test_landing_spare_cores_makes_more_wires(engineer: User, kit: Kit) -> None:
    device = kit.devices[0]
    device.board = None
    device.save()
    landings = {"red": "+", "black": "-", "blue": "A1", "yellow": "A2", "green": "T1"}
    with pytest.raises(InvalidInput) as error:
        land_cores(device, landings, by=engineer, signalling_wires=4)
    assert refusal(error) == ("signalling_wires", "4", True)
    changed = land_cores(device, {**landings, "white": "T2"}, by=engineer, signalling_wires=4)
    assert (changed.signalling_wires, changed.core_landings["white"]) == (4, "T2")


def test_places_are_set_in_order(engineer: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=2)
    first, second = kit.devices
    set_circuit_places(
        kit.circuits[0],
        [Place(second.pk, ("alarm", "tamper"), 12.5), Place(first.pk, ("alarm",), 0)],
        by=engineer,
    )
    assert list(CircuitPlace.objects.order_by("order").values_list("order", "device", "functions", "run_m")) == [
        (1, second.pk, ["alarm", "tamper"], 12.5), (2, first.pk, ["alarm"], 0),
    ]


def test_what_a_circuit_cannot_carry_is_refused(engineer: User, branch: Branch) -> None:
    kit = site_with(branch, circuits=2, devices_each=1)
    one, two = kit.devices
    foreign = site_with(branch).devices[0]
    four = make.DeviceFactory.create(system=kit.panel.system, signalling_wires=4, board=None)
    CircuitPlace.objects.create(circuit=kit.circuits[1], device=four, order=5, functions=["tamper"], run_m=1)
    cases: list[tuple[list[Place], str, str]] = [
        ([Place(one.pk, ("mask",), 1)], "functions", "mask"),
        ([Place(one.pk, (), 1)], "functions", ""),
        ([Place(one.pk, ("alarm",), -1)], "run_m", "-1"),
        ([Place(one.pk, ("alarm",), float("nan"))], "run_m", "nan"),
        ([Place(one.pk, ("alarm",), 1), Place(one.pk, ("tamper",), 1)], "device", str(one.pk)),
        ([Place(foreign.pk, ("alarm",), 1)], "device", str(foreign.pk)),
        ([Place(two.pk, ("alarm",), 1)], "circuit", "2"),  # two wires make one pair, and it is on circuit 2
        ([Place(four.pk, ("alarm", "tamper"), 1)], "functions", "tamper"),  # it travels on circuit 2 already
    ]
    before = list(CircuitPlace.objects.order_by("pk").values())
    for places, field, value in cases:
        with pytest.raises(InvalidInput) as error:
            set_circuit_places(kit.circuits[0], places, by=engineer)
        assert refusal(error) == (field, value, True)
    assert list(CircuitPlace.objects.order_by("pk").values()) == before
    set_circuit_places(kit.circuits[0], [Place(four.pk, ("alarm",), 1)], by=engineer)


def test_mask_travels_only_where_the_topology_carries_it(engineer: User, branch: Branch) -> None:
    kit = site_with(branch)
    masked = make.DeviceFactory.create(system=kit.panel.system, variant=variant(anti_mask=True))
    with pytest.raises(InvalidInput, match="cannot carry the mask signal"):
        set_circuit_places(kit.circuits[0], [Place(masked.pk, ("alarm", "mask"), 1)], by=engineer)
    kit.circuits[0].topology = topology("triple-eol")
    kit.circuits[0].save()
    set_circuit_places(kit.circuits[0], [Place(masked.pk, ("alarm", "mask"), 1)], by=engineer)
    with pytest.raises(InvalidInput, match="has no mask output"):
        set_circuit_places(kit.circuits[0], [Place(kit.devices[0].pk, ("mask",), 1)], by=engineer)
