"""Order quantities, reorder points and safety stocks against worked examples of textbooks and courses.

Examples 1 to 6: questions of public question banks, as the comment at each says; the books that they are attributed to
are named from memory. Where a source prints rounded steps, the tolerance says so.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from scipy import stats

from stock.rules.lot_size import economic_order_quantity, order_quantity, yearly_cost
from stock.rules.reorder import (
    demand_quantile,
    lead_time_spread,
    normal_quantile,
    normal_short,
    protected_demand,
    reorder_point,
)


@pytest.mark.parametrize(
    ("service", "z"),
    [
        # Standard normal quantiles to four places, as in any printed table; here by Python's statistics.NormalDist.
        (0.80, 0.8416), (0.85, 1.0364), (0.90, 1.2816), (0.95, 1.6449), (0.975, 1.9600), (0.98, 2.0537),
        (0.99, 2.3263), (0.995, 2.5758), (0.999, 3.0902),
    ],
)
def test_standard_normal_quantiles(service: float, z: float) -> None:
    assert float(normal_quantile(service)) == pytest.approx(z, abs=5e-5)
    assert float(normal_quantile(service)) == pytest.approx(NormalDist().inv_cdf(service), abs=1e-12)


def eoq(demand: float, order: float, keep: float) -> float:
    return float(economic_order_quantity(demand, order_cost=order, holding_cost=keep))


def spread(sd: float, periods: float) -> float:
    return float(lead_time_spread(sd, periods))


def test_example_1_a_shop_sells_knife_sets() -> None:
    """2,400 a year, 5 an order, 4 a year each, sd 4 a day, 365 days, 7 days to wait, 98 %.

    Question and solution: a question bank (attributed to Chase and Jacobs, from memory). It prints 67.73 with z 2.05
    from rounded steps; 0.05 is allowed.
    """
    assert eoq(2400, 5, 4) == pytest.approx(77.46, abs=0.005)
    assert spread(4, 7) == pytest.approx(10.583, abs=0.0005)
    expected = 2400 / 365 * 7
    assert expected + 2.05 * spread(4, 7) == pytest.approx(67.73, abs=0.05)
    exact = expected + float(normal_quantile(0.98)) * spread(4, 7)
    assert exact == pytest.approx(67.76, abs=0.005)
    # The rule covers it in whole pieces: 68.
    assert int(demand_quantile(expected, spread(4, 7) ** 2, 0.98)) == 68


def test_example_2_94_a_week() -> None:
    """94 a week for 52 weeks, 720 an order, 23 a year each, 3 weeks to wait, sd 30 a week, z 0.92 for 82 %.

    Question bank (attributed to Krajewski, from memory). It prints 47.75 and 329.75 from a rounded root of 3.
    """
    assert eoq(94 * 52, 720, 23) == pytest.approx(553.2, abs=0.05)
    safety = 0.92 * spread(30, 3)
    assert safety == pytest.approx(47.75, abs=0.06)
    assert 94 * 3 + safety == pytest.approx(329.75, abs=0.06)
    assert float(normal_quantile(0.82)) == pytest.approx(0.92, abs=0.005)


def test_example_3_a_pet_shop() -> None:
    """4,000 a year, 15 an order, 2 a year each; 80 a week, sd 16, 2 weeks, 95 %. Question from a question bank; the
    cost of 500 is printed, the rest computed."""
    assert float(yearly_cost(200, 4000, order_cost=15, holding_cost=2)) == 500
    assert eoq(4000, 15, 2) == pytest.approx(244.95, abs=0.005)
    assert 160 + float(normal_quantile(0.95)) * spread(16, 2) == pytest.approx(197.2, abs=0.05)
    # Bought as it can be: 245 costs less than 244.
    assert int(order_quantity(4000, order_cost=15, unit_price=10, carrying_share=0.2)) == 245


def test_example_4_a_coffee_shop() -> None:
    """75 a day on 200 days, sd 15, 16 an order, 3 a year each, 4 days, 1 % risk. Question from a question bank;
    answers computed."""
    assert eoq(75 * 200, 16, 3) == pytest.approx(400, abs=1e-9)
    assert 300 + float(normal_quantile(0.99)) * spread(15, 4) == pytest.approx(369.8, abs=0.05)
    assert int(demand_quantile(300, spread(15, 4) ** 2, 0.99)) == 370


def test_example_5_two_stock_outs_a_year() -> None:
    """300 a year, 20 each, kept for 15 %, 5 an order, lead time demand normal 15 with sd 6. Question from a question
    bank; answers computed."""
    quantity = eoq(300, 5, 20 * 0.15)
    assert quantity == pytest.approx(31.6, abs=0.05)
    orders = 300 / quantity
    assert orders == pytest.approx(9.49, abs=0.005)
    z = float(normal_quantile(1 - 2 / orders))
    assert z == pytest.approx(0.80, abs=0.005)
    assert 15 + z * 6 == pytest.approx(19.8, abs=0.05)


def fixed_point(sd: float) -> tuple[float, float]:
    """Order quantity and reorder point with a penalty for each piece missing, by turns until nothing changes."""
    demand, fixed, keep, penalty, mean = 200.0, 50.0, 2.0, 25.0, 100.0
    quantity = eoq(demand, fixed, keep)
    for _ in range(200):
        point = mean + float(normal_quantile(1 - quantity * keep / (penalty * demand))) * sd
        quantity = math.sqrt(2 * demand * (fixed + penalty * float(normal_short(mean, sd, point))) / keep)
    return quantity, point


def test_example_6_with_a_penalty() -> None:
    """200 a year, 50 an order, 2 a year each, 25 for each piece missing, lead time demand normal 100 with sd 20.

    Question from a question bank. With sd 25: Nahmias, Production and Operations Analysis, prints 111 and 143 (from
    memory).
    """
    first = 100 + float(normal_quantile(1 - 100 * 2 / (25 * 200))) * 20
    assert eoq(200, 50, 2) == pytest.approx(100)
    assert float(normal_quantile(0.96)) == pytest.approx(1.751, abs=0.0005)
    assert first == pytest.approx(135.0, abs=0.05)
    assert float(normal_short(100, 20, first)) == pytest.approx(0.323, abs=0.0005)
    quantity, point = fixed_point(20)
    assert quantity == pytest.approx(108.5, abs=0.05)
    assert point == pytest.approx(134.3, abs=0.06)
    quantity, point = fixed_point(25)
    assert (round(quantity), round(point)) == (111, 143)


def test_a_random_lead_time_against_a_simulation_by_numpy() -> None:
    """Root of v E[L] + m² Var[L] (any textbook of inventory): weekly demand normal 50 with sd 12 over 3 to 7 weeks.
    Checked against numpy's random numbers, 400,000 lead times."""
    rng = np.random.default_rng(4)
    weeks = rng.integers(3, 8, 400_000)
    total = rng.normal(50 * weeks, 12 * np.sqrt(weeks))
    found = float(lead_time_spread(12, 5, mean_per_period=50, lead_time_sd_periods=math.sqrt(2)))
    assert found == pytest.approx(total.std(), rel=0.005)


def test_slow_movers_against_the_exact_distribution_of_scipy() -> None:
    """Single pieces at random: the demand of a fixed lead time is Poisson (any textbook of probability)."""
    for per_week in (0.05, 0.3, 1.0, 2.5):
        for days in (5, 14, 28):
            demand = protected_demand(
                rate_per_week=per_week, variance_per_week=per_week, lead_time_days=days, review_days=0
            )
            for service in (0.9, 0.95, 0.99):
                exact = stats.poisson(per_week * days / 7).ppf(service)
                assert int(reorder_point(demand, service=service).covered) == exact
