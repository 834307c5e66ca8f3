"""Cores behind backplates, and devices on circuits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from config.accounts.models import User
from config.errors import InvalidInput
from installs.models import Circuit, CircuitPlace, Device
from installs.services import checks
from installs.services.devices import locked
from installs.services.loop_tables import keep_loop_tables
from installs.services.refusals import recorded

LONGEST_RUN_M = 1_000.0


@dataclass(frozen=True)
class Place:
    """A device on a circuit: what it carries there, and metres of cable from the panel or the device before."""

    device_id: int
    functions: tuple[str, ...]
    run_m: float


def land_cores(
    device: Device,
    core_landings: Mapping[str, str | None],
    *,
    by: User,
    read_at: datetime | None = None,
    signalling_wires: int | None = None,
) -> Device:
    """Record which core lies on which backplate terminal, and how many signalling wires that makes.

    A core that is not named is spare. Raises InvalidInput for a core or terminal that is not there.
    """
    with recorded(by):
        now = locked(device, read_at)
        now.core_landings = checks.landings(now.cable_type, now.backplate, core_landings)
        if signalling_wires is not None:
            checks.parts_fit(now.variant, now.backplate, now.board, signalling_wires)
            landed = sum(1 for t in now.core_landings.values() if t is not None and t not in {"+", "-"})
            if landed < signalling_wires:
                raise InvalidInput(
                    f"{signalling_wires} signalling wires need as many landed cores; {landed} are landed.",
                    field="signalling_wires", value=signalling_wires,
                    remedy="Land the spare cores as well, or record fewer wires.",
                )
            now.signalling_wires = signalling_wires
        now.save(update_fields=["core_landings", "signalling_wires", "changed_at"])
    return now


def set_circuit_places(circuit: Circuit, places: Sequence[Place], *, by: User) -> list[CircuitPlace]:
    """Record which devices are on a circuit, in order from the panel, replacing what was recorded.

    Raises InvalidInput when a device is not of the circuit's system, is named twice, carries a signal that the
    topology or the device cannot, or has too few wires for the circuits that it would be on.
    """
    with recorded(by):
        now = (
            Circuit.objects.select_for_update(of=("self",)).select_related("topology", "panel").get(pk=circuit.pk)
        )
        keys = [place.device_id for place in places]
        devices = {
            device.pk: device
            for device in Device.objects.select_for_update(of=("self",))
            .filter(pk__in=keys, system_id=now.panel.system_id, removed_on=None)
            .select_related("variant")
            .order_by("pk")
        }
        elsewhere: dict[int, list[CircuitPlace]] = {}
        for other in CircuitPlace.objects.filter(device_id__in=keys).exclude(circuit=now):
            elsewhere.setdefault(other.device_id, []).append(other)
        for number, place in enumerate(places, start=1):
            device = devices.get(place.device_id)
            if device is None or place.device_id in keys[: number - 1]:
                raise InvalidInput(
                    f"Place {number}: device {place.device_id} is not a live device of this system, or is named twice.",
                    field="device", value=place.device_id, remedy="Name each device of the system once.",
                )
            if not (math.isfinite(place.run_m) and 0 <= place.run_m <= LONGEST_RUN_M):
                raise InvalidInput(
                    f"Place {number}: the cable run cannot be {place.run_m} m.", field="run_m", value=place.run_m,
                    remedy=f"Write metres from 0 to {LONGEST_RUN_M:g}.",
                )
            checks.carried(now, device, place.functions)
            others = elsewhere.get(device.pk, [])
            checks.wires_suffice(
                device,
                {now.pk, *(other.circuit_id for other in others)},
                [*place.functions, *(function for other in others for function in other.functions)],
            )
        CircuitPlace.objects.filter(circuit=now).delete()
        placed = CircuitPlace.objects.bulk_create(
            CircuitPlace(
                circuit=now, device_id=place.device_id, order=number, functions=list(place.functions),
                run_m=place.run_m,
            )
            for number, place in enumerate(places, start=1)
        )
        keep_loop_tables([now.pk])
        return placed
