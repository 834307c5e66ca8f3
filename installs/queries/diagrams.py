"""Circuits as drawings: the record's rows turned into what the drawing rules take, and the pictures kept."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.core.cache import cache
from django.db.models import QuerySet

from config.accounts.models import Firm
from installs.models import Circuit, CircuitPlace, InputBand, Site
from installs.queries import scope
from installs.queries.loop_values import (
    CIRCUIT_FIELDS,
    DEVICE_FIELDS,
    HAND_WIRED_TOLERANCE_PERCENT,
    PLACE_FIELDS,
    kept_or_computed,
    resistor_values,
)
from installs.queries.sheet_rows import Band, LoopSheet
from installs.rules.diagram.picture import EDITION, Picture, draw
from installs.rules.diagram.record import DrawnCircuit, DrawnDevice, DrawnResistor
from installs.rules.diagram.words import steps, summary
from installs.rules.errors import RuleError
from installs.rules.topology import EOL, parse_topology

if TYPE_CHECKING:
    from config.accounts.models import User

# The circuit; its places with their devices.
CIRCUIT_STATEMENTS = 2
# The site; its circuits; their places with devices; the bands of the inputs; the firm.
SHEETS_STATEMENTS = 5
# Drawings taller than this, in units of the drawing, are set in two columns on paper.
LONG = 700.0
_KEPT_S = 30 * 86_400

_CIRCUIT = (
    *CIRCUIT_FIELDS, "profile__code", "topology__name", "cable_type__name", "panel__place", "panel__type__name",
    "panel__system__name", "panel__system__site_id", "panel__system__site__name", "panel__system__site__reference",
    "loop_table__stale", "loop_table__table",
)
_DEVICE = (*DEVICE_FIELDS, "position", "changed_at", "board__item__name")


@dataclass(frozen=True)
class CircuitDiagram:
    """A circuit's drawing with the same in words. No picture: `why_not` says why."""

    circuit_id: int
    number: int
    zone: str
    site_id: int
    site_name: str
    site_reference: str
    system: str
    panel: str
    topology: str
    profile: str
    cable: str
    total_run_m: float
    picture: Picture | None
    summary: str
    steps: tuple[str, ...]
    why_not: str = ""

    @property
    def is_long(self) -> bool:
        return self.picture is not None and self.picture.height > LONG


@dataclass(frozen=True)
class WiringSheet:
    """One circuit on paper: how it is wired and what the meter should read."""

    diagram: CircuitDiagram
    loop: LoopSheet


@dataclass(frozen=True)
class WiringSheets:
    """Every circuit of a site for printing. `recorded_at`: the latest change of a device on them."""

    site_id: int
    name: str
    reference: str
    town: str
    cautions: str
    firm: str
    recorded_at: datetime | None
    sheets: tuple[WiringSheet, ...]


def circuit_diagram(user: User, circuit_id: int) -> CircuitDiagram | None:
    """The drawing of a circuit in CIRCUIT_STATEMENTS statements; None if there is no such or it is out of reach."""
    circuit: Any = scope.circuits(user).filter(pk=circuit_id).values(*_CIRCUIT).first()
    if circuit is None:
        return None
    places, devices = _placed(CircuitPlace.objects.filter(circuit_id=circuit_id))
    return _diagram(circuit, places.get(circuit_id, []), devices)


def wiring_sheets(user: User, site_id: int) -> WiringSheets | None:
    """The sheets of a site in SHEETS_STATEMENTS statements; None if there is no such or it is out of reach."""
    fields = ("id", "name", "reference", "town", "cautions")
    site: Any = Site.objects.visible_to(user).filter(pk=site_id).values(*fields).first()
    if site is None:
        return None
    circuits: list[Any] = list(
        Circuit.objects.filter(panel__system__site_id=site_id).order_by("panel_id", "number").values(*_CIRCUIT)
    )
    places, devices = _placed(CircuitPlace.objects.filter(circuit__panel__system__site_id=site_id))
    bands: dict[int, list[Band]] = defaultdict(list)
    for band in InputBand.objects.filter(
        profile_id__in={circuit["profile_id"] for circuit in circuits} or {0}
    ).order_by("profile_id", "low_ohm"):
        bands[band.profile_id].append(Band(band.state, band.low_ohm, band.high_ohm))
    firm = Firm.objects.values_list("name", flat=True).first()
    return WiringSheets(
        site_id=site_id,
        name=site["name"],
        reference=site["reference"],
        town=site["town"],
        cautions=site["cautions"],
        firm=firm or "",
        recorded_at=max((device["changed_at"] for device in devices.values()), default=None),
        sheets=tuple(
            WiringSheet(
                diagram=_diagram(circuit, places.get(circuit["id"], []), devices),
                loop=kept_or_computed(
                    circuit, places.get(circuit["id"], []), devices, bands.get(circuit["profile_id"], ())
                ),
            )
            for circuit in circuits
        ),
    )


