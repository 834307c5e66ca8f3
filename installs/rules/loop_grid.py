"""Every single and double state of a circuit, or of many circuits of one shape, in one call.

A loop of n devices with k signals each has 1 + nk + nk(nk-1)/2 of them; more than two signals at once are not computed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
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


def all_states(loop: Loop) -> Grid:
    """Resistance at the panel in ohms (inf: open) of every single and double state. Raises RuleError.

    `loop` may be stacked (loop_batches.stack): then there is a column for each circuit.
    """
    check_loop(loop)
    states = grid_states(loop)
    shape = len(states), np.size(loop.tolerance_percent)
    seen = Seen(loop)
    nominal, least, greatest = (_resistances(seen, states, pick, shape) for pick in Pick)
    return Grid(states, nominal, least, greatest)


def _resistances(
    seen: Seen, states: tuple[tuple[Signal, ...], ...], pick: Pick, shape: tuple[int, int]
) -> NDArray[np.float64]:
    nobody: frozenset[str] = frozenset()
    normal = seen.rungs({}, pick)
    end = seen.end(pick)
    out = np.empty(shape)
    in_line_only = all(
        isinstance(rung.across_ohm, float) and math.isinf(rung.across_ohm) and not np.any(np.isinf(rung.in_line_ohm))
        for rung in normal
    )
    fill: Callable[[Mapping[int, frozenset[str]], NDArray[np.float64]], object]
    if in_line_only and not np.any(np.isinf(end)):
        total = np.asarray(ladder.from_panel(normal, end))
        more: dict[tuple[int, frozenset[str]], Ohms] = {}

        def added(place: int, operated: frozenset[str]) -> Ohms:
            # In line each device adds what it differs from rest by, whatever the others do.
            if (place, operated) not in more:
                rung = seen.rung(place, operated, pick)
                more[place, operated] = rung.in_line_ohm - normal[place].in_line_ohm
            return more[place, operated]

        def fill(operated: Mapping[int, frozenset[str]], row: NDArray[np.float64]) -> object:
            parts = [added(place, names) for place, names in operated.items()]
            if not parts:
                row[...] = total
                return None
            np.add(total, parts[0], out=row)
            return np.add(row, parts[1], out=row) if len(parts) > 1 else None
    else:
        behind: list[Ohms] = [end]
        for rung in reversed(normal):
            behind.insert(0, ladder.from_panel([rung], behind[0]))

        def fill(operated: Mapping[int, frozenset[str]], row: NDArray[np.float64]) -> object:
            last = max(operated, default=-1)
            changed = [seen.rung(place, operated.get(place, nobody), pick) for place in range(last + 1)]
            row[...] = ladder.from_panel(changed, behind[last + 1])
            return None

    for state, row in zip(states, out, strict=True):
        operated: dict[int, frozenset[str]] = {}
        for place, name in state:
            operated[place] = operated.get(place, nobody) | {name}
        fill(operated, row)
    return out
