"""Demand that comes now and then: how much a week, how spread, and which method says so best. Many series at once.

Sources: J. D. Croston, Operational Research Quarterly 23 (1972) 289-303; A. A. Syntetos and J. E. Boylan, International
Journal of Forecasting 21 (2005) 303-314 (their correction, factor 1 - alpha/2); R. H. Teunter, A. A. Syntetos and
M. Z. Babai, European Journal of Operational Research 214 (2011) 606-615.

A matrix of demand is time-major: one row for each week, oldest first, one column for each series. Every smoothing
begins with the first value it meets: the first week (simple smoothing, probability), the first demand (size) and the
weeks up to it (interval).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stock.rules.errors import RuleError

Numbers = NDArray[np.float64]
Counts = NDArray[np.int64]

# Simplest first: of methods that do equally well the first is taken.
METHODS: Final = ("mean", "ses", "sba", "croston", "tsb")
NONE: Final = "none"
ALPHAS: Final = (0.05, 0.1, 0.2, 0.3)
# A method is judged only from this many weeks on, and only with so many forecasts to judge.
LEAST_WEEKS: Final = 13
LEAST_FORECASTS: Final = 8
# A less simple method must better the error of a simpler one by so much: small gains in a back-test are mostly luck,
# and were seen to cost service in simulation. Common practice, no source.
MARGIN: Final = 0.05
# So many series at once stay in the processor's cache.
AT_ONCE: Final = 2048


@dataclass(frozen=True)
class Rates:
    """Demand a week that each method expects after the last week; one value for each series."""

    mean: Numbers
    ses: Numbers
    sba: Numbers
    croston: Numbers
    tsb: Numbers
    size: Numbers  # smoothed size of a demand
    interval_weeks: Numbers  # smoothed weeks from one demand to the next; infinite before the first


@dataclass(frozen=True)
class Estimate:
    """What was chosen for each series, and how the others did.

    `method` counts in METHODS (-1: no demand in these weeks). `errors` has a row for each of METHODS: the root of the
    mean squared error of the demand over the horizon; NaN where the weeks were too few to judge.
    """

    method: NDArray[np.int8]
    alpha: Numbers  # 0 for the mean
    rate_per_week: Numbers
    variance_per_week: Numbers
    rate_variance: Numbers  # how uncertain the rate itself is
    errors: Numbers
    forecasts: Counts  # that each method was judged by
    weeks: Counts  # of history

    def names(self) -> list[str]:
        """The chosen method of each series."""
        return [METHODS[number] if number >= 0 else NONE for number in self.method.tolist()]


def _checked(demand: ArrayLike, first_week: ArrayLike | None) -> tuple[Numbers, Counts]:
    matrix = np.asarray(demand, dtype=np.float64)
    if matrix.ndim == 1:
        matrix = matrix[:, np.newaxis]
    if matrix.ndim != 2 or not matrix.shape[0]:
        raise RuleError("Demand needs at least one week.", field="demand", value=str(matrix.shape),
                        remedy="Give a row for each week and a column for each series.")
    if matrix.size and not (np.isfinite(matrix).all() and matrix.min() >= 0):
        raise RuleError("Demand must be 0 or more in every week.", field="demand", value="",
                        remedy="Take what came back off the week that it went out.")
    first = np.zeros(matrix.shape[1], np.int64) if first_week is None else np.asarray(first_week, np.int64)
    return matrix, np.broadcast_to(first, matrix.shape[1:])


class _Course:
    """The states of all methods as the weeks go by; each of shape (alphas, series), the mean (series)."""

    def __init__(self, demand: Numbers, first_week: Counts, alphas: Numbers) -> None:
        self.demand, self.first = demand, first_week
        self.alphas = alphas[:, np.newaxis]
        shape = (len(alphas), demand.shape[1])
        self.sum = np.zeros(shape[1])
        self.weeks = np.zeros(shape[1])
        self.since = np.zeros(shape[1])  # weeks since the last demand
        self.level, self.chance, self.size = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.gap = np.full(shape, np.inf)
        self.hit_before = np.zeros(shape[1], bool)

    def step(self, week: int) -> None:
        d = self.demand[week]
        live = self.first <= week
        hit = (d > 0) & live
        self.weeks += live
        self.since += live
        self.sum += np.where(live, d, 0.0)
        # The first value is taken whole.
        weight = np.where(self.first == week, 1.0, self.alphas * live)
        self.level += weight * (d - self.level)
        self.chance += weight * (hit - self.chance)
        begins = hit & ~self.hit_before
        if begins.any():
            self.gap[:, begins] = 0.0
            self.hit_before |= begins
        weight = np.where(begins, 1.0, self.alphas * hit)
        self.size += weight * (d - self.size)
        # Infinite until the first demand: nothing is added to infinity.
        self.gap += np.where(hit, weight * (self.since - self.gap), 0.0)
        self.since[hit] = 0.0

    def mean(self) -> Numbers:
        return np.asarray(self.sum / np.maximum(self.weeks, 1.0), np.float64)

    def croston(self) -> Numbers:
        return np.asarray(self.size / self.gap, np.float64)


def rates(demand: ArrayLike, *, alpha: float, first_week: ArrayLike | None = None) -> Rates:
    """The rates of all methods with one smoothing constant. `first_week`: row in which each series begins."""
    matrix, first = _checked(demand, first_week)
    if not 0 < alpha <= 1:
        raise RuleError("The smoothing constant must lie above 0 and at most at 1.", field="alpha", value=alpha,
                        remedy="0.1 is usual.")
    course = _Course(matrix, first, np.array([alpha]))
    with np.errstate(invalid="ignore"):
        for week in range(matrix.shape[0]):
            course.step(week)
    croston = course.croston()[0]
    return Rates(
        mean=course.mean(), ses=course.level[0], sba=croston * (1 - alpha / 2), croston=croston,
        tsb=course.chance[0] * course.size[0], size=course.size[0], interval_weeks=course.gap[0],
    )


def estimate(
    demand: ArrayLike, *, horizon_weeks: ArrayLike, first_week: ArrayLike | None = None,
    alphas: tuple[float, ...] = ALPHAS,
) -> Estimate:
    """Choose a method and its constant for each series by back-test, and give rate and spread.

    Back-test: from the second half of the weeks on, each method forecasts the demand of the next `horizon_weeks` from
    the weeks up to then (rolling origin). The simplest method stands until one betters its mean squared error by
    MARGIN. Squared errors, because absolute ones favour 'never any demand' where most weeks have none; over the
    horizon, because that is what stock must last for (N. Kourentzes, International Journal of Production Economics
    156 (2014) 180-190; R. J. Hyndman, Foresight 4 (2006) 43-46). Fewer than LEAST_FORECASTS forecasts: the mean.

    The variance is the rate times the ratio of variance to mean seen in the weeks: that of demands which come at
    random with sizes at random. It is an estimate too, with a relative variance of (kurtosis - 1) / weeks (any
    textbook of statistics, on the variance of a sample variance), and is taken larger by so much. The rate's own
    variance is that of exponential smoothing, v alpha / (2 - alpha), for Croston and SBA divided by the interval
    (Syntetos and Boylan), and v / weeks for the mean.
    """
    matrix, first = _checked(demand, first_week)
    horizon = np.broadcast_to(np.asarray(horizon_weeks, np.int64), matrix.shape[1:])
    if horizon.size and horizon.min() < 1:
        raise RuleError("The horizon must be at least one week.", field="horizon_weeks", value=int(horizon.min()),
                        remedy="Round the lead time up to whole weeks.")
    parts = [
        _estimate(np.ascontiguousarray(matrix[:, low:low + AT_ONCE]), first[low:low + AT_ONCE],
                  horizon[low:low + AT_ONCE], np.array(alphas))
        for low in range(0, max(matrix.shape[1], 1), AT_ONCE)
    ]
    if len(parts) == 1:
        return parts[0]
    return Estimate(
        errors=np.concatenate([part.errors for part in parts], axis=1),
        **{name: np.concatenate([getattr(part, name) for part in parts])
           for name in ("method", "alpha", "rate_per_week", "variance_per_week", "rate_variance", "forecasts",
                        "weeks")},
    )


def _estimate(demand: Numbers, first: Counts, horizon: Counts, alphas: Numbers) -> Estimate:
    length, series = demand.shape
    weeks = np.clip(length - first, 0, length)
    judged_from = first + np.maximum(LEAST_WEEKS, weeks // 2) - 1
    # Row t: the demand of all weeks before week t. What no week before the series' first counts, is nothing.
    started = np.arange(length)[:, np.newaxis] >= first
    counted = np.where(started, demand, 0.0)
    before = np.zeros((length + 1, series))
    np.cumsum(counted, axis=0, out=before[1:])
    column = np.arange(series)
    course = _Course(counted, first, alphas)
    squares = np.zeros((len(METHODS), len(alphas), series))
    forecasts = np.zeros(series, np.int64)
    correction = 1 - course.alphas / 2
    with np.errstate(invalid="ignore"):
        for week in range(length):
            course.step(week)
            judged = (week >= judged_from) & (week + horizon < length)
            if not judged.any():
                continue
            forecasts += judged
            came = before[np.minimum(week + 1 + horizon, length), column] - before[week + 1]
            croston = course.croston()
            for number, rate in enumerate(
                (course.mean(), course.level, croston * correction, croston, course.chance * course.size)
            ):
                squares[number] += judged * (came - horizon * rate) ** 2
    croston = course.croston()
    best = squares.argmin(axis=1)  # of the alphas, for each method
    least = np.take_along_axis(squares, best[:, np.newaxis], axis=1)[:, 0]
    method = np.zeros(series, np.int64)
    for number in range(1, len(METHODS)):
        better = least[number] < least[method, column] * (1 - MARGIN)
        method = np.where(better, number, method)
    enough = forecasts >= LEAST_FORECASTS
    method = np.where(enough, method, 0)
    alpha_number = best[method, column]
    alpha = np.where(method == 0, 0.0, alphas[alpha_number])
    chosen = np.stack(
        [np.broadcast_to(course.mean(), course.level.shape), course.level, croston * correction, croston,
         course.chance * course.size]
    )
    rate = np.maximum(chosen[method, alpha_number, column], 0.0)
    mean = course.mean()
    method[mean == 0] = -1
    alpha[mean == 0] = 0.0
    rate[mean == 0] = 0.0
    variance = rate * _dispersion(counted, started, mean, weeks)
    smoothing = alpha / (2 - alpha)
    smoothing /= np.where((method == METHODS.index("sba")) | (method == METHODS.index("croston")),
                          np.maximum(np.where(mean > 0, course.gap[alpha_number, column], 1.0), 1.0), 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        errors = np.where(enough, np.sqrt(least / forecasts), np.nan)
    return Estimate(
        method=method.astype(np.int8), alpha=alpha, rate_per_week=rate, variance_per_week=variance,
        rate_variance=variance * np.where(method == 0, 1 / np.maximum(weeks, 1), smoothing),
        errors=errors, forecasts=forecasts, weeks=weeks,
    )


def _dispersion(counted: Numbers, started: NDArray[np.bool_], mean: Numbers, weeks: Counts) -> Numbers:
    """Variance of a week's demand over its mean, with the allowance for its own uncertainty; at least 1 (pieces that
    come singly at random) while the weeks are too few to say less."""
    squares = np.where(started, counted - mean, 0.0) ** 2
    variance = squares.sum(axis=0) / np.maximum(weeks - 1, 1)
    fourth = (squares**2).sum(axis=0) / np.maximum(weeks, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        kurtosis = np.where(variance > 0, fourth / variance**2, 1.0)
        ratio = np.where(mean > 0, variance / mean, 0.0)
    ratio *= 1 + np.maximum(kurtosis - 1, 0.0) / np.maximum(weeks, 1)
    return np.where((weeks < 2 * LEAST_WEEKS) & (mean > 0), np.maximum(ratio, 1.0), ratio)


def without_returns(net: ArrayLike) -> Numbers:
    """Weekly demand from what went out less what came back: a return is taken off the latest weeks before it that
    have something to take off, and so no week is below 0. What came back and never went out is dropped."""
    matrix = np.array(net, dtype=np.float64)
    carried = np.zeros(matrix.shape[1:])
    for week in range(matrix.shape[0] - 1, -1, -1):
        left = matrix[week] - carried
        carried = np.maximum(-left, 0.0)
        matrix[week] = np.maximum(left, 0.0)
    return matrix
