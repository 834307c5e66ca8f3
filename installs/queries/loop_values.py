"""What a panel should measure on a circuit in every state, from the record's rows through the loop rules."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from installs.queries.sheet_rows import Band, ExpectedReading, LoopSheet
from installs.rules import bands as band_rules
from installs.rules import loops
from installs.rules.errors import RuleError
from installs.rules.resistors import spoken_ohm
from installs.rules.topology import parse_topology

# Hand-wired resistors are 1 % metal film (common practice, no source).
HAND_WIRED_TOLERANCE_PERCENT = 1.0

_VERDICTS = {
    "right": "Every state reads right at the panel, within all tolerances.",
    "marginal": "Reads right at nominal values, but with no margin for tolerance, temperature or several signals.",
    "wrong": "The panel does not read every state right.",
}
_OUTCOMES = {"right": "reads right", "marginal": "marginal", "wrong": "reads wrong"}
_SINGLE = ("normal", "alarm", "tamper", "mask", "fault")
_STATE_WORDS = {"alarm": "in alarm", "tamper": "with tamper open", "mask": "masked", "fault": "in fault",
                "alarm+mask": "in alarm and masked"}


def resistor_values(device: Mapping[str, Any]) -> dict[str, float]:
    """The device's resistors in ohms by role: the board's presets, and hand-wired ones over them."""
    values: dict[str, float] = {}
    if device["board__presets_values"]:
        for role in ("eol", "alarm", "mask"):
            ohm = device[f"board__{role}_ohm"]
            if ohm is not None:
                values[role] = float(ohm)
    hand_wired = device["hand_wired"] or {}
    return values | {role: float(ohm) for role, ohm in hand_wired.items() if ohm is not None}


def loop_of(
    circuit: Mapping[str, Any], places: Sequence[Mapping[str, Any]], devices: Mapping[int, Mapping[str, Any]]
) -> loops.Loop:
    """The circuit as the loop rules take it. Raises RuleError for a topology that cannot be read."""
    members = [devices[place["device_id"]] for place in places]
    tolerances = [
        HAND_WIRED_TOLERANCE_PERCENT,
        *(float(d["board__tolerance_percent"]) for d in members if d["board__tolerance_percent"] is not None),
    ]
    return loops.Loop(
        topology=parse_topology(circuit["topology__circuit"]),
        devices=tuple(
            loops.LoopDevice(
                key=str(device["id"]),
                label=device["mark"],
                functions=frozenset(place["functions"]),
                resistor_ohm=resistor_values(device),
                cable_run_m=place["run_m"],
            )
            for place, device in zip(places, members, strict=True)
        ),
        cable=loops.CableSpec(
            circuit["cable_type__ohm_per_km_20"], circuit["cable_type__temperature_coefficient_per_k"]
        ),
        eol_ohm=None if circuit["eol_ohm"] is None else float(circuit["eol_ohm"]),
        # The worst resistor on the loop speaks for all: a bound, never too hopeful.
        tolerance_percent=max(tolerances),
    )


def expected_values(
    circuit: Mapping[str, Any],
    places: Sequence[Mapping[str, Any]],
    devices: Mapping[int, Mapping[str, Any]],
    bands: Sequence[Band],
) -> LoopSheet:
    """Expected readings of the circuit at the panel with the verdict in words; no SQL.

    `circuit`, `places` and `devices` are the rows that the sheet reads. A record that cannot be computed
    with gives no readings and says why.
    """
    if not places:
        return LoopSheet((), "", healthy=False, verdict="No device is recorded here, so nothing can be computed.")
    marks = {str(place["device_id"]): devices[place["device_id"]]["mark"] for place in places}
    try:
        loop = loop_of(circuit, places, devices)
        table = loops.state_table(loop, [band_rules.Band(b.state, b.low_ohm, b.high_ohm) for b in bands])
        verdict = loops.verdict_of(loop, table)
    except RuleError as error:
        return LoopSheet(
            (), "", healthy=False,
            verdict=f"Cannot be computed from the record: {error.message}. {error.remedy}",
        )
    readings = _readings(table, marks)
    if not bands:
        return LoopSheet(
            readings, _short(readings), healthy=False,
            verdict="The bands of this panel input are not recorded, so nothing says how it reads these values.",
        )
    return LoopSheet(
        readings=readings,
        short=_short(readings),
        healthy=verdict.outcome == "right",
        verdict=" ".join([_VERDICTS[verdict.outcome], *verdict.reasons]),
        notes=verdict.notes,
    )


def _short(readings: Sequence[ExpectedReading]) -> str:
    """'normal 4.7 kΩ, alarm 9.4 kΩ, tamper open circuit'; a state of several values says from where to where."""
    values: dict[str, list[float]] = {}
    for reading in readings:
        if reading.state in _SINGLE:
            ohm = math.inf if reading.nominal_ohm is None else reading.nominal_ohm
            values.setdefault(reading.state, []).append(ohm)
    return ", ".join(
        f"{state} {spoken_ohm(min(ohms))}" + (f" to {spoken_ohm(max(ohms))}" if len(ohms) > 1 else "")
        for state, ohms in values.items()
    )


def _ohm(value: float) -> float | None:
    return None if math.isinf(value) else round(value, 1)


def _readings(table: Sequence[loops.StateRow], marks: Mapping[str, str]) -> tuple[ExpectedReading, ...]:
    """The table with equal values of one state drawn together: on a series loop every device's alarm is one value."""
    groups: dict[tuple[Any, ...], list[loops.StateRow]] = {}
    carriers: dict[str, int] = {}
    for row in table:
        key = (row.state, _ohm(row.nominal_ohm), _ohm(row.least_ohm), _ohm(row.greatest_ohm), row.reads)
        groups.setdefault(key, []).append(row)
        carriers[row.state] = carriers.get(row.state, 0) + 1
    return tuple(_reading(rows, carriers[rows[0].state], marks) for rows in groups.values())


def _reading(rows: Sequence[loops.StateRow], carriers: int, marks: Mapping[str, str]) -> ExpectedReading:
    row = rows[0]
    label = row.label
    if row.device_key and len(marks) > 1:
        everyone = len(rows) == carriers and carriers > 1
        who = "Any device" if everyone else ", ".join(marks[r.device_key] for r in rows)
        label = f"{who} {_STATE_WORDS[row.state]}"
    return ExpectedReading(
        state=row.state,
        label=label,
        nominal_ohm=_ohm(row.nominal_ohm),
        least_ohm=_ohm(row.least_ohm),
        greatest_ohm=_ohm(row.greatest_ohm),
        reads_as=" or ".join("nothing defined" if state is None else state for state in row.reads),
        right=row.outcome == "right",
        words=_OUTCOMES[row.outcome],
    )
