"""Forecasts of intermittent demand against a general forecasting library and a published example.

The library (statsforecast) begins with the first size, the first interval and the first week, and smooths with 0.1;
so does `rates`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from statsforecast.models import TSB, CrostonClassic, CrostonSBA, SimpleExponentialSmoothing

from stock.rules.intermittent import estimate, rates

# "productC" in R. J. Hyndman and G. Athanasopoulos, Forecasting: Principles and Practice, 2nd edition, section 12.2.
PRODUCT_C = [
    0, 2, 0, 1, 0, 11, 0, 0, 0, 0, 2, 0, 6, 3, 0, 0, 0, 0, 0, 7, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 1, 0, 1, 0, 0,
]


def test_the_example_of_forecasting_principles_and_practice() -> None:
    """The book prints 2.750 / 2.793 = 0.985."""
    found = rates(PRODUCT_C, alpha=0.1)
    assert (round(found.size[0], 3), round(found.interval_weeks[0], 3), round(found.croston[0], 3)) == (
        2.750, 2.793, 0.985,
    )


def test_the_correction_of_syntetos_and_boylan() -> None:
    """The factor 1 - alpha/2 with alpha of the interval: manual of the R package forecast, croston_model."""
    found = rates(PRODUCT_C, alpha=0.1)
    assert found.sba[0] == pytest.approx(found.croston[0] * 0.95, rel=1e-12)
    assert found.sba[0] == pytest.approx(0.9353667, abs=5e-8)


def series() -> list[np.ndarray]:
    rng = np.random.default_rng(20)
    made = []
    for chance in (0.05, 0.15, 0.3, 0.6, 1.0):
        for size in (1.0, 0.5, 0.2):
            for weeks in (30, 104, 260):
                demand = (rng.random(weeks) < chance) * rng.geometric(size, weeks)
                if demand.any():
                    made.append(demand.astype(float))
    return made


@pytest.mark.parametrize("demand", [np.array(PRODUCT_C, float), *series()])
def test_against_the_library(demand: np.ndarray) -> None:
    found = rates(demand, alpha=0.1)
    other: dict[str, Any] = {
        "croston": CrostonClassic(), "sba": CrostonSBA(), "tsb": TSB(alpha_d=0.1, alpha_p=0.1),
        "ses": SimpleExponentialSmoothing(alpha=0.1),
    }
    for name, model in other.items():
        theirs = float(model.forecast(demand, h=1)["mean"][0])
        assert getattr(found, name)[0] == pytest.approx(theirs, rel=1e-6), name


def test_the_chosen_rate_is_the_librarys_too() -> None:
    """For the methods that the library smooths with a constant of one's choice."""
    demand = np.stack(
        [np.concatenate([np.random.default_rng(n).poisson(6, 60), np.zeros(44)]) for n in range(40)], axis=1
    )
    found = estimate(demand, horizon_weeks=3)
    chosen = found.names()
    assert {"tsb", "ses"} & set(chosen)
    for column, name in enumerate(chosen):
        alpha = float(found.alpha[column])
        model: Any
        if name == "tsb":
            model = TSB(alpha_d=alpha, alpha_p=alpha)
        elif name == "ses":
            model = SimpleExponentialSmoothing(alpha=alpha)
        else:
            continue
        theirs = float(model.forecast(demand[:, column].astype(float), h=1)["mean"][0])
        assert found.rate_per_week[column] == pytest.approx(theirs, rel=1e-6, abs=1e-9)


def test_croston_is_biased_upwards_and_the_correction_is_not() -> None:
    """A. A. Syntetos and J. E. Boylan, International Journal of Production Economics 71 (2001) 457-466: Croston's rate
    is too high by about alpha / (2 - alpha) times (1 - 1/p). Long runs of generated demand."""
    rng = np.random.default_rng(11)
    chance, weeks = 0.2, 600
    demand = (rng.random((weeks, 4000)) < chance) * rng.geometric(0.5, (weeks, 4000))
    found = rates(demand, alpha=0.3)
    truth = chance * 2
    assert found.croston.mean() / truth == pytest.approx(1 + 0.3 / 1.7 * (1 - chance), abs=0.02)
    assert abs(found.sba.mean() / truth - 1) < 0.03
    assert abs(found.tsb.mean() / truth - 1) < 0.02