def drawn_circuit(
    circuit: Mapping[str, Any], places: Sequence[Mapping[str, Any]], devices: Mapping[int, Mapping[str, Any]]
) -> DrawnCircuit:
    """The record as the drawing rules take it; no SQL. Raises RuleError for a topology that cannot be read."""
    eol_ohm = circuit["eol_ohm"]
    return DrawnCircuit(
        input_name=f"Panel input {circuit['number']}",
        zone=circuit["zone"],
        topology=parse_topology(circuit["topology__circuit"]),
        cable=circuit["cable_type__name"],
        devices=tuple(_drawn_device(place, devices[place["device_id"]]) for place in places),
        hand_wired_eol=None if eol_ohm is None else DrawnResistor(
            EOL, float(eol_ohm), HAND_WIRED_TOLERANCE_PERCENT, hand_wired=True
        ),
    )


def picture_of(circuit: DrawnCircuit) -> Picture:
    """The drawing, from the cache where the same was drawn before: ten devices take 50 ms to draw, 1 ms to fetch."""
    # The dataclass prints all that it holds, and nothing that differs between processes.
    key = f"diagram:{EDITION}:{hashlib.sha256(repr(circuit).encode()).hexdigest()}"
    kept = cache.get(key)
    if isinstance(kept, Picture):
        return kept
    picture = draw(circuit)
    cache.set(key, picture, _KEPT_S)
    return picture


def _drawn_device(place: Mapping[str, Any], device: Mapping[str, Any]) -> DrawnDevice:
    by_hand = {role for role, ohm in (device["hand_wired"] or {}).items() if ohm is not None}
    on_board = float(device["board__tolerance_percent"] or HAND_WIRED_TOLERANCE_PERCENT)
    own = place["topology__circuit"]
    return DrawnDevice(
        mark=device["mark"],
        position=device["position"],
        functions=tuple(place["functions"]),
        resistors=tuple(
            DrawnResistor(
                role, ohm, HAND_WIRED_TOLERANCE_PERCENT if role in by_hand else on_board, hand_wired=role in by_hand
            )
            for role, ohm in sorted(resistor_values(device).items())
        ),
        run_m=place["run_m"],
        board=device["board__item__name"] or "",
        topology=None if own is None else parse_topology(own),
    )


def _placed(places: QuerySet[CircuitPlace]) -> tuple[dict[int, list[dict[str, Any]]], dict[int, dict[str, Any]]]:
    """Places by circuit, in order, and the devices on them; devices that were removed are not there any more."""
    rows = (
        places.filter(device__removed_on=None)
        .order_by("circuit_id", "order")
        .values(*PLACE_FIELDS, *(f"device__{name}" for name in _DEVICE))
    )
    by_circuit: dict[int, list[dict[str, Any]]] = defaultdict(list)
    devices: dict[int, dict[str, Any]] = {}
    for row in rows:
        by_circuit[row["circuit_id"]].append({name: value for name, value in row.items() if "device__" not in name})
        devices[row["device_id"]] = {name: row[f"device__{name}"] for name in _DEVICE}
    return by_circuit, devices


def _diagram(
    circuit: Mapping[str, Any], places: Sequence[Mapping[str, Any]], devices: Mapping[int, Mapping[str, Any]]
) -> CircuitDiagram:
    picture: Picture | None = None
    words: tuple[str, ...] = ()
    in_short = why_not = ""
    try:
        drawn = drawn_circuit(circuit, places, devices)
        picture, words, in_short = picture_of(drawn), steps(drawn), summary(drawn)
    except RuleError as error:
        why_not = f"Cannot be drawn from the record: {error.message}. {error.remedy}"
    place = circuit["panel__place"]
    return CircuitDiagram(
        circuit_id=circuit["id"],
        number=circuit["number"],
        zone=circuit["zone"],
        site_id=circuit["panel__system__site_id"],
        site_name=circuit["panel__system__site__name"],
        site_reference=circuit["panel__system__site__reference"],
        system=circuit["panel__system__name"],
        panel=circuit["panel__type__name"] + (f", {place}" if place else ""),
        topology=circuit["topology__name"],
        profile=circuit["profile__code"],
        cable=circuit["cable_type__name"],
        total_run_m=sum(row["run_m"] for row in places),
        picture=picture,
        summary=in_short,
        steps=words,
        why_not=why_not,
    )
