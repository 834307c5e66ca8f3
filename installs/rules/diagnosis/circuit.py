"""Thousands of suppositions about one circuit on one ladder, evaluated in one chain of array operations.

Every place of the circuit has a table of what it may put in line and across the pair: by the functions operated there
(a bit mask) and by what may be wrong there. A supposition is a column of entries into these tables. Whatever has a size
(a joint, a leak, a short at some point of a run) is laid over a column as one more rung.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from installs.rules import loop_states
from installs.rules.diagnosis.model import Measurement, Where
from installs.rules.loop_states import Loop, LoopDevice
from installs.rules.network import Ohms, Pick
from installs.rules.topology import FUNCTIONS

Array: TypeAlias = NDArray[np.float64]
Whole: TypeAlias = NDArray[np.int64]

# First axis of every array of resistances.
PICKS: Final = (Pick.NOMINAL, Pick.LEAST, Pick.GREATEST)
BIT: Final = {name: 1 << index for index, name in enumerate(FUNCTIONS)}
MASKS: Final = 1 << len(FUNCTIONS)
# An input's pull-up is a 1 % part (common practice, no source).
PULL_UP_TOLERANCE: Final = np.array([[0.0], [-0.01], [0.01]])
FROM_FAR: Final = (Where.FAR_END_OPEN, Where.FAR_END_JOINED)


@dataclass(slots=True)
class Fitting:
    """What is fitted at a place instead of what the record says: other resistor values in ohms by role (of another
    tolerance, if known), or something more in line or across the pair ('cut', 'eol-in-line', 'eol-across')."""

    resistor_ohm: Mapping[str, float]
    tolerance_percent: float | None = None
    more: str = ""


@dataclass(frozen=True)
class Tables:
    """In ohms; the first axis of each table is nominal, least, greatest. `across` None: nothing ever across there.
    An entry's number is mask * width + fitting."""

    run: Array
    in_line: tuple[Array, ...]
    across: tuple[Array | None, ...]
    width: tuple[int, ...]
    end: Array
    run_m: Array

    @property
    def places(self) -> int:
        return len(self.width)


@dataclass
class Columns:
    """Suppositions: functions operated (mask) and fitting at each place (rows), and which end resistance."""

    operated: Whole
    fitting: Whole
    end: Whole

    def __len__(self) -> int:
        return int(self.end.shape[0])

    def take(self, which: Whole) -> Columns:
        return Columns(self.operated[:, which], self.fitting[:, which], self.end[which])


@dataclass
class Overlay:
    """What has a size, by column: in run `place` (-1: nothing), `share` of the run before it, `in_line_ohm` more in
    line, `across_ohm` across the pair there. Nominal, least and greatest on the first axis."""

    place: Whole
    share: Array
    in_line_ohm: Array
    across_ohm: Array

    def at(self, where: Where) -> Overlay:
        """With the shares that give the least and the greatest reading from that side: from the far end it is the
        other way round."""
        if where in FROM_FAR:
            return replace(self, share=self.share[[0, 2, 1]])
        return self


def end_table(loop: Loop, ohm: Sequence[float], tolerance_percent: Sequence[float]) -> Array:
    """The line's end for each of these end-of-line resistors, in ohms."""
    ends = replace(loop, eol_ohm=np.array(ohm), eol_tolerance_percent=np.array(tolerance_percent))
    return np.stack([np.broadcast_to(loop_states.end_ohm(ends, pick), (len(ohm),)) for pick in PICKS])


def build_tables(loop: Loop, fittings: Sequence[Sequence[Fitting]], end: Array, masks: Iterable[int]) -> Tables:
    """Tables for these fittings by place (the first of each is as recorded), for these masks of operated functions."""
    count = len(loop.devices)
    run = np.zeros((count, 3))
    in_line = [np.full((3, MASKS, len(some)), np.nan) for some in fittings]
    across = [np.full((3, MASKS, len(some)), math.inf) for some in fittings]
    wanted = sorted(set(masks))
    alike: dict[object, list[int]] = {}
    for place, device in enumerate(loop.devices):
        topology = device.topology or loop.topology
        alike.setdefault((id(topology), device.functions, frozenset(device.resistor_ohm)), []).append(place)
    for places in alike.values():
        device, starts = _stacked(loop, places, fittings)
        carried = sum(BIT[name] for name in device.functions)
        for mask in {mask & carried for mask in wanted}:
            operated = frozenset(name for name in device.functions if BIT[name] & mask)
            for index, pick in enumerate(PICKS):
                rung = loop_states.rung(loop, device, operated, pick)
                for place, start, stop in zip(places, starts, starts[1:], strict=False):
                    in_line[place][index, mask] = _part(rung.in_line_ohm, start, stop)
                    across[place][index, mask] = _part(rung.across_ohm, start, stop)
                    run[place, index] = np.asarray(rung.run_ohm)[start]
    for place, some in enumerate(fittings):
        for number, fitting in enumerate(some):
            if fitting.more == "cut":
                in_line[place][:, :, number] = math.inf
            elif fitting.more == "eol-in-line":
                in_line[place][:, :, number] += end[:, :1]
            elif fitting.more == "eol-across":
                with np.errstate(divide="ignore", invalid="ignore"):
                    across[place][:, :, number] = beside(across[place][:, :, number], end[:, :1])
    flat = [table.reshape(3, -1) for table in in_line]
    return Tables(
        run=run,
        in_line=tuple(flat),
        across=tuple(None if np.isinf(table).all() else table.reshape(3, -1) for table in across),
        width=tuple(len(some) for some in fittings),
        end=end,
        run_m=np.array([float(device.cable_run_m) for device in loop.devices]),
    )


