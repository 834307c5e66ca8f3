"""When a line through measured values counts as a drift, and when it leaves the band."""

from __future__ import annotations

import math
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from installs.rules.trend import Trend, Value, trend_of

START = date(2024, 1, 1)


def series(*pairs: tuple[int, float]) -> list[Value]:
    return [Value(START + timedelta(days=day), ohm) for day, ohm in pairs]


def line(*pairs: tuple[int, float], low: float | None = 2000, high: float | None = 7000) -> Trend | None:
    return trend_of(series(*pairs), band_low_ohm=low, band_high_ohm=high)


@pytest.mark.parametrize(
    "pairs", [(), ((0, 4700.0),), ((0, 4700.0), (400, 4800.0)), ((0, 4700.0), (90, 4710.0), (179, 4720.0))]
)
def test_too_few_values_or_too_short_a_time_give_no_line(pairs: tuple[tuple[int, float], ...]) -> None:
    assert line(*pairs) is None


def test_an_exact_line_leaves_on_the_day_it_meets_the_upper_edge() -> None:
    found = line((0, 4700.0), (100, 4800.0), (200, 4900.0))
    assert found is not None
    assert (found.drifts, found.t, found.ohm_per_year) == (True, math.inf, pytest.approx(365.25))
    assert found.leaves_on == found.earliest_on == found.latest_on == START + timedelta(days=2300)


def test_the_lower_edge_belongs_to_the_band() -> None:
    """At 2,000 Ω exactly it still reads normal, so it leaves on the day after; the upper edge is outside at once."""
    found = line((0, 4700.0), (100, 4600.0), (200, 4500.0))
    assert found is not None
    assert (found.t, found.leaves_on) == (-math.inf, START + timedelta(days=2701))


@pytest.mark.parametrize(("low", "high", "step"), [(0, 7000, -1.0), (None, 7000, -1.0), (2000, None, 1.0)])
def test_no_edge_ahead_is_never_left(low: float | None, high: float | None, step: float) -> None:
    found = line((0, 4700.0), (100, 4700 + 100 * step), (200, 4700 + 200 * step), low=low, high=high)
    assert found is not None
    assert (found.drifts, found.leaves_on) == (True, None)


def test_scatter_is_no_drift() -> None:
    found = line((0, 4700.0), (180, 4730.0), (365, 4695.0), (540, 4722.0), (730, 4712.0))
    assert found is not None
    assert (found.drifts, found.leaves_on, found.earliest_on) == (False, None, None)


def test_equal_values_are_no_drift_whatever_the_rounding() -> None:
    for ohm in (0.0, 0.1, 4700.3, 99e6 / 7):
        found = line((0, ohm), (111, ohm), (333, ohm), (777, ohm))
        assert found is not None
        assert (found.drifts, found.t) == (False, 0.0)


def test_a_line_that_left_long_ago_says_when() -> None:
    found = line((0, 7500.0), (100, 7600.0), (200, 7700.0))
    assert found is not None
    assert found.leaves_on == START - timedelta(days=500)


def test_what_lies_further_than_a_century_is_not_in_sight() -> None:
    found = line((0, 4700.0), (1000, 4700.01), (2000, 4700.02))
    assert found is not None
    assert (found.drifts, found.leaves_on) == (True, None)


VALUES = st.lists(
    st.tuples(st.integers(0, 3000), st.integers(0, 1_000_000).map(lambda n: n / 10)), min_size=3, max_size=12
)


@given(VALUES, st.randoms())
def test_the_order_of_the_values_does_not_matter(pairs: list[tuple[int, float]], random: object) -> None:
    shuffled = list(pairs)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = line(*pairs), line(*shuffled)
    assert (one is None) == (other is None)
    if one is not None and other is not None:
        assert one.leaves_on == other.leaves_on
        assert one.ohm_per_year == pytest.approx(other.ohm_per_year, rel=1e-9, abs=1e-9)


@given(VALUES)
def test_a_wider_band_is_never_left_earlier(pairs: list[tuple[int, float]]) -> None:
    narrow, wide = line(*pairs, high=7000), line(*pairs, high=9000)
    if narrow is not None and wide is not None and wide.leaves_on is not None and wide.ohm_per_year > 0:
        assert narrow.leaves_on is not None
        assert narrow.leaves_on <= wide.leaves_on


@given(VALUES)
def test_the_day_of_leaving_is_the_first_one_outside(pairs: list[tuple[int, float]]) -> None:
    found = line(*pairs)
    if found is not None and found.leaves_on is not None:
        before, then = found.ohm_on(found.leaves_on - timedelta(days=1)), found.ohm_on(found.leaves_on)
        if found.ohm_per_year > 0:
            assert before < 7000 + 1e-6 <= then + 2e-6
        else:
            assert before >= 2000 - 1e-6 > then - 2e-6
