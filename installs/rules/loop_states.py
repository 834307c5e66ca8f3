"""What the panel measures in every state of a circuit.

Each value is computed with its limits: resistors within their tolerance, cable between the coldest and the warmest
temperature, closed contacts between 0 ohm and their greatest resistance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from installs.rules import ladder, network
from installs.rules.conductors import COPPER_COEFFICIENT_PER_K, pair_resistance_ohm
from installs.rules.errors import RuleError
from installs.rules.ladder import Rung
from installs.rules.network import Ohms, Pick
from installs.rules.topology import EOL, FUNCTIONS, Topology, Tree, build, functions

_DONE = {"alarm": "in alarm", "tamper": "tamper open", "mask": "masked", "fault": "in fault"}


@dataclass(frozen=True)
class CableSpec:
    """A cable: resistance of one core at 20 °C, how far a drum may lie from it, and how it changes with temperature."""

    ohm_per_km_20: Ohms
    temperature_coefficient_per_k: Ohms = COPPER_COEFFICIENT_PER_K
    tolerance_percent: Ohms = 0.0


@dataclass(frozen=True)
class LoopDevice:
    """One device on a loop.

    `functions` are those of its signals that travel on this loop; `resistor_ohm` holds its board's or hand-wired
    values by role (`eol`, `alarm`, `mask`); `cable_run_m` is the length from the panel or the device before.
    `tolerance_percent` None: the loop's. `topology` None: wired as the circuit says; another one where this device
    is wired otherwise (a normally open contact across a loop of normally closed ones).
    """

    key: str
    label: str
    functions: frozenset[str]
    resistor_ohm: Mapping[str, Ohms]
    cable_run_m: Ohms
    tolerance_percent: Ohms | None = None
    topology: Topology | None = None


@dataclass(frozen=True)
class Loop:
    """A circuit. Devices are in order from the panel; `eol_ohm` None: the last device's board carries the
    end-of-line resistor. `joint_ohm_max` is the most that the joints of one cable run add, `resistor_ppm_per_k` how
    much resistors change with temperature. Numbers may be arrays of one length: then it is that many circuits of one
    shape."""

    topology: Topology
    devices: tuple[LoopDevice, ...]
    cable: CableSpec
    eol_ohm: Ohms | None = None
    tolerance_percent: Ohms = 1.0
    contact_ohm_max: Ohms = 0.5
    least_temperature_c: Ohms = -10.0
    greatest_temperature_c: Ohms = 40.0
    eol_tolerance_percent: Ohms | None = None
    joint_ohm_max: Ohms = 0.0
    resistor_ppm_per_k: Ohms = 0.0


@dataclass(frozen=True)
class StateInterval:
    """What the panel measures in one state. `state` is normal, alarm, tamper, mask, fault (of one device), or
    alarm+mask (of one device), all-alarm, open, short; `device_key` is empty for states of the whole loop."""

    state: str
    device_key: str
    label: str
    nominal_ohm: Ohms
    least_ohm: Ohms
    greatest_ohm: Ohms


def check_loop(loop: Loop) -> None:
    """Raises RuleError when a value cannot be computed with, or a device carries what the topology cannot."""
    _check("tolerance_percent", loop.tolerance_percent, most=99.0)
    _check("contact_ohm_max", loop.contact_ohm_max)
    _check("ohm_per_km_20", loop.cable.ohm_per_km_20)
    # A metal's; with a negative one the coldest would not be the least.
    _check("temperature_coefficient_per_k", loop.cable.temperature_coefficient_per_k)
    if loop.eol_ohm is not None:
        _check("eol_ohm", loop.eol_ohm)
    if np.any(np.asarray(loop.least_temperature_c) > np.asarray(loop.greatest_temperature_c)):
        raise RuleError(
            "the coldest temperature is above the warmest",
            field="least_temperature_c",
            value=loop.least_temperature_c,
            remedy="Swap the two temperatures.",
        )
    _check("cable tolerance_percent", loop.cable.tolerance_percent, most=99.0)
    _check("joint_ohm_max", loop.joint_ohm_max)
    _check("resistor_ppm_per_k", loop.resistor_ppm_per_k, most=5000.0)
    if loop.eol_tolerance_percent is not None:
        _check("eol_tolerance_percent", loop.eol_tolerance_percent, most=99.0)
    for device in loop.devices:
        can = functions(device.topology or loop.topology)
        if device.tolerance_percent is not None:
            _check(f"{device.label}: tolerance_percent", device.tolerance_percent, most=99.0)
        _check(f"{device.label}: cable_run_m", device.cable_run_m)
        for role, ohm in device.resistor_ohm.items():
            _check(f"{device.label}: resistor_ohm.{role}", ohm)
        for name in sorted(device.functions - can):
            raise RuleError(
                f"this topology cannot carry the {name} signal of {device.label}",
                field="functions",
                value=name,
                remedy=f"Carry {name} on another circuit, or use a topology that has a {name} contact.",
            )


def state_intervals(loop: Loop, seen: Seen | None = None) -> tuple[StateInterval, ...]:
    """Every state of the loop with its resistance in ohms at the panel: nominal, least and greatest.

    With arrays in the loop each value is an array: a thousand circuits of one shape in one call. `seen` saves work
    where one loop is looked at in several ways. Raises RuleError.
    """
    check_loop(loop)
    seen = seen or Seen(loop)
    intervals = list(seen.at_panel(seen.singles))
    # A cut leaves the devices before it: what bridges the pair there at rest is still measured.
    before = [ladder.from_panel(seen.rungs({}, Pick.LEAST)[:place], math.inf) for place in range(len(loop.devices))]
    intervals.append(StateInterval("open", "", "Cable cut", math.inf, _least(before, math.inf), math.inf))
    # A short may lie anywhere between the panel and the end: from 0 ohm to the whole pair and every closed contact.
    farthest = ladder.from_panel(seen.rungs({}, Pick.GREATEST), 0.0)
    intervals.append(StateInterval("short", "", "Cable shorted", 0.0, 0.0, farthest))
    return tuple(intervals)


def far_end_intervals(loop: Loop, *, joined: bool, seen: Seen | None = None) -> tuple[StateInterval, ...]:
    """The same states as `state_intervals`, measured across the line's end with the pair off the panel: its cores open
    there, or joined to one another.

    A cut leaves the end resistor with the devices behind it; a short anywhere from 0 ohm to the whole pair lies beside
    the end. Raises RuleError.
    """
    check_loop(loop)
    seen = seen or Seen(loop)
    panel_end_ohm = 0.0 if joined else math.inf
    intervals = list(seen.at_far_end(seen.singles, panel_end_ohm))
    # A cut in the last run leaves the most; the nearer to the panel, the more devices may bridge the pair behind it.
    nominal, least, greatest = (
        [ladder.from_far_end(seen.rungs({}, pick)[place:], seen.end(pick)) for place in range(len(loop.devices))]
        or [seen.end(pick)]
        for pick in Pick
    )
    cut = nominal[-1], _least(least, math.inf), greatest[-1]
    intervals.append(StateInterval("open", "", "Cable cut", *cut))
    whole = ladder.from_far_end(seen.rungs({}, Pick.GREATEST), seen.end(Pick.GREATEST), 0.0)
    intervals.append(StateInterval("short", "", "Cable shorted", 0.0, 0.0, whole))
    return tuple(intervals)


def _least(values: Sequence[Ohms], without: float) -> Ohms:
    """The least of the values, entry by entry where they are arrays; `without` when there are none."""
    if all(isinstance(value, float | int) for value in values):
        return min((float(value) for value in values), default=without)
    return np.asarray(np.minimum.reduce(np.broadcast_arrays(*values)), dtype=np.float64)


Operated = Mapping[int, frozenset[str]]


Named = tuple[str, str, str, Operated]


def single_states(loop: Loop) -> Iterator[Named]:
    """State, key of its device, label and the functions operated by place: normal, each device's functions, alarm with
    mask of one device, and all devices in alarm."""
    yield "normal", "", "Normal", {}
    for index, device in enumerate(loop.devices):
        for name in FUNCTIONS:
            if name in device.functions:
                yield name, device.key, f"{device.label} {_DONE[name]}", {index: frozenset({name})}
        if {"alarm", "mask"} <= device.functions:
            both = frozenset({"alarm", "mask"})
            yield "alarm+mask", device.key, f"{device.label} in alarm and masked", {index: both}
    alarming = [index for index, device in enumerate(loop.devices) if "alarm" in device.functions]
    if len(alarming) > 1:
        label = f"All {len(alarming)} devices in alarm"
        yield "all-alarm", "", label, dict.fromkeys(alarming, frozenset({"alarm"}))


class Seen:
    """One loop's rungs, each computed once however many states need it."""

    def __init__(self, loop: Loop) -> None:
        self.loop = loop
        self.singles = tuple(single_states(loop))
        self._singles_in_columns: dict[Pick, list[Rung]] = {}
        self._kinds = [_kind(device) for device in loop.devices]
        self._rungs: dict[tuple[int, frozenset[str], Pick], Rung] = {}
        # Devices wired alike share their bodies: most loops hold one kind of board.
        self._bodies: dict[Hashable, tuple[Ohms, Ohms]] = {}
        self._runs: dict[tuple[int, Pick], Ohms] = {}
        self._ends: dict[Pick, Ohms] = {}
        self._rest: dict[Pick, list[Rung]] = {}

    def rung(self, place: int, operated: frozenset[str], pick: Pick) -> Rung:
        key = place, operated, pick
        if key not in self._rungs:
            device = self.loop.devices[place]
            if (place, pick) not in self._runs:
                self._runs[place, pick] = run_ohm(self.loop, device, pick)
            body = self._kinds[place], operated, pick
            if body not in self._bodies:
                self._bodies[body] = _body_ohm(self.loop, device, operated, pick)
            self._rungs[key] = Rung(self._runs[place, pick], *self._bodies[body])
        return self._rungs[key]

    def rungs(self, operated: Operated, pick: Pick) -> list[Rung]:
        """The ladder from the panel, with the functions of `operated` (by place, 0 first) operated."""
        if pick not in self._rest:
            rest: frozenset[str] = frozenset()
            self._rest[pick] = [self.rung(place, rest, pick) for place in range(len(self.loop.devices))]
        found = self._rest[pick].copy()
        for place, names in operated.items():
            found[place] = self.rung(place, names, pick)
        return found

    def columns(self, states: Sequence[Operated], pick: Pick) -> list[Rung]:
        """The ladder of one circuit with all these states at once: a column of values by state where they differ."""
        rest = self.rungs({}, pick)
        changed: list[dict[int, Rung]] = [{} for _ in rest]
        for row, operated in enumerate(states):
            for place, names in operated.items():
                changed[place][row] = self.rung(place, names, pick)

        def column(value: Ohms, others: dict[int, Ohms]) -> Ohms:
            if all(other == value for other in others.values()):
                return value
            array = np.full((len(states), 1), value, dtype=np.float64)
            for row, other in others.items():
                array[row] = other
            return array

        return [
            Rung(
                rung.run_ohm,
                column(rung.in_line_ohm, {row: other.in_line_ohm for row, other in rows.items()}),
                column(rung.across_ohm, {row: other.across_ohm for row, other in rows.items()}),
            )
            for rung, rows in zip(rest, changed, strict=True)
        ]

    def end(self, pick: Pick) -> Ohms:
        if pick not in self._ends:
            self._ends[pick] = end_ohm(self.loop, pick)
        return self._ends[pick]

    def at_panel(self, states: Sequence[Named]) -> Iterator[StateInterval]:
        """What is measured at the panel in each of the states."""
        return self._measured(states, lambda rungs, pick: ladder.from_panel(rungs, self.end(pick)))

    def at_far_end(self, states: Sequence[Named], panel_end_ohm: float) -> Iterator[StateInterval]:
        """What is measured across the end in each of the states, with so much between the cores at the panel."""
        return self._measured(states, lambda rungs, pick: ladder.from_far_end(rungs, self.end(pick), panel_end_ohm))

    def _measured(
        self, states: Sequence[Named], view: Callable[[Sequence[Rung], Pick], Ohms]
    ) -> Iterator[StateInterval]:
        if is_one(self.loop):
            operated = [state[-1] for state in states]

            def columns(pick: Pick) -> list[Rung]:
                if states is not self.singles:
                    return self.columns(operated, pick)
                if pick not in self._singles_in_columns:
                    self._singles_in_columns[pick] = self.columns(operated, pick)
                return self._singles_in_columns[pick]

            values = (
                np.broadcast_to(view(columns(pick), pick), (len(states), 1))[:, 0].tolist() for pick in Pick
            )
            for (state, key, label, _), *ohm in zip(states, *values, strict=True):
                yield StateInterval(state, key, label, *ohm)
        else:
            for state, key, label, names in states:
                yield StateInterval(state, key, label, *(view(self.rungs(names, pick), pick) for pick in Pick))


