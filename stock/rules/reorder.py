"""When to order, so that stock lasts through a lead time as often as is wanted. Many items at once.

A rule in words: as soon as fewer than the reorder point are free (on hand and on order, less what is promised within
the lead time), an order is made. From then until it arrives, stock must last. So the reorder point less one must
cover, with the probability wanted (cycle service), what is missing to it already when the order is made (the
undershoot) and the random demand of the lead time.

Mean and variance of the demand of a random lead time L: m E[L], and v E[L] + m² Var[L] (E. A. Silver, D. F. Pyke and
D. J. Thomas, Inventory and Production Management in Supply Chains, section on variable lead time), to which
E[L]² times the variance of the rate is added, because the rate is an estimate (D. Prak, R. Teunter and A. Syntetos,
European Journal of Operational Research 256 (2017) 454-461). Undershoot: renewal theory, P(U = j) is in proportion to
P(D > j) of the demand D between two looks, so E[U] = E[D(D-1)] / 2E[D] (H. C. Tijms and H. Groenevelt, European
Journal of Operational Research 17 (1984) 175-190).

Distribution: whole pieces. Negative binomial where the variance is above the mean, Poisson otherwise (A. A. Syntetos,
M. Z. Babai and N. Altay, International Journal of Production Research 50 (2012) 2101-2117); the normal only where the
mean is at least NORMAL_FROM and three standard deviations, so that it gives no weight to demand below 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stock.rules.errors import RuleError

Numbers = NDArray[np.float64]

DAYS_PER_WEEK: Final = 7.0
NORMAL_FROM: Final = 30.0
NORMAL_SDS: Final = 3.0
DISTRIBUTIONS: Final = ("none", "Poisson", "negative binomial", "normal")
NONE, POISSON, NEGATIVE_BINOMIAL, NORMAL = range(4)


@dataclass(frozen=True)
class Protected:
    """Random demand that stock must cover from one order to its arrival; one value for each item."""

    mean: Numbers
    variance: Numbers
    undershoot: Numbers  # part of the mean: missing to the reorder point already when the order is made


@dataclass(frozen=True)
class Point:
    """The reorder point without what is promised, and what stands behind it."""

    point: NDArray[np.int64]  # 0 where no random demand is expected
    covered: NDArray[np.int64]  # the quantile of the protected demand; the point less one
    safety_stock: NDArray[np.int64]  # covered less the mean, rounded up
    distribution: NDArray[np.int8]  # in DISTRIBUTIONS
    reached: Numbers  # the service that this gives: more than was wanted by rounding, less where `most` held it down
    limited: NDArray[np.bool_]  # by `most`


def _service(service: ArrayLike) -> Numbers:
    wanted = np.asarray(service, np.float64)
    if wanted.size and not (np.all(wanted > 0) and np.all(wanted < 1)):
        raise RuleError("A service level lies between 0 and 1.", field="service", value=str(service),
                        remedy="0.95 means 95 of 100 lead times without a stock-out.")
    return wanted


def normal_quantile(service: ArrayLike) -> Numbers:
    """The z of a probability: 1.645 for 0.95."""
    return np.asarray(special.ndtri(_service(service)), np.float64)


def lead_time_spread(
    sd_per_period: ArrayLike, lead_time_periods: ArrayLike, *, mean_per_period: ArrayLike = 0.0,
    lead_time_sd_periods: ArrayLike = 0.0,
) -> Numbers:
    """Standard deviation of the demand of a random lead time: the root of v E[L] + m² Var[L]."""
    v, length = np.asarray(sd_per_period, np.float64) ** 2, np.asarray(lead_time_periods, np.float64)
    spread = np.asarray(mean_per_period, np.float64) ** 2 * np.asarray(lead_time_sd_periods, np.float64) ** 2
    return np.asarray(np.sqrt(v * length + spread), np.float64)


def protected_demand(
    *, rate_per_week: ArrayLike, variance_per_week: ArrayLike, lead_time_days: ArrayLike,
    lead_time_sd_days: ArrayLike = 0.0, review_days: ArrayLike = 1.0, rate_variance: ArrayLike = 0.0,
) -> Protected:
    """Mean and variance of what stock must cover from one order to its arrival; see the module.

    The undershoot's variance is that of the geometric distribution: exact where sizes are geometric, too large where
    they are alike.
    """
    rate = np.asarray(rate_per_week, np.float64)
    variance = np.asarray(variance_per_week, np.float64)
    length = np.asarray(lead_time_days, np.float64) / DAYS_PER_WEEK
    spread = np.asarray(lead_time_sd_days, np.float64) / DAYS_PER_WEEK
    looks = np.asarray(review_days, np.float64) / DAYS_PER_WEEK
    with np.errstate(divide="ignore", invalid="ignore"):
        # E[D²] / 2E[D] - 1/2 with E[D²] = v r + (m r)² for the r weeks between two looks.
        under = np.where(rate > 0, np.maximum((variance / rate + rate * looks - 1) / 2, 0.0), 0.0)
    under = np.asarray(under, np.float64)
    mean = rate * length + under
    total = (
        variance * length + rate**2 * spread**2 + np.asarray(rate_variance, np.float64) * length**2
        + under * (1 + under)
    )
    return Protected(mean=mean, variance=total, undershoot=under)


def distribution_of(mean: ArrayLike, variance: ArrayLike) -> NDArray[np.int8]:
    """Which of DISTRIBUTIONS stands for a demand of that mean and variance."""
    m, v = np.asarray(mean, np.float64), np.asarray(variance, np.float64)
    kind = np.where(v > m * (1 + 1e-6), NEGATIVE_BINOMIAL, POISSON)
    kind = np.where((m >= NORMAL_FROM) & (m**2 >= NORMAL_SDS**2 * v), NORMAL, kind)
    return np.where(m > 0, kind, NONE).astype(np.int8)


def _parameters(mean: Numbers, variance: Numbers) -> tuple[Numbers, Numbers]:
    """The negative binomial's n and p; any valid ones where it is not used."""
    more = np.where(variance > mean * (1 + 1e-6), variance, 2 * mean + 1)
    safe = np.where(mean > 0, mean, 1.0)
    return safe**2 / np.maximum(more - safe, 1e-12), np.minimum(safe / more, 1.0)


