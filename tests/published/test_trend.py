"""The trend against an independent implementation of least squares, and the t distribution against its own tables."""

from __future__ import annotations

import math
from datetime import date, timedelta
from random import Random

import pytest
from scipy import stats

from installs.rules.trend import STUDENT_T, Value, student_t, trend_of

START = date(2023, 11, 1)


@pytest.mark.parametrize(
    ("degrees", "printed"),
    # Two-sided 5 % (upper tail 0.025): NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (from memory).
    [(1, 12.706), (2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (10, 2.228), (20, 2.086), (30, 2.042)],
)
def test_students_t_is_as_printed(degrees: int, printed: float) -> None:
    assert round(student_t(degrees), 3) == printed


def test_students_t_is_that_of_scipy_and_never_smaller() -> None:
    for degrees, value in enumerate(STUDENT_T, 1):
        assert value == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-6)
    assert student_t(500) > stats.t.ppf(0.975, 500)


@pytest.mark.parametrize("seed", range(200))
def test_line_and_test_are_those_of_scipy(seed: int) -> None:
    """scipy.stats.linregress, on random series of 3 to 12 values with more or less slope and noise."""
    random = Random(seed)
    days = sorted(random.sample(range(1, 1400), random.randint(3, 12)))
    days = [0, *days, days[-1] + 180]
    slope, noise = random.choice((0, 0.05, -0.2, 1.5)), random.choice((0.5, 10, 60))
    ohms = [4700 + slope * day + random.gauss(0, noise) for day in days]
    trend = trend_of([Value(START + timedelta(days=day), ohm) for day, ohm in zip(days, ohms, strict=True)],
                     band_low_ohm=2000, band_high_ohm=7000)
    assert trend is not None
    other = stats.linregress(days, ohms)
    assert trend.ohm_per_year == pytest.approx(other.slope * 365.25, rel=1e-9, abs=1e-9)
    assert trend.t == pytest.approx(other.slope / other.stderr, rel=1e-6, abs=1e-9)
    assert trend.ohm_on(START) == pytest.approx(other.intercept, rel=1e-9)
    if len(days) - 2 <= len(STUDENT_T):
        assert trend.drifts == (other.pvalue < 0.05)
    if trend.leaves_on is not None:
        edge = 7000 if other.slope > 0 else 2000
        exact = (edge - other.intercept) / other.slope
        assert (trend.leaves_on - START).days == (math.ceil(exact) if other.slope > 0 else math.floor(exact) + 1)


@pytest.mark.parametrize("seed", range(60))
def test_earliest_and_latest_are_where_the_confidence_band_meets_the_edge(seed: int) -> None:
    """The bound of the mean line, m + b u ± t s sqrt(1/n + u²/Sxx), from scipy's own slope error and t."""
    random = Random(1000 + seed)
    days = [0, 170, 350, 540, 700, 900]
    ohms = [4700 + 1.2 * day + random.gauss(0, 40) for day in days]
    trend = trend_of([Value(START + timedelta(days=day), ohm) for day, ohm in zip(days, ohms, strict=True)],
                     band_low_ohm=2000, band_high_ohm=7000)
    assert trend is not None
    assert trend.earliest_on is not None
    assert trend.leaves_on is not None
    assert trend.latest_on is not None
    assert trend.earliest_on <= trend.leaves_on <= trend.latest_on
    other = stats.linregress(days, ohms)
    mean = sum(days) / len(days)
    sxx = sum((day - mean) ** 2 for day in days)
    spread = other.stderr * math.sqrt(sxx)
    t = stats.t.ppf(0.975, len(days) - 2)

    def bound(day: date, sign: int) -> float:
        u = (day - START).days
        line = other.intercept + other.slope * u
        return float(line + sign * t * spread * math.sqrt(1 / len(days) + (u - mean) ** 2 / sxx))

    one = timedelta(days=1)
    assert bound(trend.earliest_on - one, +1) < 7000 <= bound(trend.earliest_on, +1) + 1e-6
    assert bound(trend.latest_on - one, -1) < 7000 <= bound(trend.latest_on, -1) + 1e-6