def is_one(loop: Loop) -> bool:
    """Whether the loop is one circuit, all its values plain numbers."""
    own = (loop.eol_ohm, loop.tolerance_percent, loop.contact_ohm_max, loop.least_temperature_c,
           loop.greatest_temperature_c, loop.eol_tolerance_percent, loop.joint_ohm_max, loop.resistor_ppm_per_k,
           loop.cable.ohm_per_km_20, loop.cable.temperature_coefficient_per_k, loop.cable.tolerance_percent)
    devices = (
        value
        for device in loop.devices
        for value in (device.cable_run_m, device.tolerance_percent, *device.resistor_ohm.values())
    )
    return not any(isinstance(value, np.ndarray) for value in (*own, *devices))


def _kind(device: LoopDevice) -> Hashable:
    """The same for devices that put the same on the loop; arrays are told apart by being themselves."""
    def same(value: Ohms | None) -> Hashable:
        return id(value) if isinstance(value, np.ndarray) else value

    values = tuple((role, same(ohm)) for role, ohm in device.resistor_ohm.items())
    return id(device.topology), device.functions, values, same(device.tolerance_percent)


def rungs(loop: Loop, operated: Operated, pick: Pick) -> list[Rung]:
    """The ladder of the loop, from the panel, with the functions of `operated` (by place, 0 first) operated."""
    return Seen(loop).rungs(operated, pick)


