"""Order quantities: the economic one is the cheapest, and what can be bought is."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stock.rules.lot_size import economic_order_quantity, order_quantity, whole_packs, yearly_cost

demands = st.floats(0.1, 1e5)
costs = st.floats(0.1, 500)


@given(demands, costs, costs, st.floats(0.01, 100))
def test_no_other_quantity_costs_less(demand: float, order: float, keep: float, factor: float) -> None:
    best = float(economic_order_quantity(demand, order_cost=order, holding_cost=keep))
    least = float(yearly_cost(best, demand, order_cost=order, holding_cost=keep))
    other = float(yearly_cost(best * factor, demand, order_cost=order, holding_cost=keep))
    assert other >= least * (1 - 1e-12)
    # At the best quantity ordering costs as much as keeping.
    assert math.isclose(demand / best * order, best / 2 * keep, rel_tol=1e-9)


@given(demands, costs, costs)
def test_four_times_the_demand_is_twice_the_quantity(demand: float, order: float, keep: float) -> None:
    one = float(economic_order_quantity(demand, order_cost=order, holding_cost=keep))
    assert math.isclose(
        float(economic_order_quantity(4 * demand, order_cost=order, holding_cost=keep)), 2 * one, rel_tol=1e-9
    )


@given(
    st.floats(0.5, 5000), st.floats(1, 60), st.floats(0.05, 90), st.integers(1, 50), st.integers(1, 120),
    st.integers(0, 200),
)
def test_what_is_ordered_can_be_bought(
    demand: float, order: float, price: float, pack: int, least: int, promised: int
) -> None:
    quantity = int(order_quantity(demand, order_cost=order, unit_price=price, carrying_share=0.2, pack_size=pack,
                                  minimum_order=least, at_least=promised))
    assert quantity % pack == 0
    assert quantity >= max(least, promised)
    # No more than a year's demand, but for what the supplier or a promise asks, and a pack to round up to.
    assert quantity <= max(least, promised, demand * 1.001) + pack


@given(st.floats(20, 5000), st.floats(1, 60), st.floats(0.05, 90), st.integers(1, 12))
def test_of_all_whole_packs_none_is_cheaper(demand: float, order: float, price: float, pack: int) -> None:
    keep = price * 0.2
    quantity = int(order_quantity(demand, order_cost=order, unit_price=price, carrying_share=0.2, pack_size=pack))
    packs = np.arange(1, max(int(demand * 1.1 // pack), 1) + 1) * pack
    packs = packs[packs <= max(demand, pack)]
    cheapest = yearly_cost(packs, demand, order_cost=order, holding_cost=keep).min()
    mine = float(yearly_cost(quantity, demand, order_cost=order, holding_cost=keep))
    # Unless a year's demand holds it down, to within a pack and the odd day of 52 weeks.
    assert mine <= cheapest * (1 + 1e-9) or quantity + pack >= demand * 0.99


def test_without_a_price_four_weeks_are_ordered() -> None:
    assert int(order_quantity(365.25, order_cost=15, unit_price=0, carrying_share=0.2)) == 28
    assert int(order_quantity(365.25, order_cost=15, unit_price=math.nan, carrying_share=0.2, pack_size=10)) == 30


def test_slow_and_cheap_is_not_ordered_for_decades() -> None:
    assert int(order_quantity(1.0, order_cost=15, unit_price=0.2, carrying_share=0.2)) == 1


def test_nothing_wanted_nothing_ordered() -> None:
    assert int(order_quantity(0, order_cost=15, unit_price=5, carrying_share=0.2, minimum_order=10)) == 0
    assert int(order_quantity(0, order_cost=15, unit_price=5, carrying_share=0.2, minimum_order=10, at_least=3)) == 10


def test_whole_packs() -> None:
    found = whole_packs([0, 1, 10, 10.5, 11], pack_size=5, minimum_order=8)
    assert found.tolist() == [0, 10, 10, 15, 15]
