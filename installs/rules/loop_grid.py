"""Every single and double state of a circuit, or of many circuits of one shape, in one call.

A loop of n devices with k signals each has 1 + nk + nk(nk-1)/2 of them; more than two signals at once are not computed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from installs.rules import ladder
from installs.rules.loop_states import Loop, Seen, check_loop
from installs.rules.network import Ohms, Pick
from installs.rules.topology import FUNCTIONS

Signal = tuple[int, str]


@dataclass(frozen=True)
class Grid:
    """`states` are the signals at once, each a place (0 is nearest to the panel) and a function; the arrays hold ohms
    by state and circuit."""

    states: tuple[tuple[Signal, ...], ...]
    nominal_ohm: NDArray[np.float64]
    least_ohm: NDArray[np.float64]
    greatest_ohm: NDArray[np.float64]


def grid_states(loop: Loop) -> tuple[tuple[Signal, ...], ...]:
    """Nothing, each signal, each two signals."""
    signals = [
        (place, name)
        for place, device in enumerate(loop.devices)
        for name in FUNCTIONS
        if name in device.functions
    ]
    return ((), *((signal,) for signal in signals), *combinations(signals, 2))


def all_states(loop: Loop, seen: Seen | None = None) -> Grid:
    """Resistance at the panel in ohms (inf: open) of every single and double state. Raises RuleError.

    `loop` may be stacked (loop_batches.stack): then there is a column for each circuit. `seen` as for state_intervals.
    """
    check_loop(loop)
    states = grid_states(loop)
    shape = len(states), np.size(loop.tolerance_percent)
    seen = seen or Seen(loop)
    nominal, least, greatest = (_resistances(seen, states, pick, shape) for pick in Pick)
    return Grid(states, nominal, least, greatest)


def _resistances(
    seen: Seen, states: tuple[tuple[Signal, ...], ...], pick: Pick, shape: tuple[int, int]
) -> NDArray[np.float64]:
    out = np.empty(shape)
    row_of = {state: row for row, state in enumerate(states)}
    solver = _InLine(seen, pick) if _all_in_line(seen, pick) else _Ladder(seen, pick)
    out[0] = solver.rest
    singles = [state[0] for state in states if len(state) == 1]
    for signal in singles:
        solver.single(signal, out[row_of[signal,]])
    # From the end on, so that what lies behind the second signal is walked once for all that come before it.
    for second in reversed(singles):
        solver.behind(second)
        for first in reversed([signal for signal in singles if signal[0] <= second[0] and signal != second]):
            state = (first, second)
            if state not in row_of:
                continue
            if first[0] == second[0]:
                solver.both(first[0], frozenset({first[1], second[1]}), out[row_of[state]])
            else:
                solver.double(first, second, out[row_of[first,]], out[row_of[state]])
    return out


def _all_in_line(seen: Seen, pick: Pick) -> bool:
    """Whether every device is in line with the pair and none is open at rest, so that what each adds can be summed."""
    loop = seen.loop
    series = all((device.topology or loop.topology).arrangement == "series" for device in loop.devices)
    return series and bool(np.all(np.isfinite(ladder.from_panel(seen.rungs({}, pick), seen.end(pick)))))


class _InLine:
    """In line each device adds what it differs from rest by, whatever the others do."""

    def __init__(self, seen: Seen, pick: Pick) -> None:
        self._seen, self._pick = seen, pick
        self._normal = seen.rungs({}, pick)
        self._more: dict[Signal, Ohms] = {}
        self.rest = ladder.from_panel(self._normal, seen.end(pick))

    def _added(self, place: int, operated: frozenset[str]) -> Ohms:
        return self._seen.rung(place, operated, self._pick).in_line_ohm - self._normal[place].in_line_ohm

    def single(self, signal: Signal, row: NDArray[np.float64]) -> None:
        self._more[signal] = self._added(signal[0], frozenset({signal[1]}))
        _sum(self.rest, self._more[signal], row)

    def behind(self, second: Signal) -> None:
        """Nothing to walk."""

    def both(self, place: int, operated: frozenset[str], row: NDArray[np.float64]) -> None:
        _sum(self.rest, self._added(place, operated), row)

    def double(self, first: Signal, second: Signal, first_row: NDArray[np.float64], row: NDArray[np.float64]) -> None:
        _sum(first_row, self._more[second], row)


class _Ladder:
    """Devices that bridge the pair, or are open at rest: rung by rung, from the end."""

    def __init__(self, seen: Seen, pick: Pick) -> None:
        self._seen, self._pick = seen, pick
        self._normal = seen.rungs({}, pick)
        self._behind: list[Ohms] = [seen.end(pick)]
        for rung in reversed(self._normal):
            self._behind.insert(0, ladder.from_panel([rung], self._behind[0]))
        # Before the first device that bridges the pair at rest there is nothing but resistance in line.
        self._before: list[Ohms] = [0.0]
        for rung in self._normal:
            if not (isinstance(rung.across_ohm, float) and math.isinf(rung.across_ohm)):
                break
            self._before.append(self._before[-1] + rung.run_ohm + rung.in_line_ohm)
        self._walked: Ohms = 0.0
        self._walked_to = 0
        self.rest = self._behind[0]

    def _from(self, place: int, names: frozenset[str], behind: Ohms, row: NDArray[np.float64]) -> None:
        here = ladder.from_panel([self._seen.rung(place, names, self._pick)], behind)
        if place < len(self._before):
            _sum(self._before[place], here, row)
        else:
            row[...] = ladder.from_panel(self._normal[:place], here)

    def single(self, signal: Signal, row: NDArray[np.float64]) -> None:
        self._from(signal[0], frozenset({signal[1]}), self._behind[signal[0] + 1], row)

    def behind(self, second: Signal) -> None:
        place, name = second
        rung = self._seen.rung(place, frozenset({name}), self._pick)
        self._walked, self._walked_to = ladder.from_panel([rung], self._behind[place + 1]), place

    def both(self, place: int, operated: frozenset[str], row: NDArray[np.float64]) -> None:
        self._from(place, operated, self._behind[place + 1], row)

    def double(self, first: Signal, second: Signal, first_row: NDArray[np.float64], row: NDArray[np.float64]) -> None:
        place, name = first
        while self._walked_to > place + 1:
            self._walked_to -= 1
            self._walked = ladder.from_panel([self._normal[self._walked_to]], self._walked)
        self._from(place, frozenset({name}), self._walked, row)


def _sum(one: Ohms, other: Ohms, row: NDArray[np.float64]) -> None:
    """The sum into a row of the grid; an open circuit needs no sum."""
    if any(isinstance(part, float) and math.isinf(part) for part in (one, other)):
        row.fill(math.inf)
    else:
        np.add(one, other, out=row)
