"""Whether a circuit's measured values drift, and when the drift leaves the panel's band.

The line is that of ordinary least squares through the values over their days. It counts as a drift only when the
two-sided t-test of its slope rejects 'no slope' at the 5 % level (Draper and Smith, Applied Regression Analysis,
section 1.4; the t distribution: Student, Biometrika 6, 1908). The span of days in which the line may leave the band is
the calibration interval of the same book, section 3.2, after Fieller, J. R. Statist. Soc. B 16, 1954: it is bounded
exactly when the slope is significant at the same level.

The nightly work computes the same for every circuit in SQL; `maintenance.services.drift` is held against this.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

LEAST_VALUES: Final = 3
LEAST_SPAN_DAYS: Final = 180
DAYS_PER_YEAR: Final = 365.25
# The line is not followed further than this: no wiring stays as it is for so long.
FURTHEST_DAYS: Final = 36_525

# Values of one size differ by rounding of the floating point alone; such a spread is none.
ROUNDING: Final = 1e-12

# Student's t, two-sided 5 %, for 1 to 30 degrees of freedom. Beyond 30 the last stands in: it demands a little more.
STUDENT_T: Final = (
    12.70620, 4.302653, 3.182446, 2.776445, 2.570582, 2.446912, 2.364624, 2.306004, 2.262157, 2.228139,
    2.200985, 2.178813, 2.160369, 2.144787, 2.131450, 2.119905, 2.109816, 2.100922, 2.093024, 2.085963,
    2.079614, 2.073873, 2.068658, 2.063899, 2.059539, 2.055529, 2.051831, 2.048407, 2.045230, 2.042272,
)


@dataclass(frozen=True)
class Value:
    """One measured value, at the panel and with every device at rest."""

    day: date
    ohm: float


@dataclass(frozen=True)
class Trend:
    """The line through the values. `leaves_on` is the first day on which it lies outside the band; None: it does not
    drift, or has no edge ahead. `earliest_on` and `latest_on` bound that day with 95 % confidence."""

    values: int
    first_on: date
    last_on: date
    ohm_per_year: float
    t: float  # of the slope; infinite when the values lie on the line exactly
    drifts: bool  # the slope is significant
    middle_days: float  # mean day, counted from `first_on`
    middle_ohm: float
    leaves_on: date | None = None
    earliest_on: date | None = None
    latest_on: date | None = None

    def ohm_on(self, day: date) -> float:
        """What the line says of that day."""
        days = (day - self.first_on).days - self.middle_days
        return self.middle_ohm + self.ohm_per_year / DAYS_PER_YEAR * days


def student_t(degrees: int) -> float:
    """The value that |t| must exceed, for so many degrees of freedom (at least 1)."""
    return STUDENT_T[min(degrees, len(STUDENT_T)) - 1]


def enough(values: Sequence[Value]) -> bool:
    """Whether the values can carry a line: at least 3 of them over at least 180 days."""
    days = [value.day for value in values]
    return len(days) >= LEAST_VALUES and (max(days) - min(days)).days >= LEAST_SPAN_DAYS


def edge_ahead(ohm_per_day: float, band_low_ohm: float | None, band_high_ohm: float | None) -> float | None:
    """The edge of the band that a slope leads to. None: no edge, or one at 0 Ω, below which nothing lies."""
    if ohm_per_day > 0:
        return band_high_ohm
    return band_low_ohm if band_low_ohm else None


def trend_of(values: Sequence[Value], *, band_low_ohm: float | None, band_high_ohm: float | None) -> Trend | None:
    """The line through the values and when it leaves the band [low, high). None: too few values or too short a time."""
    if not enough(values):
        return None
    first, last = min(value.day for value in values), max(value.day for value in values)
    days = [float((value.day - first).days) for value in values]
    count = len(values)
    mean_day, mean_ohm = math.fsum(days) / count, math.fsum(value.ohm for value in values) / count
    sxx = math.fsum((day - mean_day) ** 2 for day in days)
    syy = math.fsum((value.ohm - mean_ohm) ** 2 for value in values)
    sxy = math.fsum((day - mean_day) * (value.ohm - mean_ohm) for day, value in zip(days, values, strict=True))
    slope = sxy / sxx
    left = max(0.0, syy - slope * sxy)
    # A spread that is rounding only has neither a slope nor a scatter.
    nothing = (ROUNDING * mean_ohm) ** 2 * count
    left = 0.0 if left <= nothing else left
    t = 0.0
    if syy > nothing:
        t = math.copysign(math.sqrt(slope**2 * sxx * (count - 2) / left) if left else math.inf, slope)
    demanded = student_t(count - 2)
    drifts = abs(t) > demanded
    edge = edge_ahead(slope, band_low_ohm, band_high_ohm) if drifts else None
    leaves = earliest = latest = None
    if edge is not None:
        reach = demanded**2 * left / (count - 2)
        below, above = _calibration(slope, edge - mean_ohm, reach=reach, count=count, sxx=sxx)
        leaves = _first_day_outside(first, mean_day + (edge - mean_ohm) / slope, rising=slope > 0)
        earliest = _first_day_outside(first, mean_day + below, rising=slope > 0)
        latest = _first_day_outside(first, mean_day + above, rising=slope > 0)
    return Trend(
        values=count, first_on=first, last_on=last, ohm_per_year=slope * DAYS_PER_YEAR, t=t, drifts=drifts,
        middle_days=mean_day, middle_ohm=mean_ohm, leaves_on=leaves, earliest_on=earliest, latest_on=latest,
    )


def _calibration(slope: float, rise_ohm: float, *, reach: float, count: int, sxx: float) -> tuple[float, float]:
    """The days from the mean day between which the line meets the edge, with 95 % confidence.

    Roots of (slope u - rise)² = reach (1/n + u²/Sxx), where reach = t² s²; real because the slope is significant.
    """
    a = slope**2 - reach / sxx
    root = math.sqrt(reach * (rise_ohm**2 / sxx + a / count))
    middle = slope * rise_ohm
    return (middle - root) / a, (middle + root) / a


def _first_day_outside(first: date, days: float, *, rising: bool) -> date | None:
    """The band holds its lower edge but not its upper one. None: further away than a line is followed."""
    if abs(days) > FURTHEST_DAYS:
        return None
    return first + timedelta(days=math.ceil(days) if rising else math.floor(days) + 1)
