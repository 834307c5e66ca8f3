"""Everything that the record says of a circuit's loop: what the meter should read, how the panel reads it, with how
much margin, and what would cure too little of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from installs.rules.bands import Band, accepted_spans, check_bands, readings
from installs.rules.loop_grid import Grid, Signal, all_states
from installs.rules.loop_states import CableSpec, Loop, Seen, StateInterval, far_end_intervals
from installs.rules.loops import (
    COMBINED_STATES,
    StateRow,
    indistinguishable,
    longest_cable_m,
    state_table,
    verdict_of,
)
from installs.rules.resistors import spoken_ohm

Outcome = Literal["right", "thin", "marginal", "wrong"]
_DONE = {"alarm": "in alarm", "tamper": "tamper open", "mask": "masked", "fault": "in fault"}
_FINE_PERCENT = 1.0


@dataclass(frozen=True)
class NamedCable:
    """A cable of the catalogue that the circuit could have been wired in."""

    name: str
    area_mm2: float
    spec: CableSpec


@dataclass(frozen=True)
class NamedBoard:
    """A board of the catalogue that could stand in: values by role in ohms."""

    name: str
    resistor_ohm: Mapping[str, float]


@dataclass(frozen=True)
class ReportRow:
    """A state of one signal at most (or all devices in alarm): at the panel with how it is read, and across the far end
    with the pair off the panel, its cores there open or joined. `margin_percent` is of the nominal value."""

    panel: StateRow
    far_open: StateInterval
    far_joined: StateInterval
    margin_percent: float | None


@dataclass(frozen=True)
class DoubleRow:
    """Two signals at once: `labels` are all the pairs that give the same values. `right`: read as some signal or other
    throughout."""

    labels: tuple[str, ...]
    nominal_ohm: float
    least_ohm: float
    greatest_ohm: float
    reads: tuple[str | None, ...]
    right: bool


@dataclass(frozen=True)
class LoopReport:
    """See the fields' names; ohms throughout. `thin`: right, but a state lies nearer to an edge than was asked for."""

    rows: tuple[ReportRow, ...]
    doubles: tuple[DoubleRow, ...]
    outcome: Outcome
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    alike: tuple[str, ...]
    nearest: ReportRow | None
    normal_band: tuple[float, float | None] | None
    longest_cable_m: float | None
    cause: str = ""
    cure: str = ""


def report(
    loop: Loop,
    bands: Sequence[Band],
    *,
    cables: Sequence[NamedCable] = (),
    boards: Sequence[NamedBoard] = (),
    enough_percent: float = 2.0,
) -> LoopReport:
    """The report on one loop on an input with these bands. Cause and cure are given when the outcome is not right;
    every cure offered was computed and makes it right. Raises RuleError."""
    ordered = check_bands(bands)
    seen = Seen(loop)
    rows = _rows(loop, ordered, seen)
    table = [row.panel for row in rows]
    verdict = verdict_of(loop, table)
    outcome, nearest = _outcome(rows, enough_percent)
    longest = longest_cable_m(loop, ordered)
    cause, cure = "", ""
    if outcome != "right" and ordered:
        cause = _cause(loop, ordered, outcome, nearest, rows)
        cure = _cure(loop, ordered, longest, cables, boards, enough_percent)
    normal = next(row.panel for row in rows if row.panel.state == "normal")
    return LoopReport(
        rows=rows,
        doubles=_doubles(loop, ordered, seen),
        outcome=outcome,
        reasons=verdict.reasons,
        notes=verdict.notes,
        alike=tuple(clash.reason for clash in indistinguishable(table)),
        nearest=nearest,
        normal_band=_span_of(ordered, normal),
        longest_cable_m=longest,
        cause=cause,
        cure=cure,
    )


def _rows(loop: Loop, bands: Sequence[Band], seen: Seen) -> tuple[ReportRow, ...]:
    far_open, far_joined = (far_end_intervals(loop, joined=joined, seen=seen) for joined in (False, True))
    return tuple(
        ReportRow(row, opened, joined, _percent(row))
        for row, opened, joined in zip(state_table(loop, bands, seen), far_open, far_joined, strict=True)
    )


def _percent(row: StateRow) -> float | None:
    if row.margin_ohm is None or math.isinf(row.margin_ohm):
        return None
    # A state of 0 ohm has nothing to take a percentage of; its band's edge stands in.
    size = row.nominal_ohm if row.nominal_ohm > 0 else abs(row.margin_ohm) + row.greatest_ohm
    return 100.0 * row.margin_ohm / size if size > 0 and math.isfinite(size) else None