def _part(ohm: Ohms, start: int, stop: int) -> Ohms:
    return ohm[start:stop] if isinstance(ohm, np.ndarray) and ohm.ndim else ohm


def _stacked(loop: Loop, places: Sequence[int], fittings: Sequence[Sequence[Fitting]]) -> tuple[LoopDevice, list[int]]:
    """Devices of one shape with all their fittings as one device of arrays, and where each place starts in them."""
    first = loop.devices[places[0]]
    values: dict[str, list[float]] = {role: [] for role in first.resistor_ohm}
    tolerance: list[float] = []
    runs: list[float] = []
    starts = [0]
    for place in places:
        device = loop.devices[place]
        own = float(loop.tolerance_percent if device.tolerance_percent is None else device.tolerance_percent)
        for role, ohms in values.items():
            recorded = float(device.resistor_ohm[role])
            ohms.extend([fitting.resistor_ohm.get(role, recorded) for fitting in fittings[place]])
        tolerance.extend(
            [own if fitting.tolerance_percent is None else fitting.tolerance_percent for fitting in fittings[place]]
        )
        runs.extend([float(device.cable_run_m)] * len(fittings[place]))
        starts.append(len(tolerance))
    return (
        LoopDevice(
            key=first.key,
            label=first.label,
            functions=first.functions,
            resistor_ohm={role: np.array(ohms) for role, ohms in values.items()},
            cable_run_m=np.array(runs),
            tolerance_percent=np.array(tolerance),
            topology=first.topology,
        ),
        starts,
    )


def beside(first: Array, second: Array) -> Array:
    """Side by side in ohms; an open one drops out, a shorted one shorts both. Call it with division errors ignored."""
    combined: Array = 1.0 / (1.0 / first + 1.0 / second)
    return combined


def _bridged(bridge: Array, rest: Array) -> Array:
    some = np.flatnonzero(np.isfinite(bridge[0]))
    if 2 * some.size > bridge.shape[1]:
        return beside(bridge, rest)
    # On a circuit in series only a few suppositions have anything across the pair: the others keep what they have.
    if some.size:
        rest = rest.copy()
        rest[:, some] = beside(bridge[:, some], rest[:, some])
    return rest


def known_masks(measurement: Measurement) -> dict[int, int]:
    """By place, the mask of the functions that were operated on devices whose state was known."""
    return {place: sum(BIT[name] for name in names) for place, names in measurement.known.items()}


def entries(tables: Tables, columns: Columns, known: Mapping[int, int]) -> list[Whole]:
    """The entry of each place's tables for each column, with what is known about states put in."""
    return [
        (known[place] if place in known else columns.operated[place]) * tables.width[place] + columns.fitting[place]
        for place in range(tables.places)
    ]


def readings(
    tables: Tables,
    columns: Columns,
    measurement: Measurement,
    pull_up_ohm: float | None,
    overlay: Overlay | None = None,
) -> Array:
    """What the meter reads by column, in ohms: nominal, least, greatest."""
    entry = entries(tables, columns, known_masks(measurement))
    where = measurement.where
    with np.errstate(divide="ignore", invalid="ignore"):
        if where in FROM_FAR:
            panel_end = math.inf if where is Where.FAR_END_OPEN else 0.0
            return from_far(tables, entry, columns.end, panel_end, overlay.at(where) if overlay else None)
        first = measurement.first if where is Where.TOWARDS_END else 0
        seen = towards_end(tables, entry, columns.end, first, overlay)[0]
        if where is Where.PANEL_CONNECTED and pull_up_ohm is not None:
            return beside(seen, pull_up_ohm * (1.0 + PULL_UP_TOLERANCE))
        return seen


def towards_end(
    tables: Tables, entry: Sequence[Whole], end: Whole, first: int, overlay: Overlay | None = None
) -> list[Array]:
    """Readings towards the end from before place `first`, `first` + 1 and so on to the last, in ohms."""
    rest = tables.end[:, end]
    found: list[Array] = []
    for place in reversed(range(first, tables.places)):
        bridge = tables.across[place]
        if bridge is not None:
            rest = _bridged(bridge.take(entry[place], axis=1), rest)
        rest = rest + tables.in_line[place].take(entry[place], axis=1)
        run = tables.run[place][:, None]
        rest += run
        if overlay is not None:
            laid = np.flatnonzero(overlay.place == place)
            if laid.size:
                share = overlay.share[:, laid]
                behind = rest[:, laid] - share * run
                rest[:, laid] = share * run + overlay.in_line_ohm[:, laid] + beside(overlay.across_ohm[:, laid], behind)
        found.append(rest)
    return found[::-1]


def from_far(
    tables: Tables, entry: Sequence[Whole], end: Whole, panel_end_ohm: float, overlay: Overlay | None = None
) -> Array:
    """Readings across the line's end, `panel_end_ohm` between the cores at the panel, in ohms."""
    back = np.full((3, end.shape[0]), panel_end_ohm)
    for place in range(tables.places):
        run = tables.run[place][:, None]
        if overlay is not None:
            laid = np.flatnonzero(overlay.place == place)
            if laid.size:
                share = overlay.share[:, laid]
                before = back[:, laid] + share * run + overlay.in_line_ohm[:, laid]
                back[:, laid] = beside(overlay.across_ohm[:, laid], before) - share * run
        back = back + run + tables.in_line[place].take(entry[place], axis=1)
        bridge = tables.across[place]
        if bridge is not None:
            back = _bridged(bridge.take(entry[place], axis=1), back)
    return beside(tables.end[:, end], back)
