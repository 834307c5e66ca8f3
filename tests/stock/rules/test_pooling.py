"""What pooling saves, by hand and by law."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stock.rules.errors import RuleError
from stock.rules.pooling import Demand, Terms, measured, pooled, pooling, shared

TERMS = Terms(service=0.95, lead_time_days=14, lead_time_sd_days=0)


def test_the_spread_of_the_weeks_is_the_sample_variance() -> None:
    assert measured([0, 2, 1, 1]) == Demand(1.0, 2 / 3)
    with pytest.raises(RuleError):
        measured([1])


def test_a_share_of_a_demand() -> None:
    assert shared(Demand(4, 6), 1) == Demand(4, 6)
    assert shared(Demand(4, 6), 0) == Demand(0, 0)
    # A Poisson demand (variance as the mean) stays one when each piece goes its own way.
    assert shared(Demand(4, 4), 0.25) == Demand(1, 1)
    with pytest.raises(RuleError):
        shared(Demand(4, 6), 1.5)


def test_a_dropped_variant_moves_to_those_that_serve_its_positions() -> None:
    demands = {1: Demand(2, 2), 2: Demand(1, 1), 3: Demand(4, 4)}
    found = pooling(demands, {1: {2: 1.0}, 3: {3: 0.75, 2: 0.25}}, TERMS)
    assert {key: held.demand for key, held in found.after.items()} == {2: Demand(4, 4), 3: Demand(3, 3)}
    assert set(found.before) == {1, 2, 3}
    total = {name: sum(held.safety_stock for held in kept.values())
             for name, kept in (("before", found.before), ("after", found.after))}
    assert 0 < total["after"] < total["before"]


def test_shares_that_lose_demand_are_refused() -> None:
    with pytest.raises(RuleError) as error:
        pooling({1: Demand(2, 2)}, {1: {2: 0.5}}, TERMS)
    assert error.value.field == "moves"
    with pytest.raises(RuleError):
        pooled([Demand(1, 1)], correlation=1.1)


def test_without_demand_nothing_is_held() -> None:
    found = pooling({1: Demand(0, 0)}, {}, TERMS)
    assert (dict(found.before), dict(found.after)) == ({}, {})


DEMANDS = st.lists(st.builds(Demand, st.floats(0.01, 50), st.floats(0.01, 500)), min_size=1, max_size=8)


@given(DEMANDS)
def test_independent_spreads_add_as_the_root_of_the_sum_of_squares(demands: list[Demand]) -> None:
    found = pooled(demands)
    assert found.sd == pytest.approx(math.sqrt(sum(demand.sd**2 for demand in demands)))
    assert found.mean == pytest.approx(sum(demand.mean for demand in demands))
    # That rise and fall together: pooling saves nothing.
    assert pooled(demands, correlation=1).sd == pytest.approx(sum(demand.sd for demand in demands))


@given(DEMANDS, st.floats(0, 1), st.floats(0, 1))
def test_the_more_they_go_together_the_less_pooling_saves(demands: list[Demand], one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert pooled(demands, correlation=low).sd <= pooled(demands, correlation=high).sd + 1e-9


@given(st.floats(0.01, 50), st.floats(0.01, 500), st.floats(0, 1))
def test_the_two_parts_of_a_split_demand_have_its_mean(mean: float, variance: float, share: float) -> None:
    parts = [shared(Demand(mean, variance), share), shared(Demand(mean, variance), 1 - share)]
    assert sum(part.mean for part in parts) == pytest.approx(mean)
    # What one gets the other lacks: cov = p (1 - p) (v - m), so the variances and twice that are the whole's.
    assert sum(part.variance for part in parts) + 2 * share * (1 - share) * (variance - mean) == pytest.approx(
        variance, abs=1e-6
    )
