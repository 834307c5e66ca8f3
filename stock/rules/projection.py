"""Stock over the coming days: what is there, what arrives, what planned work takes, and what random demand may take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stock.rules.errors import RuleError
from stock.rules.reorder import DAYS_PER_WEEK, demand_quantile

# The band holds the demand of nine cases in ten.
BAND_LOW, BAND_HIGH = 0.05, 0.95


@dataclass(frozen=True)
class Projection:
    """Stock at the end of each day, from day 0 (now) on. Below 0: pieces that would be missing.

    `certain`: before random demand. `expected`: less its mean. `low` and `high`: less what it reaches in one case of
    twenty, and does not fall short of in one case of twenty.
    """

    certain: NDArray[np.int64]
    expected: NDArray[np.float64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]

    def first_below(self, least: float) -> int | None:
        """The first day on which the expected stock is below that; None: on none of them."""
        days = np.flatnonzero(self.expected < least - 1e-9)
        return int(days[0]) if len(days) else None


def project(
    on_hand: int, *, days: int, known: Iterable[tuple[int, int]], arrivals: Iterable[tuple[int, int]],
    rate_per_week: float, variance_per_week: float, rate_variance: float = 0.0,
) -> Projection:
    """Stock over so many days without any further order. `known` and `arrivals` are pairs of day from now and
    quantity; what is overdue counts today, what lies beyond the last day not at all. Variances as in reorder.py."""
    if days < 1:
        raise RuleError("A projection needs at least one day.", field="days", value=days, remedy="Look further ahead.")
    change = np.zeros(days + 1, np.int64)
    for sign, events in ((-1, known), (1, arrivals)):
        for day, quantity in events:
            if day <= days:
                change[max(day, 0)] += sign * quantity
    certain = on_hand + np.cumsum(change)
    weeks = np.arange(days + 1) / DAYS_PER_WEEK
    mean = rate_per_week * weeks
    variance = variance_per_week * weeks + rate_variance * weeks**2
    return Projection(
        certain=certain, expected=certain - mean,
        low=certain - demand_quantile(mean, variance, BAND_HIGH),
        high=certain - demand_quantile(mean, variance, BAND_LOW),
    )