def _outcome(rows: Sequence[ReportRow], enough_percent: float) -> tuple[Outcome, ReportRow | None]:
    """The outcome, and the row that lies nearest to an edge (or farthest beyond it)."""
    single = [row for row in rows if row.panel.state not in COMBINED_STATES and row.margin_percent is not None]
    nearest = min(single, key=lambda row: row.margin_percent or 0.0, default=None)
    found = {row.panel.outcome for row in rows}
    if "wrong" in found:
        return "wrong", nearest
    if "marginal" in found:
        return "marginal", nearest
    thin = nearest is not None and (nearest.margin_percent or 0.0) < enough_percent
    return ("thin" if thin else "right"), nearest


def _span_of(bands: Sequence[Band], normal: StateRow) -> tuple[float, float | None] | None:
    spans = accepted_spans(bands, ("normal",))
    for low, high in spans:
        if low <= normal.nominal_ohm and (high is None or normal.nominal_ohm < high):
            return low, high
    return spans[0] if spans else None


def _doubles(loop: Loop, bands: Sequence[Band], seen: Seen) -> tuple[DoubleRow, ...]:
    grid = all_states(loop, seen)
    groups: dict[tuple[tuple[str, ...], float, float, float], list[str]] = {}
    for state, nominal, least, greatest in _pairs(grid):
        # To a tenth of an ohm, as the meter shows them.
        names = tuple(sorted(name for _, name in state))
        key = names, round(nominal, 1), round(least, 1), round(greatest, 1)
        groups.setdefault(key, []).append(_label(loop, state))
    rows = []
    for (names, nominal, least, greatest), labels in groups.items():
        reads = readings(bands, least, greatest) if bands else (None,)
        right = all(read is not None and read != "normal" for read in reads)
        if names == ("alarm", "alarm"):
            right = set(reads) <= {"alarm"}
        rows.append(DoubleRow(tuple(labels), nominal, least, greatest, reads, right))
    return tuple(sorted(rows, key=lambda row: (row.nominal_ohm, row.labels)))


def _pairs(grid: Grid) -> Iterator[tuple[tuple[Signal, ...], float, float, float]]:
    columns = (values[:, 0].tolist() for values in (grid.nominal_ohm, grid.least_ohm, grid.greatest_ohm))
    for state, nominal, least, greatest in zip(grid.states, *columns, strict=True):
        if len(state) == 2:
            yield state, nominal, least, greatest


def _label(loop: Loop, state: tuple[Signal, ...]) -> str:
    return " with ".join(f"{loop.devices[place].label} {_DONE[name]}" for place, name in state)


def _cause(
    loop: Loop, bands: Sequence[Band], outcome: Outcome, nearest: ReportRow | None, rows: Sequence[ReportRow]
) -> str:
    """What stands in the way most: the part that, made ideal, gains the most margin."""
    worst = next((row for row in rows if row.panel.outcome == outcome), nearest)
    if worst is None:
        return ""
    row = worst.panel
    where = f"{row.label} ({spoken_ohm(row.nominal_ohm)})"
    if row.margin_ohm is None:
        return f"{where}: the input has no band for {row.expected}."
    if math.isinf(row.nominal_ohm) or row.band not in row.accepted:
        reads = row.band or "undefined"
        if row.state in COMBINED_STATES:
            return f"{where} is read as {reads}: several signals at once leave the bands."
        return f"{where} is read as {reads}: the resistors or the wiring do not belong to this input."
    gains: dict[str, float] = {}
    for name, ideal in _ideal(loop).items():
        same = next(r for r in state_table(ideal, bands) if (r.state, r.device_key) == (row.state, row.device_key))
        gains[name] = (same.margin_ohm or 0.0) - row.margin_ohm
    name, gain = max(gains.items(), key=lambda item: item[1])
    least = f"{where} comes within {spoken_ohm(row.margin_ohm)} of the edge of its band" if row.margin_ohm >= 0 else (
        f"{where} may pass the edge of its band by {spoken_ohm(-row.margin_ohm)}"
    )
    return f"{least}; most of it is {name}, {spoken_ohm(gain)}." if gain > 0 else f"{least}."


def _ideal(loop: Loop) -> dict[str, Loop]:
    exact = tuple(replace(device, tolerance_percent=0.0) for device in loop.devices)
    return {
        "the cable": replace(loop, devices=tuple(replace(device, cable_run_m=0.0) for device in loop.devices)),
        "the resistors' tolerance": replace(
            loop, devices=exact, tolerance_percent=0.0, eol_tolerance_percent=0.0, resistor_ppm_per_k=0.0
        ),
        "contacts and joints": replace(loop, contact_ohm_max=0.0, joint_ohm_max=0.0),
    }


