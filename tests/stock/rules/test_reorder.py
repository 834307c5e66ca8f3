"""Reorder points: quantiles against scipy, laws, and what a promise of service means."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stock.rules.errors import RuleError
from stock.rules.reorder import (
    NEGATIVE_BINOMIAL,
    NORMAL,
    POISSON,
    Protected,
    demand_quantile,
    distribution_of,
    expected_short,
    fill_rate,
    lead_time,
    normal_short,
    protected_demand,
    reorder_point,
    safety_stock,
)

means = st.floats(0.01, 200)
ratios = st.floats(1.01, 12)
services = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.999])


@given(means, ratios, services)
def test_the_negative_binomial_is_scipys(mean: float, ratio: float, service: float) -> None:
    variance = mean * ratio
    if distribution_of(mean, variance) != NEGATIVE_BINOMIAL:
        return
    other = stats.nbinom(mean**2 / (variance - mean), mean / variance)
    found = int(demand_quantile(mean, variance, service))
    assert other.cdf(found) >= service - 1e-9
    assert found == 0 or other.cdf(found - 1) < service + 1e-9


@given(means, services)
def test_without_more_spread_than_the_mean_it_is_poisson(mean: float, service: float) -> None:
    if distribution_of(mean, mean) != POISSON:
        return
    assert int(demand_quantile(mean, mean * 0.7 if mean < 30 else mean, service)) == stats.poisson(mean).ppf(service)


@given(st.floats(30, 5000), st.floats(0.2, 1.5), services)
def test_fast_movers_are_normal(mean: float, ratio: float, service: float) -> None:
    variance = min(mean * ratio, mean**2 / 9.1)
    assert distribution_of(mean, variance) == NORMAL
    exact = stats.norm(mean, np.sqrt(variance)).ppf(service)
    assert int(demand_quantile(mean, variance, service)) - exact == pytest.approx(0.5, abs=0.5 + 1e-6)


@given(means, ratios, st.integers(0, 300))
def test_what_is_missing_on_average_is_the_sum_over_the_tail(mean: float, ratio: float, covered: int) -> None:
    variance = mean * ratio
    if distribution_of(mean, variance) != NEGATIVE_BINOMIAL:
        return
    other = stats.nbinom(mean**2 / (variance - mean), mean / variance)
    top = int(mean + 60 * np.sqrt(variance) + 200)
    tail = other.sf(np.arange(covered, max(top, covered + 1))).sum()
    assert float(expected_short(mean, variance, covered)) == pytest.approx(tail, rel=1e-5, abs=1e-8)


@given(st.floats(0.01, 25), st.integers(0, 80))
def test_the_same_for_the_poisson(mean: float, covered: int) -> None:
    tail = stats.poisson(mean).sf(np.arange(covered, covered + 400)).sum()
    assert float(expected_short(mean, mean, covered)) == pytest.approx(tail, rel=1e-6, abs=1e-9)


def test_the_normal_loss() -> None:
    """Integral of the normal's tail."""
    grid = np.linspace(110, 110 + 20 * 9, 400_001)
    tail = np.trapezoid(stats.norm(100, 20).sf(grid), grid)
    assert float(normal_short(100, 20, 110)) == pytest.approx(tail, rel=1e-6)


@given(st.floats(0.01, 5), ratios, st.floats(1, 40), st.floats(0, 0.4), services)
def test_more_of_anything_uncertain_needs_more(
    rate: float, ratio: float, days: float, share: float, service: float
) -> None:
    def covered(**changed: float) -> int:
        given_ = {"rate_per_week": rate, "variance_per_week": rate * ratio, "lead_time_days": days,
                  "lead_time_sd_days": share * days} | changed
        wanted = given_.pop("service", service)
        return int(reorder_point(protected_demand(**given_), service=wanted).point)

    least = covered()
    assert covered(service=0.9999) >= least
    # Where service is low, more spread about the same mean can need less.
    if service >= 0.95:
        assert covered(lead_time_days=days * 2) >= least
        assert covered(variance_per_week=rate * ratio * 2) >= least
        assert covered(lead_time_sd_days=days * 0.9) >= least


