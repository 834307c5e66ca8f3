"""Demand that comes now and then: laws of the methods, and which is chosen."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stock.rules.errors import RuleError
from stock.rules.intermittent import (
    LEAST_WEEKS,
    METHODS,
    estimate,
    rates,
    without_returns,
)

series = arrays(np.float64, st.tuples(st.integers(1, 40), st.integers(1, 5)), elements=st.integers(0, 9).map(float))


def test_no_demand_is_no_demand() -> None:
    found = estimate(np.zeros((104, 2)), horizon_weeks=2)
    assert found.names() == ["none", "none"]
    assert (found.rate_per_week.tolist(), found.variance_per_week.tolist(), found.rate_variance.tolist()) == (
        [0, 0], [0, 0], [0, 0],
    )


@given(series, st.sampled_from([0.05, 0.1, 0.3]))
def test_each_series_is_computed_as_if_it_were_alone(demand: np.ndarray, alpha: float) -> None:
    together = rates(demand, alpha=alpha)
    for column in range(demand.shape[1]):
        alone = rates(demand[:, column], alpha=alpha)
        for name in ("mean", "ses", "sba", "croston", "tsb"):
            assert getattr(together, name)[column] == getattr(alone, name)[0]


@given(series, st.integers(1, 4))
def test_weeks_before_the_first_do_not_count(demand: np.ndarray, before: int) -> None:
    padded = np.vstack([np.zeros((before, demand.shape[1])), demand])
    first = np.full(demand.shape[1], before)
    later, now = estimate(padded, horizon_weeks=2, first_week=first), estimate(demand, horizon_weeks=2)
    for name in ("method", "rate_per_week", "variance_per_week", "rate_variance", "weeks", "forecasts"):
        np.testing.assert_allclose(getattr(later, name), getattr(now, name), rtol=1e-9, atol=1e-12)


@given(series, st.integers(2, 6))
def test_ten_times_the_demand_is_ten_times_the_rate(demand: np.ndarray, times: int) -> None:
    one, more = rates(demand, alpha=0.1), rates(demand * times, alpha=0.1)
    for name in ("mean", "ses", "sba", "croston", "tsb"):
        np.testing.assert_allclose(getattr(more, name), times * getattr(one, name), rtol=1e-12)


@given(st.integers(1, 9), st.integers(1, 60))
def test_the_same_demand_each_week_is_forecast_by_every_method(size: int, weeks: int) -> None:
    found = rates(np.full(weeks, float(size)), alpha=0.2)
    for name in ("mean", "ses", "croston", "tsb"):
        assert getattr(found, name)[0] == pytest.approx(size)
    assert found.sba[0] == pytest.approx(size * 0.9)


def test_demand_that_stopped_is_left_to_a_method_that_sees_it() -> None:
    """Croston's rate stands still after the last demand; Teunter's falls. Simple smoothing falls too."""
    rng = np.random.default_rng(5)
    demand = np.concatenate([rng.binomial(1, 0.8, 52) * 5.0, np.zeros(52)])
    found = estimate(demand, horizon_weeks=2)
    assert found.names()[0] in {"ses", "tsb"}
    assert found.rate_per_week[0] < 0.05
    assert rates(demand, alpha=0.1).croston[0] > 2


def test_the_simplest_method_stands_where_nothing_changes() -> None:
    """Of many series without any change most keep the mean: a margin guards against luck in the back-test."""
    rng = np.random.default_rng(1)
    demand = rng.binomial(1, 0.2, (104, 400)) * rng.geometric(0.5, (104, 400))
    kept = np.mean(np.array(estimate(demand, horizon_weeks=2).names()) == "mean")
    assert kept > 0.6


def test_few_weeks_give_the_mean_and_no_judgement() -> None:
    found = estimate(np.array([0.0, 3, 0, 0, 1, 0]), horizon_weeks=1)
    assert (found.names(), found.forecasts.tolist(), found.rate_per_week[0]) == (["mean"], [0], pytest.approx(4 / 6))
    assert np.isnan(found.errors).all()
    # Too few weeks to find demand more regular than single pieces at random.
    assert found.variance_per_week[0] >= found.rate_per_week[0]


def test_errors_are_those_of_forecasts_from_the_weeks_before_only() -> None:
    """The mean's error, done again by hand."""
    rng = np.random.default_rng(8)
    demand = rng.poisson(0.7, 60).astype(float)
    horizon, begin = 3, max(LEAST_WEEKS, 30)
    squares = [
        (demand[t:t + horizon].sum() - horizon * demand[:t].mean()) ** 2 for t in range(begin, 60 - horizon + 1)
    ]
    found = estimate(demand, horizon_weeks=horizon)
    assert found.forecasts[0] == len(squares) == 28
    assert found.errors[METHODS.index("mean"), 0] == pytest.approx(np.sqrt(np.mean(squares)))


@given(arrays(np.int64, st.tuples(st.integers(1, 30), st.integers(1, 4)), elements=st.integers(-6, 9)))
def test_what_came_back_is_taken_off_the_weeks_before(net: np.ndarray) -> None:
    left = without_returns(net)
    assert (left >= 0).all()
    assert (left <= np.maximum(net, 0)).all()
    # All of it is taken off, as far as anything went out before it.
    owed = np.zeros(net.shape[1])
    for week in range(len(net) - 1, -1, -1):
        owed = np.maximum(owed - net[week], 0)
    assert (left.sum(axis=0) == net.sum(axis=0) + owed).all()


def test_a_return_leaves_what_was_really_used() -> None:
    assert without_returns(np.array([4, 0, 5, -2, 0, -4, 3])).tolist() == [3, 0, 0, 0, 0, 0, 3]
    assert without_returns(np.array([-3, 2])).tolist() == [0, 2]


@pytest.mark.parametrize(
    ("demand", "options", "field"),
    [
        (np.zeros((0, 1)), {"alpha": 0.1}, "demand"),
        (np.array([-1.0]), {"alpha": 0.1}, "demand"),
        (np.array([np.nan]), {"alpha": 0.1}, "demand"),
        (np.array([1.0]), {"alpha": 0.0}, "alpha"),
    ],
)
def test_nonsense_is_refused(demand: np.ndarray, options: dict[str, float], field: str) -> None:
    with pytest.raises(RuleError) as refused:
        rates(demand, alpha=options["alpha"])
    assert refused.value.field == field


def test_a_horizon_of_no_week_is_refused() -> None:
    with pytest.raises(RuleError) as refused:
        estimate(np.ones(20), horizon_weeks=0)
    assert refused.value.field == "horizon_weeks"
