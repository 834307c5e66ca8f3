"""What a panel should measure on a circuit in every state, from the record's rows through the loop rules."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from installs.queries.sheet_rows import Band, DoubleReading, ExpectedReading, LoopSheet
from installs.rules import bands as band_rules
from installs.rules import loops
from installs.rules.conductors import TEMPERATURES_C
from installs.rules.errors import RuleError
from installs.rules.loop_draws import leaving
from installs.rules.loop_report import LoopReport, NamedBoard, NamedCable, ReportRow, report
from installs.rules.resistors import spoken_ohm
from installs.rules.topology import parse_topology

# Common practice, no source: hand-wired resistors are 1 % metal film of 100 ppm/K, a closed relay contact and its
# terminals measure up to 0.5 ohm, the joints of one cable run up to 0.1 ohm.
HAND_WIRED_TOLERANCE_PERCENT = 1.0
RESISTOR_PPM_PER_K = 100.0
CONTACT_OHM_MAX = 0.5
JOINT_OHM_MAX = 0.1
# Enough to tell a chance of one in a hundred; 10 ms for a loop of 10 devices.
DRAWS = 4000
NO_ODDS: Mapping[tuple[str, str], float] = {}

# What the rows must hold, to be read by values(*...).
CIRCUIT_FIELDS = (
    "id", "number", "zone", "eol_ohm", "profile_id", "topology__circuit", "cable_type__ohm_per_km_20",
    "cable_type__temperature_coefficient_per_k", "cable_type__tolerance_percent",
    "panel__system__site__environmental_class",
)
DEVICE_FIELDS = (
    "id", "mark", "fitted_on", "hand_wired", "board__presets_values", "board__eol_ohm", "board__alarm_ohm",
    "board__mask_ohm", "board__tolerance_percent",
)
PLACE_FIELDS = ("circuit_id", "device_id", "order", "run_m", "functions", "topology__circuit")

_VERDICTS = {
    "right": "Every state reads right at the panel, within all tolerances.",
    "thin": "Every state reads right at the panel, but one of them only just.",
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
    """The circuit as the loop rules take it; no SQL. Raises RuleError for a topology that cannot be read."""
    members = [devices[place["device_id"]] for place in places]
    coldest_c, warmest_c = TEMPERATURES_C[circuit["panel__system__site__environmental_class"]]
    return loops.Loop(
        topology=parse_topology(circuit["topology__circuit"]),
        devices=tuple(
            loops.LoopDevice(
                key=str(device["id"]),
                label=device["mark"],
                functions=frozenset(place["functions"]),
                resistor_ohm=resistor_values(device),
                cable_run_m=place["run_m"],
                tolerance_percent=_tolerance_percent(device),
                topology=parse_topology(place["topology__circuit"]) if place["topology__circuit"] else None,
            )
            for place, device in zip(places, members, strict=True)
        ),
        cable=cable_spec(circuit, "cable_type__"),
        eol_ohm=None if circuit["eol_ohm"] is None else float(circuit["eol_ohm"]),
        tolerance_percent=HAND_WIRED_TOLERANCE_PERCENT,
        contact_ohm_max=CONTACT_OHM_MAX,
        joint_ohm_max=JOINT_OHM_MAX,
        resistor_ppm_per_k=RESISTOR_PPM_PER_K,
        least_temperature_c=coldest_c,
        greatest_temperature_c=warmest_c,
    )


def cable_spec(row: Mapping[str, Any], prefix: str = "") -> loops.CableSpec:
    """A cable type's row as the loop rules take it."""
    return loops.CableSpec(
        row[f"{prefix}ohm_per_km_20"],
        row[f"{prefix}temperature_coefficient_per_k"],
        row[f"{prefix}tolerance_percent"],
    )


def _tolerance_percent(device: Mapping[str, Any]) -> float:
    """The worst of the board's resistors and the hand-wired ones that the device has."""
    parts = [HAND_WIRED_TOLERANCE_PERCENT] if device["hand_wired"] else []
    if device["board__presets_values"] and device["board__tolerance_percent"] is not None:
        parts.append(float(device["board__tolerance_percent"]))
    return max(parts, default=HAND_WIRED_TOLERANCE_PERCENT)