def rung(loop: Loop, device: LoopDevice, operated: frozenset[str], pick: Pick) -> Rung:
    """One device's place on the ladder, with its own functions of `operated` operated. Raises RuleError."""
    return Rung(run_ohm(loop, device, pick), *_body_ohm(loop, device, operated, pick))


def _body_ohm(loop: Loop, device: LoopDevice, operated: frozenset[str], pick: Pick) -> tuple[Ohms, Ohms]:
    """What a device puts in line and across the pair, in ohms."""
    topology = device.topology or loop.topology

    def part(tree: Tree) -> Ohms:
        node = build(
            tree,
            carried=device.functions,
            operated=operated,
            resistor_ohm=device.resistor_ohm,
            tolerance_percent=_resistor_tolerance(loop, device.tolerance_percent),
            contact_ohm_max=loop.contact_ohm_max,
            owner=device.label,
        )
        return network.resistance_ohm(node, pick)

    if topology.arrangement == "series":
        return part(topology.device), math.inf
    return part(topology.through), part(topology.device)


def end_ohm(loop: Loop, pick: Pick) -> Ohms:
    """Resistance of the line's end in ohms. Raises RuleError when its resistor has no value."""
    last = loop.devices[-1] if loop.devices else None
    values: dict[str, Ohms] = dict(last.resistor_ohm) if last else {}
    tolerance = last.tolerance_percent if last else None
    if loop.eol_ohm is not None:
        values[EOL] = loop.eol_ohm
        tolerance = loop.eol_tolerance_percent
    node = build(
        loop.topology.end,
        carried=frozenset(),
        operated=frozenset(),
        resistor_ohm=values,
        tolerance_percent=_resistor_tolerance(loop, tolerance),
        owner=last.label if last else "the loop",
    )
    return network.resistance_ohm(node, pick)