def _at_most(k: Numbers, mean: Numbers, variance: Numbers, kind: NDArray[np.int8]) -> Numbers:
    """P(X <= k) of a discrete demand, k at least 0."""
    n, p = _parameters(mean, variance)
    found: Numbers = np.where(
        kind == NEGATIVE_BINOMIAL, special.betainc(n, k + 1, p),
        special.gammaincc(k + 1, np.where(mean > 0, mean, 1e-300)),
    )
    return found


def demand_quantile(mean: ArrayLike, variance: ArrayLike, service: ArrayLike) -> NDArray[np.int64]:
    """The least whole number that the demand does not exceed with that probability; 0 without demand."""
    m, v, wanted = np.broadcast_arrays(
        np.asarray(mean, np.float64), np.asarray(variance, np.float64), _service(service)
    )
    kind = distribution_of(m, v)
    normal = np.ceil(np.maximum(m + special.ndtri(wanted) * np.sqrt(v), 0.0) - 1e-9)
    high = np.ceil(m + 10 * np.sqrt(np.maximum(m, v)) + 10) / np.minimum(1.0, 20 * (1 - wanted))
    low = np.full(m.shape, -1.0)
    high = np.where((kind == POISSON) | (kind == NEGATIVE_BINOMIAL), np.ceil(high), 0.0)
    # Halving between 'too few' and 'enough' until they are neighbours.
    while np.any(high - low > 1):
        middle = np.floor((low + high) / 2)
        enough = _at_most(np.maximum(middle, 0.0), m, v, kind) >= wanted
        high = np.where(enough, np.maximum(middle, 0.0), high)
        low = np.where(enough, low, middle)
    return np.asarray(np.where(kind == NORMAL, normal, high), np.int64)


def expected_short(mean: ArrayLike, variance: ArrayLike, covered: ArrayLike) -> Numbers:
    """How many pieces are missing on average when so many are covered: E[max(X - covered, 0)]."""
    m, v, k = np.broadcast_arrays(
        np.asarray(mean, np.float64), np.asarray(variance, np.float64), np.asarray(covered, np.float64)
    )
    kind = distribution_of(m, v)
    n, p = _parameters(m, v)
    safe = np.where(m > 0, m, 1e-300)
    whole = np.maximum(k, 0.0)
    # x f(x; n) = mean f(x - 1; n + 1), and for the Poisson x f(x) = mean f(x - 1).
    more = np.where(whole > 0, 1 - special.betainc(n + 1, np.maximum(whole, 1), p), 1.0)
    binomial = m * more - whole * (1 - special.betainc(n, whole + 1, p))
    poisson = m * np.where(whole > 0, special.gammainc(np.maximum(whole, 1), safe), 1.0) - whole * special.gammainc(
        whole + 1, safe
    )
    short = np.where(kind == NORMAL, normal_short(m, np.sqrt(v), k), np.where(kind == POISSON, poisson, binomial))
    return np.where(kind == NONE, 0.0, np.maximum(short, 0.0))