def rule_bands(bands: Iterable[Band]) -> list[band_rules.Band]:
    """The panel input's bands as the rules take them."""
    return [band_rules.Band(band.state, band.low_ohm, band.high_ohm) for band in bands]


def expected_values(
    circuit: Mapping[str, Any],
    places: Sequence[Mapping[str, Any]],
    devices: Mapping[int, Mapping[str, Any]],
    bands: Sequence[Band],
    *,
    cables: Sequence[NamedCable] = (),
    boards: Sequence[NamedBoard] = (),
    enough_percent: float = 2.0,
) -> LoopSheet:
    """Expected readings of the circuit at the panel with the verdict in words; no SQL.

    `circuit`, `places` and `devices` are rows with at least CIRCUIT_FIELDS, PLACE_FIELDS and DEVICE_FIELDS. A record
    that cannot be computed with gives no readings and says why. `cables` and `boards` are what a cure may offer.
    """
    sheet = _expected(circuit, places, devices, bands, cables, boards, enough_percent)
    return replace(sheet, bands=tuple(bands))


def _expected(
    circuit: Mapping[str, Any],
    places: Sequence[Mapping[str, Any]],
    devices: Mapping[int, Mapping[str, Any]],
    bands: Sequence[Band],
    cables: Sequence[NamedCable],
    boards: Sequence[NamedBoard],
    enough_percent: float,
) -> LoopSheet:
    if not places:
        return LoopSheet((), "", healthy=False, verdict="No device is recorded here, so nothing can be computed.")
    try:
        loop = loop_of(circuit, places, devices)
        found = report(loop, rule_bands(bands), cables=cables, boards=boards, enough_percent=enough_percent)
        odds = {} if found.outcome == "right" or not bands else {
            (odd.state, odd.device_key): float(odd.probability)
            for odd in leaving(loop, rule_bands(bands), draws=DRAWS, seed=1)
        }
    except RuleError as error:
        return LoopSheet(
            (), "", healthy=False,
            verdict=f"Cannot be computed from the record: {error.message}. {error.remedy}",
        )
    marks = {str(place["device_id"]): devices[place["device_id"]]["mark"] for place in places}
    return sheet_of(found, marks, banded=bool(bands), odds=odds)


def sheet_of(
    found: LoopReport,
    marks: Mapping[str, str],
    *,
    banded: bool = True,
    odds: Mapping[tuple[str, str], float] = NO_ODDS,
) -> LoopSheet:
    """A report in words; `marks` names the devices by key. `banded`: the input's bands are known. `odds` holds, by
    state and device key, how likely the state is misread."""
    readings = _readings(found.rows, marks, odds)
    normal = next(row.panel for row in found.rows if row.panel.state == "normal")
    values = tuple(_ohm(value) for value in (normal.nominal_ohm, normal.least_ohm, normal.greatest_ohm))
    if not banded:
        return LoopSheet(
            readings, _short(readings), healthy=False, normal_ohm=values,
            verdict="The bands of this panel input are not recorded, so nothing says how it reads these values.",
        )
    nearest = found.nearest
    return LoopSheet(
        readings=readings,
        short=_short(readings),
        healthy=found.outcome == "right",
        verdict=" ".join([_VERDICTS[found.outcome], *found.reasons]),
        notes=found.notes,
        outcome=found.outcome,
        doubles=tuple(
            DoubleReading(
                labels=row.labels, nominal_ohm=_ohm(row.nominal_ohm), least_ohm=_ohm(row.least_ohm),
                greatest_ohm=_ohm(row.greatest_ohm), reads_as=_reads(row.reads), right=row.right,
            )
            for row in found.doubles
        ),
        alike=found.alike,
        cause=found.cause,
        cure=found.cure,
        nearest=nearest.panel.label if nearest else "",
        least_margin_ohm=_margin(nearest.panel.margin_ohm) if nearest else None,
        least_margin_percent=nearest.margin_percent if nearest else None,
        longest_cable_m=found.longest_cable_m,
        normal_ohm=values,
        normal_band_ohm=found.normal_band or (),
    )