def _resistor_tolerance(loop: Loop, own: Ohms | None) -> Ohms:
    """Tolerance of resistors in percent, with what the temperature adds: both ways, for its sign is not known."""
    tolerance = loop.tolerance_percent if own is None else own
    if isinstance(loop.resistor_ppm_per_k, float | int) and loop.resistor_ppm_per_k == 0:
        return tolerance
    limits = (loop.least_temperature_c, loop.greatest_temperature_c)
    cold_k, warm_k = (abs(np.asarray(limit) - 20.0) for limit in limits)
    added: Ohms = loop.resistor_ppm_per_k * np.maximum(cold_k, warm_k) / 1e4
    return tolerance + added


def run_ohm(loop: Loop, device: LoopDevice, pick: Pick) -> Ohms:
    """Both cores of the cable before a device with its joints, in ohms."""
    cable = loop.cable
    # Nominal is the data sheet's 20 °C, or the nearest temperature that the loop can have.
    temperature_c, off, joint_ohm = {
        Pick.NOMINAL: (_clipped(20.0, loop.least_temperature_c, loop.greatest_temperature_c), 0.0, 0.0),
        Pick.LEAST: (loop.least_temperature_c, -cable.tolerance_percent, 0.0),
        Pick.GREATEST: (loop.greatest_temperature_c, cable.tolerance_percent, loop.joint_ohm_max),
    }[pick]
    both_ohm: Ohms = joint_ohm + (1.0 + off / 100.0) * pair_resistance_ohm(
        device.cable_run_m,
        cable.ohm_per_km_20,
        temperature_c,
        temperature_coefficient_per_k=cable.temperature_coefficient_per_k,
    )
    return both_ohm


def _clipped(value: float, low: Ohms, high: Ohms) -> Ohms:
    if isinstance(low, np.ndarray) or isinstance(high, np.ndarray):
        return np.asarray(np.clip(value, low, high), dtype=np.float64)
    return min(max(value, low), high)


def _check(name: str, value: Ohms, most: float = math.inf) -> None:
    if isinstance(value, float | int) and 0 <= value <= most and value < math.inf:
        return
    array = np.asarray(value, dtype=np.float64)
    if not np.all((array >= 0) & (array <= most) & np.isfinite(array)):
        raise RuleError(
            "is not a number that can be computed with",
            field=name,
            value=value,
            remedy="Give 0 or more." if math.isinf(most) else f"Give 0 to {most:g}.",
        )