def normal_short(mean: ArrayLike, sd: ArrayLike, covered: ArrayLike) -> Numbers:
    """E[max(X - covered, 0)] of a normal demand: sd (phi(z) - z (1 - Phi(z)))."""
    spread = np.maximum(np.asarray(sd, np.float64), 1e-300)
    z = (np.asarray(covered, np.float64) - np.asarray(mean, np.float64)) / spread
    return np.asarray(spread * (np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi) - z * special.ndtr(-z)), np.float64)


def service_of(demand: Protected, covered: ArrayLike) -> Numbers:
    """The probability that the protected demand is at most that; 1 without demand."""
    m, v, k = np.broadcast_arrays(
        np.asarray(demand.mean, np.float64), np.asarray(demand.variance, np.float64), np.asarray(covered, np.float64)
    )
    kind = distribution_of(m, v)
    normal = special.ndtr((k - m) / np.sqrt(np.maximum(v, 1e-300)))
    found = np.where(kind == NORMAL, normal, _at_most(np.maximum(k, 0.0), m, v, kind))
    return np.where(kind == NONE, 1.0, np.where(k < 0, 0.0, found))


def reorder_point(demand: Protected, *, service: ArrayLike, most: ArrayLike = np.inf) -> Point:
    """The reorder point of a protected demand at a service level (0 to 1); promised parts come on top.

    `most`: no higher point, in whole pieces, for items that are wanted too rarely to be worth their service level.
    """
    some = np.asarray(demand.mean > 0)
    wanted = np.where(some, demand_quantile(demand.mean, demand.variance, service) + 1, 0)
    point = np.minimum(wanted, np.asarray(most, np.float64)).astype(np.int64)
    covered = np.maximum(point - 1, 0)
    return Point(
        point=point,
        covered=covered,
        safety_stock=np.where(some, np.ceil(np.maximum(covered - demand.mean, 0.0) - 1e-9), 0.0).astype(np.int64),
        distribution=distribution_of(demand.mean, demand.variance),
        reached=np.where(point > 0, service_of(demand, covered), np.where(some, 0.0, 1.0)),
        limited=point < wanted,
    )


def safety_stock(
    *, rate_per_week: ArrayLike, variance_per_week: ArrayLike, lead_time_days: ArrayLike,
    lead_time_sd_days: ArrayLike = 0.0, service: ArrayLike, review_days: ArrayLike = 1.0,
    rate_variance: ArrayLike = 0.0,
) -> Numbers:
    """Pieces held beyond the expected demand of a lead time at a service level (0 to 1), not rounded.

    For demand pooled from several items give the sum of the rates and, where they are independent, of the variances.
    Numbers or arrays of one shape; 0 without demand.
    """
    demand = protected_demand(
        rate_per_week=rate_per_week, variance_per_week=variance_per_week, lead_time_days=lead_time_days,
        lead_time_sd_days=lead_time_sd_days, review_days=review_days, rate_variance=rate_variance,
    )
    return np.maximum(demand_quantile(demand.mean, demand.variance, service) - demand.mean, 0.0)


def fill_rate(demand: Protected, point: Point, order_quantity: ArrayLike) -> Numbers:
    """The share of pieces that are there when wanted: 1 - short in a cycle / order quantity; 1 without demand."""
    quantity = np.maximum(np.asarray(order_quantity, np.float64), 1.0)
    short = expected_short(demand.mean, demand.variance, point.covered)
    return np.clip(1 - short / quantity, 0.0, 1.0)


# How much the supplier's usual lead time weighs against what was seen: as much as so many deliveries.
USUAL_WEIGHS: Final = 5
# Spread of the lead time while no delivery was seen, as a share of it. Common practice, no source.
USUAL_SPREAD: Final = 0.2


def lead_time(
    usual_days: ArrayLike, *, seen: ArrayLike, late_mean_days: ArrayLike, late_variance: ArrayLike
) -> tuple[Numbers, Numbers]:
    """Mean and standard deviation of the lead time in days, from the usual one and what was seen.

    `seen` deliveries came `late_mean_days` later (or earlier, below 0) than usual with that variance. Both figures are
    shrunk towards the usual lead time as by credibility weights n / (n + k) (H. Bühlmann, ASTIN Bulletin 4 (1967)
    199-207), with k = USUAL_WEIGHS: few deliveries say little.
    """
    usual = np.asarray(usual_days, np.float64)
    n = np.asarray(seen, np.float64)
    late = np.where(n > 0, np.asarray(late_mean_days, np.float64), 0.0)
    variance = np.where(n > 1, np.asarray(late_variance, np.float64), 0.0)
    mean = np.maximum(usual + late * n / (n + USUAL_WEIGHS), 0.0)
    degrees = np.maximum(n - 1, 0.0)
    spread = (degrees * variance + USUAL_WEIGHS * (USUAL_SPREAD * usual) ** 2) / (degrees + USUAL_WEIGHS)
    return mean, np.sqrt(spread)
