"""A circuit as a loop of devices on a pair of cable: how the panel reads what it measures there.

The resistances come from `loop_states`, whose classes this module offers as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from installs.rules import ladder
from installs.rules.bands import Band, accepted_spans, check_bands, margin_ohm, reading, readings
from installs.rules.ladder import Rung
from installs.rules.loop_states import (
    CableSpec,
    Loop,
    LoopDevice,
    Seen,
    StateInterval,
    check_loop,
    run_ohm,
    single_states,
    state_intervals,
)
from installs.rules.network import Ohms, Pick
from installs.rules.resistors import spoken_ohm
from installs.rules.topology import Topology, functions, resistor_roles, sees_short

__all__ = [
    "Band",
    "CableSpec",
    "Clash",
    "Loop",
    "LoopDevice",
    "StateInterval",
    "StateRow",
    "Verdict",
    "check_loop",
    "expected_states",
    "indistinguishable",
    "longest_cable_m",
    "reads_values",
    "state_intervals",
    "state_table",
    "verdict",
    "verdict_of",
]

LONGEST_CABLE_M = 10_000.0
COMBINED_STATES = ("alarm+mask", "all-alarm")
_LIMITS = (Pick.LEAST, Pick.GREATEST)
_SIGNALS = ("alarm", "tamper", "mask", "fault")


@dataclass(frozen=True)
class StateRow:
    """A state's resistance and how the panel reads it.

    `expected` is the state it should be read as, `accepted` all that would do; `band` is what the nominal value is
    read as (None: undefined), `reads` all that it may be read as within the tolerances. `margin_ohm` is the distance
    to the nearest edge of the accepted bands, negative if the interval leaves them, None if the panel has none.
    """

    state: str
    device_key: str
    label: str
    nominal_ohm: float
    least_ohm: float
    greatest_ohm: float
    expected: str
    accepted: tuple[str, ...]
    band: str | None
    reads: tuple[str | None, ...]
    margin_ohm: float | None
    outcome: Literal["right", "marginal", "wrong"]


@dataclass(frozen=True)
class Clash:
    """Two states that the panel cannot tell apart, and why."""

    first: StateRow
    second: StateRow
    overlap: bool
    reason: str


@dataclass(frozen=True)
class Verdict:
    """How a panel input reads a loop: reasons say what is wrong or marginal, notes what cannot be seen at all."""

    outcome: Literal["right", "marginal", "wrong"]
    reasons: tuple[str, ...]
    notes: tuple[str, ...] = ()


def state_table(loop: Loop, bands: Sequence[Band], seen: Seen | None = None) -> tuple[StateRow, ...]:
    """Every state of one loop and how a panel input with these bands reads it. `seen` as for state_intervals. Raises
    RuleError."""
    ordered = check_bands(bands)
    return tuple(row_of(loop, ordered, interval) for interval in state_intervals(loop, seen))


def indistinguishable(table: Sequence[StateRow]) -> tuple[Clash, ...]:
    """Pairs of states that must be told apart and cannot: their intervals overlap, or they read as the same state.

    Two states must be told apart when no reading would be right for both; normal must be told apart from all.
    """
    clashes: list[Clash] = []
    for index, first in enumerate(table):
        for second in table[index + 1 :]:
            if set(first.accepted) & set(second.accepted):
                continue
            overlap = first.least_ohm <= second.greatest_ohm and second.least_ohm <= first.greatest_ohm
            if overlap:
                reason = f"{first.label} ({_span(first)}) and {second.label} ({_span(second)}) overlap"
            elif first.band is not None and first.band == second.band:
                reason = f"{first.label} and {second.label} are both read as {first.band}"
            else:
                continue
            clashes.append(Clash(first, second, overlap, reason))
    return tuple(clashes)


def verdict(loop: Loop, bands: Sequence[Band]) -> Verdict:
    """Whether a panel input with these bands reads every state of the loop right, with reasons in words.

    Marginal: right at nominal values, but not everywhere within the tolerances; or several signals at once are read
    as something else. Raises RuleError.
    """
    return verdict_of(loop, state_table(loop, bands))


def verdict_of(loop: Loop, table: Sequence[StateRow]) -> Verdict:
    """The verdict on a table that is already computed."""
    reasons: list[str] = []
    outcome: Literal["right", "marginal", "wrong"] = "right"
    for grade in ("wrong", "marginal"):
        reasons.extend(_reason(row) for row in table if row.outcome == grade)
    if any(row.outcome == "wrong" for row in table):
        outcome = "wrong"
    elif reasons:
        outcome = "marginal"
    # Overlapping states never both read right, so the outcome stands already; the overlap tells why.
    overlaps = (clash.reason for clash in indistinguishable(table) if clash.overlap)
    reasons.extend(f"{reason}: no panel can tell them apart." for reason in overlaps)
    notes = () if sees_short(loop.topology) else ("A short across the pair cannot be seen: it reads as normal.",)
    return Verdict(outcome, tuple(dict.fromkeys(reasons)), notes)


def longest_cable_m(loop: Loop, bands: Sequence[Band]) -> float | None:
    """The longest pair in metres, panel to end, with which every single signal still reads right; None: not even
    without cable. All runs keep their proportions (with no cable recorded, all of it lies before the first device).
    Rounded down to 0.1 m; never more than 10 km. Raises RuleError.
    """
    reads = _Lengths(loop, bands)
    low, high = 0.0, LONGEST_CABLE_M
    if not reads.right(np.asarray([low]))[0]:
        # With too little resistance in the values, cable can only help by luck: not a length to promise.
        return None
    if reads.right(np.asarray([high]))[0]:
        return high
    while high - low > 1e-4:
        lengths = np.linspace(low, high, 101)
        wrong = int(np.argmin(reads.right(lengths)))
        low, high = float(lengths[wrong - 1]), float(lengths[wrong])
    # The edge lies between the two: a tenth between them may read right or not.
    tenth = math.floor(high * 10) / 10
    return tenth if reads.right(np.asarray([tenth]))[0] else math.floor(low * 10) / 10


class _Lengths:
    """One loop with as much cable as is asked for, many lengths at once, all single states at once."""

    def __init__(self, loop: Loop, bands: Sequence[Band]) -> None:
        check_loop(loop)
        self._seen = Seen(loop)
        states = [state for state in single_states(loop) if state[0] not in COMBINED_STATES]
        self._rows = len(states)
        self._rungs = {pick: self._seen.columns([state[-1] for state in states], pick) for pick in _LIMITS}
        # What a run has without cable (its joints), and what each metre of the whole adds to it.
        none, metre = (with_cable(loop, length_m).devices for length_m in (0.0, 1.0))
        self._joints = {pick: [run_ohm(loop, device, pick) for device in none] for pick in _LIMITS}
        bare = replace(loop, joint_ohm_max=0.0)
        self._per_m = {pick: [run_ohm(bare, device, pick) for device in metre] for pick in _LIMITS}
        spans = [
            accepted_spans(bands, expected_states(loop.topology, name)[1])
            for name in (*(state[0] for state in states), "open", "short")
        ]
        # The n-th span of every state in one column; a state with fewer has an empty one there.
        count = max(len(found) for found in spans)
        filled = [[*found, *[(math.inf, 0.0)] * (count - len(found))] for found in spans]
        self._spans = [
            (
                np.asarray([[low] for low, _ in column]),
                np.asarray([[math.nan if high is None else high] for _, high in column]),
            )
            for column in zip(*filled, strict=True)
        ]

    def right(self, lengths_m: NDArray[np.float64]) -> NDArray[np.bool_]:
        """For each length whether every single signal reads right within all tolerances."""
        least, greatest = (
            ladder.from_panel(self._with_runs(self._rungs[pick], pick, lengths_m), self._seen.end(pick))
            for pick in _LIMITS
        )
        # A cut leaves what bridges the pair before it, a short lies anywhere.
        least_rest, greatest_rest = (self._with_runs(self._seen.rungs({}, pick), pick, lengths_m) for pick in _LIMITS)
        count = lengths_m.size
        cut = np.full(count, math.inf)
        for place in range(1, len(least_rest)):
            # Only what bridges the pair at rest leaves anything.
            if np.any(np.isfinite(least_rest[place - 1].across_ohm)):
                cut = np.minimum(cut, ladder.from_panel(least_rest[:place], math.inf))
        short = ladder.from_panel(greatest_rest, 0.0)
        rows = self._rows
        low_ohm = np.vstack([np.broadcast_to(least, (rows, count)), cut, np.zeros(count)])
        high_ohm = np.vstack([
            np.broadcast_to(greatest, (rows, count)), np.full(count, math.inf), np.broadcast_to(short, count)
        ])
        inside = np.zeros(low_ohm.shape, dtype=bool)
        for low, high in self._spans:
            inside |= (low_ohm >= low) & ((high_ohm < high) | np.isnan(high))
        return np.asarray(inside.all(axis=0) & bool(self._spans))

    def _with_runs(self, rungs: Sequence[Rung], pick: Pick, lengths_m: NDArray[np.float64]) -> list[Rung]:
        return [
            Rung(joints + per_m * lengths_m, rung.in_line_ohm, rung.across_ohm)
            for rung, joints, per_m in zip(rungs, self._joints[pick], self._per_m[pick], strict=True)
        ]


def with_cable(loop: Loop, length_m: Ohms) -> Loop:
    """The loop with so much cable in all, runs in proportion; with none recorded all lies before the first device."""
    present_m = float(sum(np.asarray(device.cable_run_m).item() for device in loop.devices))
    return replace(
        loop,
        devices=tuple(
            replace(
                device,
                cable_run_m=(device.cable_run_m / present_m if present_m else float(index == 0)) * length_m,
            )
            for index, device in enumerate(loop.devices)
        ),
    )


def reads_values(
    topology: Topology,
    resistor_ohm: Mapping[str, float],
    bands: Sequence[Band],
    *,
    carried: frozenset[str] | None = None,
    cable_ohm: float = 0.0,
    tolerance_percent: float = 1.0,
) -> tuple[str, ...]:
    """Why a panel input does not read a board with these values right, in words; empty when it does.

    `carried` limits the check to the signals in use (by default all that the topology carries and the values allow);
    it must hold without cable and with `cable_ohm` of it (both cores).
    """
    can = functions(topology)
    wanted = can if carried is None else carried & can
    if carried is None:
        wanted = frozenset(name for name in can if resistor_roles(topology, frozenset({name})) <= set(resistor_ohm))
    missing = sorted(resistor_roles(topology, wanted) - set(resistor_ohm))
    if missing:
        return tuple(f"The board has no {role} resistor, which this wiring needs." for role in missing)
    # Only the end resistor and the device's own are wanted here: as one device, with the cable as a given resistance.
    device = LoopDevice("device", "Device", wanted, resistor_ohm, 1000.0)
    for pair_ohm in dict.fromkeys((0.0, cable_ohm)):
        loop = Loop(
            topology=topology,
            devices=(device,),
            cable=CableSpec(pair_ohm / 2, 0.0),
            tolerance_percent=tolerance_percent,
            contact_ohm_max=0.0,
        )
        reasons = verdict(loop, bands).reasons
        if reasons:
            return reasons
    return ()


def row_of(loop: Loop, bands: Sequence[Band], interval: StateInterval) -> StateRow:
    """How a panel input with these bands, from low to high, reads one state."""
    nominal = float(interval.nominal_ohm)
    least, greatest = float(interval.least_ohm), float(interval.greatest_ohm)
    expected, accepted = expected_states(loop.topology, interval.state)
    band = reading(bands, nominal)
    reads = readings(bands, least, greatest)
    outcome: Literal["right", "marginal", "wrong"] = "right"
    if any(state not in accepted for state in reads):
        # Several signals at once read as something else is a nuisance; a single one is a fault of the loop.
        combined = interval.state in COMBINED_STATES
        outcome = "marginal" if band in accepted or combined else "wrong"
    return StateRow(
        state=interval.state,
        device_key=interval.device_key,
        label=interval.label,
        nominal_ohm=nominal,
        least_ohm=least,
        greatest_ohm=greatest,
        expected=expected,
        accepted=accepted,
        band=band,
        reads=reads,
        margin_ohm=margin_ohm(bands, accepted, least, greatest),
        outcome=outcome,
    )


def expected_states(topology: Topology, state: str) -> tuple[str, tuple[str, ...]]:
    """What a state should be read as, and all that would do."""
    if state in ("normal", "alarm", "tamper"):
        return state, (state,)
    if state == "mask":
        return "mask", ("mask", "fault")
    if state == "fault":
        return "fault", ("fault", "mask")
    if state == "alarm+mask":
        return "alarm", _SIGNALS
    if state == "all-alarm":
        return "alarm", ("alarm",)
    # A cut or shorted cable is seen if the panel signals anything at all.
    if state == "short" and not sees_short(topology):
        return "normal", ("normal", *_SIGNALS)
    return "tamper", ("tamper", "fault", "alarm", "mask")


def _reason(row: StateRow) -> str:
    what = f"{row.label}: {_span(row)}"
    reads = " or ".join("undefined" if state is None else state for state in row.reads)
    if row.outcome == "wrong":
        return f"{what} is read as {reads}, not as {row.expected}."
    if row.band in row.accepted:
        return f"{what} may be read as {reads} within the tolerances; it should be {row.expected} throughout."
    return f"{what} is read as {reads} when these signals come at once; {row.expected} was to be expected."


def _span(row: StateRow) -> str:
    if row.least_ohm == row.greatest_ohm:
        return spoken_ohm(row.nominal_ohm)
    return f"{spoken_ohm(row.least_ohm)} to {spoken_ohm(row.greatest_ohm)}"
