"""Loops drawn at random: within the intervals, by chance as computed, and the same for the same seed."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules.errors import RuleError
from installs.rules.loop_batches import stack
from installs.rules.loop_draws import drawn_states, leaving
from installs.rules.loops import Band, CableSpec, Loop, LoopDevice, state_intervals, state_table
from installs.rules.topology import STANDARD_TOPOLOGIES, parse_topology
from tests.published.loop_netlists import random_case

DOUBLE = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
BANDS = (
    Band("tamper", 0, 700),
    Band("normal", 700, 1400),
    Band("alarm", 1400, 2800),
    Band("tamper", 2800, None),
)
BOTH = frozenset({"alarm", "tamper"})


def double(eol_ohm: float = 1000.0, *, devices: int = 1, run_m: float = 0.0) -> Loop:
    made = tuple(LoopDevice(f"d{place}", f"D{place}", BOTH, {"alarm": 1000.0}, run_m) for place in range(devices))
    return Loop(DOUBLE, made, CableSpec(80.0, 0.00393, 2.0), eol_ohm=eol_ohm, contact_ohm_max=0.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32))
def test_every_draw_lies_within_its_interval(seed: int) -> None:
    loop = random_case(random.Random(seed)).loop
    limits = state_intervals(loop)
    drawn = list(drawn_states(loop, draws=200, seed=seed))
    assert [(state, key) for state, key, _, _ in drawn] == [(row.state, row.device_key) for row in limits]
    for (_, _, _, ohm), limit in zip(drawn, limits, strict=True):
        assert ohm.shape == (1, 200)
        assert np.all(ohm >= float(limit.least_ohm) * (1 - 1e-9) - 1e-9), limit
        assert np.all(ohm <= float(limit.greatest_ohm) * (1 + 1e-9) + 1e-9), limit


@settings(max_examples=60, deadline=None)
@given(st.floats(600, 1500), st.integers(1, 4), st.floats(0, 60), st.integers(0, 2**32))
def test_nothing_leaves_where_there_is_margin(eol_ohm: float, devices: int, run_m: float, seed: int) -> None:
    loop = double(eol_ohm, devices=devices, run_m=run_m)
    for row, odds in zip(state_table(loop, BANDS), leaving(loop, BANDS, draws=500, seed=seed), strict=True):
        assert (row.state, row.device_key, row.label) == (odds.state, odds.device_key, odds.label)
        assert 0 <= float(odds.probability) <= 1
        if row.margin_ohm is not None and row.margin_ohm > 0:
            assert odds.probability == 0, row


def test_probability_is_the_share_of_the_interval_beyond_the_edge() -> None:
    # 1380 ohm at 5 %, no cable: uniform from 1311 to 1449, of which 49 of 138 lie above the edge of 1400.
    loop = replace(double(1380.0), tolerance_percent=5.0)
    normal = leaving(loop, BANDS, draws=200_000, seed=7)[0]
    assert normal.probability == pytest.approx(49 / 138, abs=0.004)
    assert leaving(loop, BANDS, draws=1000, seed=7) == leaving(loop, BANDS, draws=1000, seed=7)
    assert leaving(loop, BANDS, draws=1000, seed=7) != leaving(loop, BANDS, draws=1000, seed=8)


def test_every_resistor_is_drawn_on_its_own() -> None:
    # Ten resistors of 1k at 5 % in alarm at once: the spread of a sum, 1000 x 0.05 / sqrt(3) x sqrt(11) = 95.7 ohm
    # with the end; were they one draw it would be 317.5.
    loop = replace(double(devices=10), tolerance_percent=5.0)
    ohm = next(ohm for state, _, _, ohm in drawn_states(loop, draws=50_000, seed=1) if state == "all-alarm")
    assert float(ohm.std()) == pytest.approx(1000 * 0.05 / math.sqrt(3) * math.sqrt(11), rel=0.02)


def test_stacked_circuits_have_odds_of_their_own() -> None:
    loops = [replace(double(eol), tolerance_percent=5.0) for eol in (1000.0, 1380.0, 1500.0)]
    odds = leaving(stack(loops), BANDS, draws=4000, seed=3)
    alone = [leaving(loop, BANDS, draws=4000, seed=3)[0].probability for loop in loops]
    assert np.asarray(odds[0].probability).shape == (3,)
    assert np.asarray(odds[0].probability) == pytest.approx(alone, abs=0.03)
    assert (alone[0], alone[2]) == (0.0, 1.0)


def test_a_short_lies_anywhere_along_the_cable() -> None:
    # 100 m of pair before one device, 16 ohm at 20 °C: on average half of it, and never all.
    loop = replace(double(run_m=100.0), cable=CableSpec(80.0, 0.0, 0.0))
    ohm = next(ohm for state, _, _, ohm in drawn_states(loop, draws=50_000, seed=5) if state == "short")
    assert float(ohm.mean()) == pytest.approx(8.0, rel=0.02)
    assert (float(ohm.min()) >= 0, float(ohm.max()) <= 16.0) == (True, True)


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(RuleError, match=r"draws.*Give 1 to 20000000"):
        leaving(double(), BANDS, draws=0)
    no_end = replace(double(), eol_ohm=None)
    with pytest.raises(RuleError, match=r"resistor_ohm\.eol.*D0 has no eol resistor"):
        leaving(no_end, BANDS, draws=10)