def _good(loop: Loop, bands: Sequence[Band], enough_percent: float) -> bool:
    """Whether every single signal reads right with enough margin. Several at once are left out: what they need is
    another input, not a cure of the loop."""
    rows = [row for row in state_table(loop, bands) if row.state not in COMBINED_STATES]
    percents = [percent for row in rows if (percent := _percent(row)) is not None]
    return all(row.outcome == "right" for row in rows) and min(percents, default=math.inf) >= enough_percent


def _cure(
    loop: Loop,
    bands: Sequence[Band],
    longest_m: float | None,
    cables: Sequence[NamedCable],
    boards: Sequence[NamedBoard],
    enough_percent: float,
) -> str:
    if _good(loop, bands, enough_percent):
        return ""
    cures = [
        *_shorter(loop, bands, longest_m, enough_percent),
        *_thicker(loop, bands, cables, enough_percent),
        *_finer(loop, bands, enough_percent),
        *_other_boards(loop, bands, boards, enough_percent),
    ]
    if not cures:
        return "Nothing that was tried here cures it alone: other resistors, or another setting of the input."
    words = ", or ".join(cures)
    return f"{words[0].upper()}{words[1:]}."


def _shorter(loop: Loop, bands: Sequence[Band], longest_m: float | None, enough_percent: float) -> Iterator[str]:
    present_m = sum(float(device.cable_run_m) for device in loop.devices)
    low, high = 0.0, min(present_m, longest_m or 0.0)
    if present_m <= 0 or longest_m is None or not _good(_shortened(loop, 0.0), bands, enough_percent):
        return
    while high - low > 0.5:
        middle = (low + high) / 2
        low, high = (middle, high) if _good(_shortened(loop, middle / present_m), bands, enough_percent) else (
            low, middle
        )
    less_m = math.ceil(present_m - low)
    if low > 0 and _good(_shortened(loop, max(present_m - less_m, 0.0) / present_m), bands, enough_percent):
        yield f"{less_m} m less of this cable"


def _shortened(loop: Loop, share: float) -> Loop:
    devices = (replace(device, cable_run_m=device.cable_run_m * share) for device in loop.devices)
    return replace(loop, devices=tuple(devices))


def _thicker(loop: Loop, bands: Sequence[Band], cables: Sequence[NamedCable], enough_percent: float) -> Iterator[str]:
    present = float(loop.cable.ohm_per_km_20)
    areas = [cable.area_mm2 for cable in cables if cable.spec == loop.cable]
    instead = f" instead of {areas[0]:g} mm²" if areas else ""
    for cable in sorted(cables, key=lambda cable: -float(cable.spec.ohm_per_km_20)):
        thicker = float(cable.spec.ohm_per_km_20) < present and cable.area_mm2 not in areas
        if thicker and _good(replace(loop, cable=cable.spec), bands, enough_percent):
            yield f"{cable.area_mm2:g} mm²{instead}"
            return


def _finer(loop: Loop, bands: Sequence[Band], enough_percent: float) -> Iterator[str]:
    own = [device.tolerance_percent for device in loop.devices if device.tolerance_percent is not None]
    present = max(float(value) for value in (loop.tolerance_percent, *own, loop.eol_tolerance_percent or 0.0))
    if present <= _FINE_PERCENT:
        return
    devices = tuple(replace(device, tolerance_percent=_FINE_PERCENT) for device in loop.devices)
    finer = replace(
        loop, devices=devices, tolerance_percent=_FINE_PERCENT, eol_tolerance_percent=_FINE_PERCENT
    )
    if _good(finer, bands, enough_percent):
        yield f"{_FINE_PERCENT:g} % resistors instead of {present:g} %"


def _other_boards(
    loop: Loop, bands: Sequence[Band], boards: Sequence[NamedBoard], enough_percent: float
) -> Iterator[str]:
    for board in boards:
        devices = tuple(replace(device, resistor_ohm=dict(board.resistor_ohm)) for device in loop.devices)
        eol_ohm = board.resistor_ohm.get("eol") if loop.eol_ohm is not None else None
        changed = replace(loop, devices=devices, eol_ohm=eol_ohm)
        roles = {role for device in loop.devices for role in device.resistor_ohm}
        if roles <= set(board.resistor_ohm) and _good(changed, bands, enough_percent):
            place = "in every device" if len(loop.devices) > 1 else "instead of what is there"
            yield f"{board.name} {place}"
            return
