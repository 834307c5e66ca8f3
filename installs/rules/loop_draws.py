"""How likely a panel input is to misread a state: a loop drawn at random thousands of times (Monte Carlo).

Each resistor, each closed contact, the joints of each run, the drum of cable and the temperature are drawn on their
own, uniformly between their limits: how the makers' values are really spread is not known, and a uniform spread makes
more of the edges than a heap in the middle would. Temperature and drum are one for the whole loop. A resistor's
temperature coefficient is drawn from minus to plus its limit and acts with the temperature drawn. A cut or a short
lies anywhere along the cable. No draw lies outside the intervals of `loop_states`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from installs.rules import ladder, network
from installs.rules.bands import Band, accepted_spans, check_bands
from installs.rules.conductors import pair_resistance_ohm
from installs.rules.errors import RuleError
from installs.rules.ladder import Rung
from installs.rules.loop_states import Loop, LoopDevice, check_loop, single_states
from installs.rules.loops import expected_states
from installs.rules.network import Ohms
from installs.rules.topology import (
    EOL,
    ContactSpec,
    Gap,
    Link,
    ParallelSpec,
    ResistorSpec,
    SeriesSpec,
    Tree,
    wired,
)

MOST_VALUES = 20_000_000
Drawn = NDArray[np.float64]


@dataclass(frozen=True)
class Odds:
    """How likely one state is to be read as something that is not accepted: 0 to 1, an array for stacked circuits."""

    state: str
    device_key: str
    label: str
    probability: Ohms


def leaving(loop: Loop, bands: Sequence[Band], *, draws: int = 10_000, seed: int = 0) -> tuple[Odds, ...]:
    """For every state of `state_intervals` the share of draws that the input reads as something not accepted.

    `loop` may be stacked: then each probability is an array, one entry for each circuit. The same seed gives the same
    answer. Raises RuleError.
    """
    ordered = check_bands(bands)
    many = any(np.ndim(value) for value in _numbers(loop))
    odds: list[Odds] = []
    for state, key, label, ohm in drawn_states(loop, draws=draws, seed=seed):
        inside = np.zeros(ohm.shape, dtype=bool)
        for low, high in accepted_spans(ordered, expected_states(loop.topology, state)[1]):
            inside |= (ohm >= low) & (True if high is None else ohm < high)
        outside = 1.0 - inside.mean(axis=-1)
        odds.append(Odds(state, key, label, outside if many else float(outside[0])))
    return tuple(odds)


def drawn_states(loop: Loop, *, draws: int, seed: int) -> Iterator[tuple[str, str, str, Drawn]]:
    """State, key of its device, label, and resistance at the panel in ohms by circuit and draw. Raises RuleError."""
    check_loop(loop)
    circuits = max((np.size(value) for value in _numbers(loop)), default=1)
    if not 1 <= draws * circuits <= MOST_VALUES:
        raise RuleError(
            "is not a number of draws that can be held",
            field="draws",
            value=draws,
            remedy=f"Give 1 to {MOST_VALUES // circuits} for {circuits} circuits, or stack fewer.",
        )
    made = _Made(loop, (circuits, draws), seed)
    for state, key, label, operated in single_states(loop):
        yield state, key, label, made.whole(ladder.from_panel(made.rungs(operated), made.end))
    yield "open", "", "Cable cut", made.whole(made.cut())
    yield "short", "", "Cable shorted", made.whole(made.short())


class _Made:
    """A loop as made thousands of times: every part of it has one value in each draw, whatever state is asked for."""

    def __init__(self, loop: Loop, shape: tuple[int, int], seed: int) -> None:
        self._loop = loop
        self._shape = shape
        self._rng = np.random.default_rng(seed)
        self._parts: dict[tuple[object, ...], Drawn] = {}
        self._rungs: dict[tuple[int, frozenset[str]], Rung] = {}
        warmest, coldest = _column(loop.greatest_temperature_c), _column(loop.least_temperature_c)
        self._temperature_c = coldest + (warmest - coldest) * self._rng.random(shape)
        self._drum = 1.0 + self._either_way() * _column(loop.cable.tolerance_percent) / 100.0
        self._runs = [self._run(device) for device in loop.devices]
        last = loop.devices[-1] if loop.devices else None
        values: dict[str, Ohms] = dict(last.resistor_ohm) if last else {}
        tolerance = last.tolerance_percent if last else None
        if loop.eol_ohm is not None:
            values[EOL] = loop.eol_ohm
            tolerance = loop.eol_tolerance_percent
        nobody: frozenset[str] = frozenset()
        owner = last.label if last else "the loop"
        self.end = self._tree(wired(loop.topology.end, nobody), ("end",), nobody, _Values(owner, values, tolerance))

    def whole(self, ohm: Ohms) -> Drawn:
        return np.asarray(np.broadcast_to(np.asarray(ohm, dtype=np.float64), self._shape))

    def rungs(self, operated: Mapping[int, frozenset[str]]) -> list[Rung]:
        nobody: frozenset[str] = frozenset()
        return [self._rung(place, operated.get(place, nobody)) for place in range(len(self._loop.devices))]

    def cut(self) -> Ohms:
        """A cut anywhere along the cable: what lies before it is still seen."""
        rungs, where, _ = self._anywhere()
        found = self.whole(math.inf).copy()
        for place in range(1, len(rungs)):
            ohm = self.whole(ladder.from_panel(rungs[:place], math.inf))
            np.copyto(found, ohm, where=where == place)
        return found

    def short(self) -> Ohms:
        """A short anywhere along the cable, so far into the run it lies in as was drawn."""
        rungs, where, share = self._anywhere()
        found = np.zeros(self._shape)
        for place, rung in enumerate(rungs):
            before = ladder.from_panel(rungs[:place], share * rung.run_ohm)
            np.copyto(found, self.whole(before), where=where == place)
        return found

    def _anywhere(self) -> tuple[list[Rung], NDArray[np.int64], Drawn]:
        """The rungs at rest, the run that a fault lies in (by length), and the share of that run before it."""
        rungs = self.rungs({})
        lengths = np.stack([self.whole(_column(device.cable_run_m)) for device in self._loop.devices])
        edges = np.cumsum(lengths, axis=0)
        at_m = self._rng.random(self._shape) * edges[-1]
        where = np.minimum((at_m >= edges).sum(axis=0), len(rungs) - 1)
        return rungs, where, self._rng.random(self._shape)

    def _either_way(self) -> Drawn:
        return self._rng.uniform(-1.0, 1.0, self._shape)

    def _run(self, device: LoopDevice) -> Drawn:
        cable = self._loop.cable
        pair_ohm = pair_resistance_ohm(
            _column(device.cable_run_m),
            _column(cable.ohm_per_km_20),
            self._temperature_c,
            temperature_coefficient_per_k=_column(cable.temperature_coefficient_per_k),
        )
        joints = _column(self._loop.joint_ohm_max) * self._rng.random(self._shape)
        return np.asarray(pair_ohm * self._drum + joints)

    def _rung(self, place: int, operated: frozenset[str]) -> Rung:
        if (place, operated) not in self._rungs:
            device = self._loop.devices[place]
            topology = device.topology or self._loop.topology

            values = _Values(device.label, device.resistor_ohm, device.tolerance_percent)

            def part(name: str, tree: Tree) -> Ohms:
                return self._tree(wired(tree, device.functions), (place, name), operated, values)

            if topology.arrangement == "series":
                rung = Rung(self._runs[place], part("device", topology.device))
            else:
                rung = Rung(self._runs[place], part("through", topology.through), part("device", topology.device))
            self._rungs[place, operated] = rung
        return self._rungs[place, operated]

    def _tree(self, tree: Tree, path: tuple[object, ...], operated: frozenset[str], values: _Values) -> Ohms:
        """Resistance of a tree that is wired, every part with the value drawn for its place there."""
        match tree:
            case Link():
                return 0.0
            case Gap():
                return math.inf
            case ContactSpec():
                closed = tree.normally_closed != (tree.function in operated)
                return self._contact(path) if closed else math.inf
            case ResistorSpec():
                return self._resistor(path, tree.role, values)
            case SeriesSpec() | ParallelSpec():
                parts = [self._tree(child, (*path, index), operated, values) for index, child in enumerate(tree.parts)]
                return network.parallel_ohm(parts) if isinstance(tree, ParallelSpec) else sum(parts[1:], parts[0])

    def _contact(self, path: tuple[object, ...]) -> Drawn:
        if path not in self._parts:
            self._parts[path] = _column(self._loop.contact_ohm_max) * self._rng.random(self._shape)
        return self._parts[path]

    def _resistor(self, path: tuple[object, ...], role: str, values: _Values) -> Ohms:
        if role not in values.resistor_ohm:
            raise RuleError(
                f"{values.owner} has no {role} resistor, which this topology needs",
                field=f"resistor_ohm.{role}",
                value=None,
                remedy=f"Give the value of the {role} resistor in ohms.",
            )
        if path not in self._parts:
            loop = self._loop
            percent = loop.tolerance_percent if values.tolerance_percent is None else values.tolerance_percent
            share = self._either_way() * _column(percent) / 100.0
            if np.any(np.asarray(loop.resistor_ppm_per_k) > 0):
                per_k = self._either_way() * _column(loop.resistor_ppm_per_k) / 1e6
                share = share + per_k * abs(self._temperature_c - 20.0)
            self._parts[path] = np.asarray(_column(values.resistor_ohm[role]) * (1.0 + share))
        return self._parts[path]


@dataclass(frozen=True)
class _Values:
    """One device's resistors by role, or the line's end's."""

    owner: str
    resistor_ohm: Mapping[str, Ohms]
    tolerance_percent: Ohms | None


def _column(value: Ohms) -> Drawn:
    """A number, or one for each circuit, to go with an array by circuit and draw."""
    return np.asarray(value, dtype=np.float64).reshape(-1, 1)


def _numbers(loop: Loop) -> Iterator[Ohms]:
    yield loop.tolerance_percent
    yield loop.eol_ohm if loop.eol_ohm is not None else 0.0
    yield loop.cable.ohm_per_km_20
    for device in loop.devices:
        yield device.cable_run_m
        yield from device.resistor_ohm.values()
