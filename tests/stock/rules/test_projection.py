"""Stock over the coming days."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stock.rules.errors import RuleError
from stock.rules.projection import project


def test_known_work_and_arrivals_at_their_days() -> None:
    found = project(5, days=4, known=[(1, 2), (3, 4)], arrivals=[(2, 10), (9, 50)], rate_per_week=0,
                    variance_per_week=0)
    assert found.certain.tolist() == found.expected.tolist() == [5, 3, 13, 9, 9]
    assert (found.low.tolist(), found.high.tolist()) == ([5, 3, 13, 9, 9], [5, 3, 13, 9, 9])


def test_what_is_overdue_counts_today() -> None:
    found = project(5, days=2, known=[(-3, 2)], arrivals=[(-1, 1)], rate_per_week=0, variance_per_week=0)
    assert found.certain.tolist() == [4, 4, 4]


def test_random_demand_lowers_stock_and_widens_the_band() -> None:
    found = project(10, days=28, known=[], arrivals=[], rate_per_week=2, variance_per_week=3, rate_variance=0.1)
    assert found.expected[[7, 14, 28]].tolist() == [8, 6, 2]
    width = found.high - found.low
    assert width[0] == 0
    assert width[28] > width[7] > 0
    assert found.first_below(6) == 15
    assert found.first_below(-5) is None


@given(st.integers(0, 40), st.floats(0.01, 3), st.floats(1, 6))
def test_the_band_only_sinks_and_holds_nine_cases_of_ten(on_hand: int, rate: float, ratio: float) -> None:
    found = project(on_hand, days=60, known=[], arrivals=[], rate_per_week=rate, variance_per_week=rate * ratio)
    assert (np.diff(found.low) <= 0).all()
    assert (found.low <= found.high).all()
    single = project(on_hand, days=60, known=[], arrivals=[], rate_per_week=rate, variance_per_week=rate)
    demand = stats.poisson(rate * 60 / 7)
    assert (on_hand - single.low[60], on_hand - single.high[60]) == (demand.ppf(0.95), demand.ppf(0.05))


def test_no_days_are_refused() -> None:
    with pytest.raises(RuleError):
        project(1, days=0, known=[], arrivals=[], rate_per_week=1, variance_per_week=1)
