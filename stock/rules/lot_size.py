"""How much to order at a time."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Numbers = NDArray[np.float64]

# No order is for more than the demand of so many weeks, whatever ordering costs. Common practice, no source.
MOST_WEEKS: Final = 52.0
# Without a price there is no cost of keeping: the demand of so many weeks. Common practice, no source.
UNPRICED_WEEKS: Final = 4.0
WEEKS_PER_YEAR: Final = 365.25 / 7


def economic_order_quantity(
    yearly_demand: ArrayLike, *, order_cost: ArrayLike, holding_cost: ArrayLike
) -> Numbers:
    """The quantity with the least yearly cost of ordering and keeping: the root of 2 D S / H.

    Both costs in one currency; `holding_cost` of one unit for a year. 0 without demand, infinite where keeping is
    free. F. W. Harris, Factory, The Magazine of Management 10 (1913) 135-136, 152.
    """
    demand = np.asarray(yearly_demand, np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        quantity = np.sqrt(2 * demand * np.asarray(order_cost, np.float64) / np.asarray(holding_cost, np.float64))
    return np.where(demand > 0, quantity, 0.0)


def yearly_cost(
    quantity: ArrayLike, yearly_demand: ArrayLike, *, order_cost: ArrayLike, holding_cost: ArrayLike
) -> Numbers:
    """What ordering in lots of that quantity and keeping half of it on average cost a year."""
    lots = np.asarray(quantity, np.float64)
    ordering = np.asarray(yearly_demand, np.float64) / lots * np.asarray(order_cost, np.float64)
    return ordering + lots / 2 * np.asarray(holding_cost, np.float64)


def whole_packs(quantity: ArrayLike, *, pack_size: ArrayLike, minimum_order: ArrayLike = 1) -> NDArray[np.int64]:
    """The least whole number of packs that is at least the quantity and the least order; 0 for a quantity of 0."""
    wanted = np.asarray(quantity, np.float64)
    pack = np.asarray(pack_size, np.float64)
    least = np.maximum(wanted, np.asarray(minimum_order, np.float64))
    return np.where(wanted > 0, np.ceil(least / pack - 1e-9) * pack, 0.0).astype(np.int64)


def order_quantity(
    yearly_demand: ArrayLike, *, order_cost: ArrayLike, unit_price: ArrayLike, carrying_share: ArrayLike,
    pack_size: ArrayLike = 1, minimum_order: ArrayLike = 1, at_least: ArrayLike = 0,
) -> NDArray[np.int64]:
    """The economic order quantity as it can be bought: in packs, whichever neighbour costs less, at least the least
    order and `at_least` (what is promised), at most a year's demand.

    `unit_price` 0 or NaN: not known, and the demand of UNPRICED_WEEKS is taken. 0 where nothing is wanted.
    """
    demand = np.asarray(yearly_demand, np.float64)
    price = np.nan_to_num(np.asarray(unit_price, np.float64))
    pack = np.asarray(pack_size, np.float64)
    keeping = price * np.asarray(carrying_share, np.float64)
    cost = np.asarray(order_cost, np.float64)
    ideal = economic_order_quantity(demand, order_cost=cost, holding_cost=np.where(keeping > 0, keeping, 1.0))
    ideal = np.where(keeping > 0, ideal, demand * UNPRICED_WEEKS / WEEKS_PER_YEAR)
    ideal = np.minimum(ideal, demand * MOST_WEEKS / WEEKS_PER_YEAR)
    fewer = np.maximum(np.floor(ideal / pack + 1e-9), 1.0) * pack
    # Cost is D S / Q + H Q / 2; the larger neighbour is cheaper exactly when D S lies above half H times both.
    dearer = 2 * demand * cost < keeping * fewer * (fewer + pack)
    quantity = np.where(dearer | (fewer >= ideal), fewer, fewer + pack)
    quantity = np.where(keeping > 0, quantity, np.ceil(ideal / pack - 1e-9) * pack)
    least = np.asarray(at_least, np.float64)
    return whole_packs(
        np.where(demand > 0, np.maximum(quantity, least), least), pack_size=pack, minimum_order=minimum_order
    )
