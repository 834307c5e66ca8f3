"""How well a reading goes with a supposition, and for which sizes it is possible at all."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from installs.rules.diagnosis.circuit import Array
from installs.rules.diagnosis.model import Measurement

Yes = NDArray[np.bool_]
# Rounding must not rule anything out.
SLACK: Final = 1e-9
# The density of a reading is a normal curve cut off at the limits, which lie 2.5 standard deviations from the nominal
# value: worst-case limits add up linearly, while real parts add as root-sum-square, so the curve is far narrower than
# an even one. One evenly distributed part alone would have 1.7, nine equal ones 5.2 (common practice, no source).
_STEEP: Final = 2.5**2 / 2
# Integral of exp(-_STEEP z^2) from 0 to 1.
_AREA: Final = math.sqrt(math.pi / _STEEP) / 2 * math.erf(math.sqrt(_STEEP))


@dataclass(frozen=True)
class Window:
    """What the true resistance may be, given a reading: `low_ohm` to `high_ohm` within the meter's accuracy."""

    ohm: float
    low_ohm: float
    high_ohm: float

    @property
    def open(self) -> bool:
        return math.isinf(self.ohm)

    @property
    def off_ohm(self) -> float:
        return (self.high_ohm - self.low_ohm) / 2


def window(measurement: Measurement) -> Window:
    """The resistances in ohms that the meter may have read as this."""
    ohm = measurement.ohm
    if math.isinf(ohm):
        return Window(ohm, ohm, ohm)
    off = ohm * measurement.meter_percent / 100.0 + measurement.meter_ohm
    return Window(ohm, ohm - off, ohm + off)


def possible(read: Array, seen: Window) -> Yes:
    """Whether a reading of this window can be had, by column of nominal, least and greatest ohms."""
    nominal, least, greatest = read
    if seen.open:
        shows_open: Yes = np.isinf(nominal)
        return shows_open
    slack = SLACK * abs(seen.ohm) + 1e-9
    within: Yes = np.isfinite(nominal) & (least <= seen.high_ohm + slack) & (greatest >= seen.low_ohm - slack)
    return within


def density(read: Array, seen: Window) -> Array:
    """Probability of the reading per ohm by column (of an open circuit: as such), for columns that can have it."""
    nominal, least, greatest = read
    if seen.open:
        return np.ones(nominal.shape)
    # A meter without error on parts without tolerance still shows some last digit.
    off = max(seen.off_ohm, 1e-3)
    below, above = nominal - least + off, greatest - nominal + off
    distance = seen.ohm - nominal
    scaled = np.minimum(np.abs(distance) / np.where(distance < 0, below, above), 1.0)
    found: Array = np.exp(-_STEEP * scaled**2) / (_AREA * (below + above))
    return found


@dataclass(frozen=True)
class Curve:
    """A reading as a function of one size x from 0 to infinity: R(x) = R0 + (Rinf - R0) x / (x + q).

    The resistance of a two-terminal network depends on any one of its parts in this way (Thevenin's theorem); with
    Rinf infinite it is R0 + slope x. Known from three readings: at 0, at `middle`, at infinity.
    """

    start: Array
    half: Array
    limit: Array
    middle: Array

    def size_for(self, ohm: float) -> Array:
        """The x in ohms at which the reading is `ohm`: 0 or inf where the curve starts or ends before it, and inf or 0
        where it falls instead of rising."""
        with np.errstate(divide="ignore", invalid="ignore"):
            straight = (ohm - self.start) * self.middle / (self.half - self.start)
            bend = self.middle * (self.limit - self.half) / (self.half - self.start)
            curved = bend * (ohm - self.start) / (self.limit - ohm)
            found = np.where(np.isinf(self.limit), straight, curved)
        rises = self.limit >= self.start
        low, high = np.where(rises, self.start, self.limit), np.where(rises, self.limit, self.start)
        found = np.where(ohm <= low, np.where(rises, 0.0, math.inf), found)
        return np.where(ohm >= high, np.where(rises, math.inf, 0.0), found)


def sizes(start: Array, half: Array, limit: Array, middle: Array, seen: Window) -> tuple[Array, Array, Yes]:
    """Least and greatest size for which the reading is possible, by column, and where there is one at all.

    Each argument holds readings (nominal, least, greatest) by column: at size 0, at size `middle`, at size infinity.
    """
    size = start.shape[1]
    nothing, everything = np.zeros(size), np.full(size, math.inf)
    if seen.open:
        # No size short of infinity opens a circuit: open at every size, or not at all.
        return nothing, everything, np.isinf(start[0]) & np.isinf(half[0])
    slack = SLACK * abs(seen.ohm) + 1e-9
    high, low = seen.high_ohm + slack, seen.low_ohm - slack
    lower = Curve(start[1], half[1], limit[1], middle)
    upper = Curve(start[2], half[2], limit[2], middle)
    rises = limit[0] >= start[0]
    by_high, by_low = lower.size_for(high), upper.size_for(low)
    least = np.where(rises, by_low, by_high)
    greatest = np.where(rises, by_high, by_low)
    finite = np.isfinite(half[0])
    with np.errstate(invalid="ignore"):
        reached = (np.minimum(start[1], limit[1]) <= high) & (np.maximum(start[2], limit[2]) >= low)
        # A curve that is as good as level puts no bound on the size.
        level = (np.abs(limit[1] - start[1]) <= slack) & (np.abs(limit[2] - start[2]) <= slack)
    alive = finite & reached & (level | (least <= greatest))
    return np.where(level, 0.0, least), np.where(level, math.inf, greatest), alive
