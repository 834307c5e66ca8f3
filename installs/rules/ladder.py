"""A circuit as a ladder: rung after rung from the panel, each with a run of cable, something in line, something across.

This is the exact two-terminal solution for every wiring of the trade: a series device puts its contacts and
resistors in line, a parallel one across the pair. Values may be arrays of one shape: that many circuits, states or
suppositions at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from installs.rules.network import Ohms


@dataclass(frozen=True)
class Rung:
    """One device's place, in ohms: both cores of the cable before it, what it puts in line with the pair, and what it
    puts across the pair behind that (inf: nothing)."""

    run_ohm: Ohms
    in_line_ohm: Ohms = 0.0
    across_ohm: Ohms = math.inf


def beside(first: Ohms, second: Ohms) -> Ohms:
    """Resistance of two branches side by side in ohms; an open one (inf) drops out, a shorted one shorts both."""
    # A lone branch keeps its value to the last digit.
    for one, other in ((first, second), (second, first)):
        if isinstance(one, float | int):
            if math.isinf(one):
                return other
            if one == 0:
                return 0.0
    if isinstance(first, float | int) and isinstance(second, float | int):
        return first * second / (first + second)
    with np.errstate(divide="ignore", invalid="ignore"):
        quick = np.asarray(first * second / (first + second), dtype=np.float64)
        # Only inf beside something, or 0 beside 0, is not a number here; then by conductances, which costs more.
        if not np.isnan(quick).any():
            return quick
        first, second = np.broadcast_arrays(first, second)
        slow = np.asarray(1.0 / (1.0 / first + 1.0 / second), dtype=np.float64)
        np.copyto(slow, second, where=np.isinf(first))
        np.copyto(slow, first, where=np.isinf(second))
        return slow


def from_panel(rungs: Sequence[Rung], end_ohm: Ohms) -> Ohms:
    """Resistance in ohms between the pair's two cores at the panel, loop disconnected there; inf: open circuit."""
    rest = end_ohm
    for rung in reversed(rungs):
        rest = rung.run_ohm + rung.in_line_ohm + beside(rung.across_ohm, rest)
    return rest


def from_far_end(rungs: Sequence[Rung], end_ohm: Ohms, panel_end_ohm: Ohms = math.inf) -> Ohms:
    """Resistance in ohms across the line's end, its end resistor in place, with `panel_end_ohm` between the cores at
    the panel (inf: disconnected and open, 0: the two cores joined there)."""
    back = panel_end_ohm
    for rung in rungs:
        back = beside(rung.across_ohm, back + rung.run_ohm + rung.in_line_ohm)
    return beside(end_ohm, back)


def towards_end(rungs: Sequence[Rung], end_ohm: Ohms, first: int) -> Ohms:
    """Resistance in ohms from where rung `first` (0 is nearest to the panel) starts, the line opened there."""
    return from_panel(rungs[first:], end_ohm)
