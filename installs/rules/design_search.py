"""The vectorised search behind a design: the best preferred values.

Every resistance of a loop can only rise with each resistor and each run (Rayleigh's monotonicity law), so the limits
of a whole box of values follow from its two corners, and boxes that cannot hold the best are left out unsearched.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from installs.rules import ladder
from installs.rules.bands import Band, accepted_spans
from installs.rules.loop_states import Loop, end_ohm, rungs
from installs.rules.loops import COMBINED_STATES, expected_states
from installs.rules.network import Ohms, Pick
from installs.rules.topology import FUNCTIONS

__all__ = ["COMBINED_STATES", "best"]

Numbers: TypeAlias = NDArray[np.float64]
Spans: TypeAlias = Sequence[tuple[float, float | None]]


@dataclass(frozen=True)
class _State:
    """A state to look at: which functions of which place are operated, and the spans that read as it should."""

    name: str
    operated: Mapping[int, frozenset[str]]
    spans: Spans


def best(
    loop: Loop, bands: Sequence[Band], candidates: Mapping[str, Numbers], *, combined: bool
) -> dict[str, float] | None:
    """The candidate values by role, in ohms, with the greatest least margin; None: none reads right.

    `loop` gives everything but the values; candidates are sorted. Of equal least margins the greatest next one
    decides, and so on. Only states of the first and the last device are looked at: on a series loop all devices
    give the same, on a parallel one those between lie between.
    """
    roles = list(candidates)
    states = list(_states(loop, bands, combined=combined))
    low = np.zeros((1, len(roles)), dtype=np.intp)
    high = np.array([[len(candidates[role]) - 1 for role in roles]], dtype=np.intp)
    known = 0.0
    while True:
        at_low = _limits(loop, states, {role: candidates[role][low[:, i]] for i, role in enumerate(roles)})
        at_high = _limits(loop, states, {role: candidates[role][high[:, i]] for i, role in enumerate(roles)})
        corners = (_margins(states, *at_low).min(axis=0), _margins(states, *at_high).min(axis=0))
        known = max(known, *(float(corner.max(initial=0.0)) for corner in corners))
        # The most that any point of the box could have: as low as its low corner and as high as its high one.
        could = _margins(states, at_high[0], at_low[1]).min(axis=0)
        keep = (could > 0) & (could >= known * (1 - 1e-12))
        low, high = low[keep], high[keep]
        if not len(low):
            return None
        if np.array_equal(low, high):
            break
        low, high = _split(low, high)
    values = {role: candidates[role][low[:, i]] for i, role in enumerate(roles)}
    each = np.sort(_margins(states, *_limits(loop, states, values)), axis=0)
    winner = int(np.lexsort(each[::-1])[-1])
    return {role: float(values[role][winner]) for role in roles}


def _states(loop: Loop, bands: Sequence[Band], *, combined: bool) -> Iterator[_State]:
    def state(name: str, operated: Mapping[int, frozenset[str]]) -> _State:
        return _State(name, operated, accepted_spans(bands, expected_states(loop.topology, name)[1]))

    yield state("normal", {})
    for place in sorted({0, len(loop.devices) - 1}):
        carried = loop.devices[place].functions
        for name in FUNCTIONS:
            if name in carried:
                yield state(name, {place: frozenset({name})})
        if combined and {"alarm", "mask"} <= carried:
            yield state("alarm+mask", {place: frozenset({"alarm", "mask"})})
    alarming = [place for place, device in enumerate(loop.devices) if "alarm" in device.functions]
    if combined and len(alarming) > 1:
        yield state("all-alarm", dict.fromkeys(alarming, frozenset({"alarm"})))
    yield state("open", {})
    yield state("short", {})


def _limits(loop: Loop, states: Sequence[_State], values: Mapping[str, Numbers]) -> tuple[Numbers, Numbers]:
    wired = replace(loop, devices=tuple(replace(device, resistor_ohm=values) for device in loop.devices))
    return _seen(wired, states, next(iter(values.values())).shape)


def _seen(loop: Loop, states: Sequence[_State], shape: tuple[int, ...]) -> tuple[Numbers, Numbers]:
    """Least and greatest resistance in ohms of each state: a row for each state, a column for each circuit."""
    limits = []
    for pick in (Pick.LEAST, Pick.GREATEST):
        rows = []
        end = end_ohm(loop, pick)
        for state in states:
            ohm: Ohms
            if state.name == "open":
                ohm = math.inf
            elif state.name == "short":
                ohm = 0.0 if pick is Pick.LEAST else ladder.from_panel(rungs(loop, {}, pick), 0.0)
            else:
                ohm = ladder.from_panel(rungs(loop, state.operated, pick), end)
            rows.append(np.broadcast_to(np.asarray(ohm, dtype=np.float64), shape))
        limits.append(np.stack(rows))
    return limits[0], limits[1]


def _margins(states: Sequence[_State], least: Numbers, greatest: Numbers) -> Numbers:
    """Distance in ohms to the nearest edge of what reads right; a row for each state."""
    rows = []
    for place, state in enumerate(states):
        most = np.full(least.shape[1:], -math.inf)
        for low, high in state.spans:
            below = least[place] - low if low > 0 else np.full_like(most, math.inf)
            above = np.full_like(most, math.inf) if high is None else high - greatest[place]
            most = np.maximum(most, np.minimum(below, above))
        rows.append(most)
    return np.stack(rows)


def _split(low: NDArray[np.intp], high: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Every box halved along every role that it still has a choice in."""
    middle = (low + high) // 2
    lows, highs = [], []
    for upper in itertools.product((False, True), repeat=low.shape[1]):
        take = np.array(upper)
        first, last = np.where(take, middle + 1, low), np.where(take, high, middle)
        there = (first <= last).all(axis=1)
        lows.append(first[there])
        highs.append(last[there])
    return np.concatenate(lows), np.concatenate(highs)