def test_single_pieces_at_random_have_almost_no_undershoot() -> None:
    found = protected_demand(rate_per_week=0.7, variance_per_week=0.7, lead_time_days=10, review_days=1)
    assert float(found.undershoot) == pytest.approx(0.05)
    assert float(found.mean) == pytest.approx(1.05)


def test_undershoot_of_lots_is_that_of_renewal_theory() -> None:
    """Lots of k at random: U is uniform on 0 to k - 1, mean (k - 1) / 2."""
    lots, chance = 6, 1e-6
    found = protected_demand(
        rate_per_week=7 * chance * lots, variance_per_week=7 * chance * lots**2, lead_time_days=0, review_days=1
    )
    assert float(found.undershoot) == pytest.approx((lots - 1) / 2, rel=1e-4)


def test_no_demand_needs_nothing() -> None:
    found = reorder_point(protected_demand(rate_per_week=0, variance_per_week=0, lead_time_days=9), service=0.95)
    assert (int(found.point), int(found.safety_stock), int(found.distribution)) == (0, 0, 0)


def test_the_point_is_one_more_than_what_must_last() -> None:
    demand = Protected(np.array([2.0]), np.array([2.0]), np.array([0.0]))
    found = reorder_point(demand, service=0.95)
    # Poisson of mean 2: P(X <= 4) = 0.947, P(X <= 5) = 0.983.
    assert (found.covered.tolist(), found.point.tolist(), found.safety_stock.tolist()) == ([5], [6], [3])


def test_a_point_can_be_held_down_and_says_what_it_reaches() -> None:
    demand = Protected(np.array([2.0, 2.0, 0.0]), np.array([2.0, 2.0, 0.0]), np.zeros(3))
    found = reorder_point(demand, service=0.95, most=[4, 0, 9])
    assert (found.point.tolist(), found.limited.tolist()) == ([4, 0, 0], [True, True, False])
    assert found.reached.tolist() == pytest.approx([stats.poisson(2).cdf(3), 0, 1])
    free = reorder_point(demand, service=0.95)
    assert free.reached.tolist() == pytest.approx([stats.poisson(2).cdf(5), stats.poisson(2).cdf(5), 1])
    assert not free.limited.any()


def test_fill_rate_counts_pieces() -> None:
    demand = Protected(np.array([2.0]), np.array([2.0]), np.array([0.0]))
    point = reorder_point(demand, service=0.95)
    missing = float(expected_short(2.0, 2.0, 5))
    assert fill_rate(demand, point, 10)[0] == pytest.approx(1 - missing / 10)


def test_pooling_equal_items_saves_about_the_root_of_their_number() -> None:
    one = {"lead_time_days": 14.0, "lead_time_sd_days": 0.0, "service": 0.95, "review_days": 0.0}
    apart = 16 * float(safety_stock(rate_per_week=30, variance_per_week=60, **one))
    pooled = float(safety_stock(rate_per_week=16 * 30, variance_per_week=16 * 60, **one))
    assert apart / pooled == pytest.approx(4, rel=0.05)


def test_the_usual_lead_time_weighs_as_much_as_five_deliveries() -> None:
    mean, sd = lead_time(np.full(3, 10.0), seen=[0, 5, 500], late_mean_days=[0, 4, 4], late_variance=[0, 9, 9])
    assert mean.tolist() == pytest.approx([10, 12, 10 + 4 * 500 / 505])
    assert sd.tolist() == pytest.approx([2, np.sqrt((4 * 9 + 5 * 4) / 9), 3], rel=1e-2)


@pytest.mark.parametrize("service", [0.0, 1.0, 1.5])
def test_a_service_level_that_cannot_be_is_refused(service: float) -> None:
    with pytest.raises(RuleError) as refused:
        demand_quantile(1.0, 1.0, service)
    assert refused.value.field == "service"