def to_kept(sheet: LoopSheet) -> dict[str, Any]:
    """The sheet as JSON for the kept table."""
    return asdict(sheet)


def from_kept(kept: Mapping[str, Any]) -> LoopSheet:
    """The sheet from the JSON of `to_kept`."""

    def tuples(row: Mapping[str, Any]) -> dict[str, Any]:
        return {name: tuple(value) if isinstance(value, list) else value for name, value in row.items()}

    whole = tuples(kept)
    whole["readings"] = tuple(ExpectedReading(**tuples(row)) for row in kept["readings"])
    whole["bands"] = tuple(Band(**row) for row in kept["bands"])
    whole["doubles"] = tuple(DoubleReading(**tuples(row)) for row in kept["doubles"])
    return LoopSheet(**whole)


def is_kept(circuit: Mapping[str, Any]) -> bool:
    """Whether the circuit's row brings a loop table that is true to the record."""
    return bool(circuit["loop_table__table"]) and circuit["loop_table__stale"] is False


def kept_or_computed(
    circuit: Mapping[str, Any],
    places: Sequence[Mapping[str, Any]],
    devices: Mapping[int, Mapping[str, Any]],
    bands: Sequence[Band],
) -> LoopSheet:
    """The kept table; computed here where the record changed and nobody has kept it yet. No SQL."""
    if is_kept(circuit):
        return from_kept(circuit["loop_table__table"])
    return expected_values(circuit, places, devices, bands)


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


def _margin(value: float | None) -> float | None:
    return None if value is None or math.isinf(value) else round(value, 1)


def _reads(reads: Iterable[str | None]) -> str:
    return " or ".join("nothing defined" if state is None else state for state in reads)


def _readings(
    rows: Sequence[ReportRow], marks: Mapping[str, str], odds: Mapping[tuple[str, str], float]
) -> tuple[ExpectedReading, ...]:
    """The table with equal values of one state drawn together: on a series loop every device's alarm is one value."""
    groups: dict[tuple[Any, ...], list[ReportRow]] = {}
    carriers: dict[str, int] = {}
    for row in rows:
        panel = row.panel
        values = (panel.nominal_ohm, panel.least_ohm, panel.greatest_ohm, *_far(row.far_open), *_far(row.far_joined))
        key = (panel.state, panel.reads, *(_ohm(value) for value in values))
        groups.setdefault(key, []).append(row)
        carriers[panel.state] = carriers.get(panel.state, 0) + 1
    return tuple(_reading(group, carriers[group[0].panel.state], marks, odds) for group in groups.values())


def _far(interval: loops.StateInterval) -> tuple[float, float, float]:
    return float(interval.nominal_ohm), float(interval.least_ohm), float(interval.greatest_ohm)


def _reading(
    rows: Sequence[ReportRow], carriers: int, marks: Mapping[str, str], odds: Mapping[tuple[str, str], float]
) -> ExpectedReading:
    chance = max(odds.get((other.panel.state, other.panel.device_key), 0.0) for other in rows)
    row = rows[0].panel
    label = row.label
    if row.device_key and len(marks) > 1:
        everyone = len(rows) == carriers and carriers > 1
        who = "Any device" if everyone else ", ".join(marks[other.panel.device_key] for other in rows)
        label = f"{who} {_STATE_WORDS[row.state]}"
    return ExpectedReading(
        state=row.state,
        label=label,
        nominal_ohm=_ohm(row.nominal_ohm),
        least_ohm=_ohm(row.least_ohm),
        greatest_ohm=_ohm(row.greatest_ohm),
        reads_as=_reads(row.reads),
        right=row.outcome == "right",
        words=_OUTCOMES[row.outcome],
        far_open_ohm=tuple(_ohm(value) for value in _far(rows[0].far_open)),
        far_joined_ohm=tuple(_ohm(value) for value in _far(rows[0].far_joined)),
        margin_ohm=_margin(row.margin_ohm),
        margin_percent=None if rows[0].margin_percent is None else round(rows[0].margin_percent, 2),
        misread_percent=round(100 * chance, 1) or None,
    )
