"""What pooling saves: the demand of several variants on one, and the safety stock before and after.

Mean and variance of a sum: the means add; the variance is the sum of all covariances, rho s_i s_j for each pair. With
rho = 0 the standard deviation is the root of the sum of squares, so n equal demands pooled need the root of n times
one's safety stock instead of n times it (the square-root law: D. H. Maister, International Journal of Physical
Distribution 6 (1976) 124-134; G. D. Eppen, Management Science 25 (1979) 498-501).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from stock.rules.errors import RuleError
from stock.rules.reorder import safety_stock


@dataclass(frozen=True)
class Demand:
    """Random demand a week: pieces, and their variance."""

    mean: float
    variance: float

    @property
    def sd(self) -> float:
        return math.sqrt(self.variance)


def measured(weekly: Sequence[int]) -> Demand:
    """Mean and sample variance of the weeks looked at. Raises RuleError for fewer than two weeks."""
    if len(weekly) < 2:
        raise RuleError("a spread needs at least two weeks", field="weekly", value=len(weekly),
                        remedy="Look at more weeks.")
    mean = math.fsum(weekly) / len(weekly)
    return Demand(mean, math.fsum((week - mean) ** 2 for week in weekly) / (len(weekly) - 1))


def shared(demand: Demand, share: float) -> Demand:
    """The part of a demand that falls to a place when each piece goes there with that probability, whatever the
    others do: mean p m, variance p² v + p (1 - p) m (law of total variance; a thinned count)."""
    if not 0 <= share <= 1:
        raise RuleError("a share lies between 0 and 1", field="share", value=share, remedy="Give a part of the whole.")
    return Demand(share * demand.mean, share**2 * demand.variance + share * (1 - share) * demand.mean)


def pooled(demands: Iterable[Demand], *, correlation: float = 0.0) -> Demand:
    """Several demands as one, each pair with that correlation (0: independent, 1: all rise and fall together)."""
    if not 0 <= correlation <= 1:
        raise RuleError("the correlation lies between 0 and 1", field="correlation", value=correlation,
                        remedy="0 means independent, 1 that all demands rise and fall together.")
    parts = list(demands)
    own = math.fsum(part.variance for part in parts)
    together = math.fsum(part.sd for part in parts) ** 2
    return Demand(math.fsum(part.mean for part in parts), own + correlation * max(together - own, 0.0))


@dataclass(frozen=True)
class Terms:
    """What holds before and after alike: cycle service level (0 to 1), lead time and its spread in days, the days
    between two looks, and the correlation of the demands."""

    service: float
    lead_time_days: float
    lead_time_sd_days: float
    review_days: float = 1.0
    correlation: float = 0.0


@dataclass(frozen=True)
class Held:
    """The demand on one variant and the whole pieces of safety stock that it needs."""

    demand: Demand
    safety_stock: int


@dataclass(frozen=True)
class Pooling:
    """By variant, before and after the demand of the dropped ones has moved."""

    before: Mapping[int, Held]
    after: Mapping[int, Held]


def pooling(demands: Mapping[int, Demand], moves: Mapping[int, Mapping[int, float]], terms: Terms) -> Pooling:
    """Safety stock of every variant with demand, before and after each one's demand moved by its shares (variant ->
    variant -> share, adding up to 1; a variant without an entry keeps its own). All stock in one place, the same terms
    before and after. Raises RuleError for shares that do not add up to 1."""
    arriving: dict[int, list[Demand]] = {}
    for variant, demand in demands.items():
        shares = moves.get(variant) or {variant: 1.0}
        if not math.isclose(math.fsum(shares.values()), 1.0, rel_tol=1e-9):
            raise RuleError("the shares of a demand add up to 1", field="moves", value=dict(shares),
                            remedy="Give a share for every place that the demand goes to.")
        for other, share in shares.items():
            if share > 0:
                arriving.setdefault(other, []).append(demand if share == 1 else shared(demand, share))
    after = {variant: pooled(parts, correlation=terms.correlation) for variant, parts in arriving.items()}
    return Pooling(_held(demands, terms), _held(after, terms))


def _held(demands: Mapping[int, Demand], terms: Terms) -> dict[int, Held]:
    some = {variant: demand for variant, demand in sorted(demands.items()) if demand.mean > 0}
    if not some:
        return {}
    pieces = safety_stock(
        rate_per_week=[demand.mean for demand in some.values()],
        variance_per_week=[demand.variance for demand in some.values()],
        lead_time_days=terms.lead_time_days, lead_time_sd_days=terms.lead_time_sd_days,
        service=terms.service, review_days=terms.review_days,
    )
    return {
        variant: Held(demand, math.ceil(float(count) - 1e-9))
        for (variant, demand), count in zip(some.items(), pieces, strict=True)
    }
