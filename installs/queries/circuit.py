"""One circuit on a page of its own: what the meter should read there, and how it is wired."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from config.accounts.models import Firm
from installs.models import CircuitPlace, InputBand
from installs.queries import scope
from installs.queries.loop_values import (
    CIRCUIT_FIELDS,
    DEVICE_FIELDS,
    PLACE_FIELDS,
    expected_values,
    from_kept,
    is_kept,
    resistor_values,
)
from installs.queries.sheet_rows import Band, ExpectedReading, LoopSheet
from installs.rules.panel_inputs import PanelInput, volts_at

if TYPE_CHECKING:
    from config.accounts.models import User

# Circuit with its kept table, places with devices, bands; one more for the firm's margin while the table is stale.
STATEMENTS = 3


@dataclass(frozen=True)
class VoltBand:
    """A band of the panel's input; volts where the maker gives it in terminal volts."""

    state: str
    low_ohm: float
    high_ohm: float | None
    low_v: float | None
    high_v: float | None


@dataclass(frozen=True)
class CircuitDevice:
    """A device's place on the circuit, `at_m` metres of cable from the panel. `otherwise` names its own wiring where it
    is not the circuit's."""

    id: int
    mark: str
    position: str
    run_m: float
    at_m: float
    functions: tuple[str, ...]
    otherwise: str
    board: str
    resistors: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class CircuitPage:
    """Everything that the page shows. `states` pairs each state with its terminal volts, pair connected, where the
    input has a reference and a pull-up; `kept`: the loop was read and not computed for this look."""

    id: int
    number: int
    zone: str
    site_id: int
    site_reference: str
    site_name: str
    cautions: str
    panel_id: int
    panel_place: str
    topology: str
    profile: str
    panel_type: str
    reference_v: float | None
    pull_up_ohm: float | None
    cable: str
    eol_ohm: int | None
    eol_at_last_device: bool
    total_run_m: float
    loop: LoopSheet
    kept: bool
    bands: tuple[VoltBand, ...]
    devices: tuple[CircuitDevice, ...]
    states: tuple[tuple[ExpectedReading, float | None], ...]


def circuit_page(user: User, circuit_id: int) -> CircuitPage | None:
    """The circuit, or None if there is none or the person may not open its site. STATEMENTS statements, one more for a
    circuit whose loop table is stale."""
    row: Any = scope.circuits(user).filter(pk=circuit_id).values(
        *CIRCUIT_FIELDS, "panel_id", "topology__name", "profile__code", "profile__reference_v", "profile__pull_up_ohm",
        "panel__type__name", "cable_type__name", "panel__system__site_id", "panel__system__site__reference",
        "panel__system__site__name",
        "panel__system__site__cautions", "panel__place", "loop_table__stale", "loop_table__table",
    ).first()
    if row is None:
        return None
    places: list[Any] = list(
        CircuitPlace.objects.filter(circuit_id=circuit_id, device__removed_on=None).order_by("order").values(
            *PLACE_FIELDS, "topology__name", "device__position", "device__board__item__name",
            *(f"device__{name}" for name in DEVICE_FIELDS),
        )
    )
    devices = {place["device_id"]: {name: place[f"device__{name}"] for name in DEVICE_FIELDS} for place in places}
    bands = tuple(
        VoltBand(band.state, band.low_ohm, band.high_ohm, band.low_v, band.high_v)
        for band in InputBand.objects.filter(profile_id=row["profile_id"]).order_by("low_ohm")
    )
    kept = is_kept(row)
    loop = from_kept(row["loop_table__table"]) if kept else _computed(row, places, devices, bands)
    return CircuitPage(
        id=row["id"],
        number=row["number"],
        zone=row["zone"],
        site_id=row["panel__system__site_id"],
        site_reference=row["panel__system__site__reference"],
        site_name=row["panel__system__site__name"],
        cautions=row["panel__system__site__cautions"],
        panel_id=row["panel_id"],
        panel_place=row["panel__place"],
        topology=row["topology__name"],
        profile=row["profile__code"],
        panel_type=row["panel__type__name"],
        reference_v=row["profile__reference_v"],
        pull_up_ohm=row["profile__pull_up_ohm"],
        cable=row["cable_type__name"],
        eol_ohm=row["eol_ohm"],
        eol_at_last_device=row["eol_ohm"] is None and row["topology__circuit"].get("end") != "link",
        total_run_m=sum(place["run_m"] for place in places),
        loop=loop,
        kept=kept,
        bands=bands,
        devices=_devices(places, devices),
        states=tuple((line, _volts(row, line)) for line in loop.readings),
    )


def _devices(
    places: Sequence[Mapping[str, Any]], devices: Mapping[int, Mapping[str, Any]]
) -> tuple[CircuitDevice, ...]:
    found = []
    at_m = 0.0
    for place in places:
        at_m += place["run_m"]
        found.append(
            CircuitDevice(
                id=place["device_id"],
                mark=place["device__mark"],
                position=place["device__position"],
                run_m=place["run_m"],
                at_m=at_m,
                functions=tuple(place["functions"]),
                otherwise=place["topology__name"] or "",
                board=place["device__board__item__name"] or "",
                resistors=tuple(resistor_values(devices[place["device_id"]]).items()),
            )
        )
    return tuple(found)


def _computed(
    row: Mapping[str, Any],
    places: Sequence[Mapping[str, Any]],
    devices: Mapping[int, Mapping[str, Any]],
    bands: Sequence[VoltBand],
) -> LoopSheet:
    """The table of a record that changed since its table was kept: slower, but never an old value. 1 statement."""
    enough = Firm.objects.values_list("loop_margin_percent", flat=True).first()
    known = [Band(band.state, band.low_ohm, band.high_ohm) for band in bands]
    return expected_values(row, places, devices, known, enough_percent=2.0 if enough is None else float(enough))


def _volts(row: Mapping[str, Any], line: ExpectedReading) -> float | None:
    if row["profile__reference_v"] is None or row["profile__pull_up_ohm"] is None:
        return None
    panel_input = PanelInput(row["profile__reference_v"], row["profile__pull_up_ohm"])
    return round(float(volts_at(panel_input, math.inf if line.nominal_ohm is None else line.nominal_ohm)), 2)
