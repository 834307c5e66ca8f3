"""Loops: states, margins, verdicts, longest cable, board values and batches."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules.bands import margin_ohm, reading, readings
from installs.rules.errors import RuleError
from installs.rules.loop_batches import OUTCOMES, outcomes, shape, stack
from installs.rules.loops import (
    Band,
    CableSpec,
    Loop,
    LoopDevice,
    indistinguishable,
    longest_cable_m,
    reads_values,
    state_intervals,
    state_table,
    verdict,
)
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology

CLOSED = parse_topology(STANDARD_TOPOLOGIES["closed-loop"])
DOUBLE = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
TRIPLE = parse_topology(STANDARD_TOPOLOGIES["triple-eol"])
CABLE = CableSpec(80.0)
# A panel input that reads double EOL boards of 1k and 1k.
BANDS = (
    Band("tamper", 0, 700),
    Band("normal", 700, 1400),
    Band("alarm", 1400, 2800),
    Band("tamper", 2800, None),
)


def device(key: str = "d1", *, alarm: float = 1000.0, run_m: float = 20.0, eol: float | None = None) -> LoopDevice:
    values = {"alarm": alarm} if eol is None else {"alarm": alarm, "eol": eol}
    return LoopDevice(key, f"Detector {key}", frozenset({"alarm", "tamper"}), values, run_m)


def double(*devices: LoopDevice, eol: float | None = 1000.0, **more: float) -> Loop:
    return Loop(DOUBLE, devices or (device(),), CABLE, eol_ohm=eol, **more)


def test_table_of_a_double_eol_loop() -> None:
    loop = double(tolerance_percent=1.0, contact_ohm_max=0.5, least_temperature_c=20.0, greatest_temperature_c=20.0)
    rows = {row.state: row for row in state_table(loop, BANDS)}
    assert list(rows) == ["normal", "alarm", "tamper", "open", "short"]
    # 20 m of pair at 80 ohm/km: 3.2 ohm; two closed contacts of up to 0.5 ohm.
    normal = rows["normal"]
    assert (normal.nominal_ohm, normal.least_ohm, normal.greatest_ohm) == pytest.approx((1003.2, 993.2, 1014.2))
    assert (normal.expected, normal.band, normal.reads, normal.outcome) == ("normal", "normal", ("normal",), "right")
    assert normal.margin_ohm == pytest.approx(993.2 - 700)
    # In alarm its contact is open, so only the tamper contact adds its 0.5 ohm.
    alarm = rows["alarm"]
    assert (alarm.nominal_ohm, alarm.least_ohm, alarm.greatest_ohm) == pytest.approx((2003.2, 1983.2, 2023.7))
    assert alarm.label == "Detector d1 in alarm"
    tamper, short = rows["tamper"], rows["short"]
    assert (tamper.nominal_ohm, tamper.band, tamper.margin_ohm) == (math.inf, "tamper", math.inf)
    # A short at the far end; the alarm contact's 0.5 ohm has the alarm resistor beside it.
    assert (short.least_ohm, short.greatest_ohm) == pytest.approx((0, 3.2 + 0.5 + 1 / (1 / 0.5 + 1 / 1010)))
    assert verdict(loop, BANDS).outcome == "right"
    assert verdict(loop, BANDS).reasons == ()


def test_temperature_moves_the_cable_only() -> None:
    loop = double(device(run_m=100.0), tolerance_percent=0.0, contact_ohm_max=0.0)
    normal = state_table(loop, BANDS)[0]
    # 16 ohm of pair at 20 °C; 0.393 % a degree from -10 to 40 °C.
    expected = (1016.0, 1000 + 16 * (1 - 30 * 0.00393), 1000 + 16 * (1 + 20 * 0.00393))
    assert (normal.nominal_ohm, normal.least_ohm, normal.greatest_ohm) == pytest.approx(expected)


def test_the_last_board_carries_the_end_resistor_when_none_is_wired() -> None:
    loop = double(device("d1", eol=4700.0), device("d2", eol=2200.0), eol=None, contact_ohm_max=0.0)
    normal = state_intervals(loop)[0]
    assert normal.nominal_ohm == pytest.approx(2200 + 2 * 3.2)
    with pytest.raises(RuleError, match=r"resistor_ohm\.eol.*Detector d2 has no eol resistor"):
        state_intervals(double(device("d1", eol=4700.0), device("d2"), eol=None))


def test_a_signal_that_the_topology_cannot_carry_is_refused() -> None:
    masked = replace(device(), functions=frozenset({"alarm", "mask"}))
    with pytest.raises(RuleError, match="cannot carry the mask signal of Detector d1"):
        state_intervals(double(masked))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"tolerance_percent": -1.0}, "tolerance_percent"),
        ({"tolerance_percent": 100.0}, "tolerance_percent"),
        ({"contact_ohm_max": math.nan}, "contact_ohm_max"),
        ({"eol": -5.0}, "eol_ohm"),
        ({"least_temperature_c": 50.0}, "least_temperature_c"),
    ],
)
def test_values_that_cannot_be_computed_with_are_refused(change: dict[str, float], field: str) -> None:
    with pytest.raises(RuleError) as caught:
        state_intervals(double(**change))
    assert caught.value.field == field


def test_a_board_for_another_panel_reads_wrong_with_reasons() -> None:
    loop = double(device(alarm=4700.0), eol=4700.0, contact_ohm_max=0.0)
    found = verdict(loop, BANDS)
    assert found.outcome == "wrong"
    assert found.reasons == (
        "Normal: 4.656 kΩ to 4.75 kΩ is read as tamper, not as normal.",
        "Detector d1 in alarm: 9.309 kΩ to 9.497 kΩ is read as tamper, not as alarm.",
    )


def test_marginal_when_the_tolerance_leaves_the_band() -> None:
    # 1400 ohm is the edge: 1380 nominal, 5 % above is 1449.
    loop = double(device(run_m=0.0), eol=1380.0, tolerance_percent=5.0, contact_ohm_max=0.0)
    found = verdict(loop, BANDS)
    assert found.outcome == "marginal"
    assert found.reasons == (
        "Normal: 1.311 kΩ to 1.449 kΩ may be read as normal or alarm within the tolerances; "
        "it should be normal throughout.",
    )
    assert state_table(loop, BANDS)[0].margin_ohm == pytest.approx(1400 - 1449)


def test_several_alarms_at_once_that_read_as_tamper_are_marginal() -> None:
    found = verdict(double(device("d1"), device("d2")), BANDS)
    assert found.outcome == "marginal"
    assert len(found.reasons) == 1
    assert found.reasons[0].startswith("All 2 devices in alarm: ")
    assert found.reasons[0].endswith("is read as tamper when these signals come at once; alarm was to be expected.")


def test_an_undefined_reading_is_said_so() -> None:
    gap = (Band("normal", 700, 1400), Band("tamper", 2800, None), Band("tamper", 0, 700))
    alarm = state_table(double(), gap)[1]
    assert (alarm.band, alarm.reads, alarm.margin_ohm, alarm.outcome) == (None, (None,), None, "wrong")
    assert "is read as undefined, not as alarm." in verdict(double(), gap).reasons[0]


def test_closed_loop_cannot_see_a_short_and_says_so() -> None:
    loop = Loop(CLOSED, (LoopDevice("d", "Door", frozenset({"alarm"}), {}, 30.0),), CABLE)
    bands = (Band("normal", 0, 100), Band("alarm", 1000, None))
    found = verdict(loop, bands)
    assert (found.outcome, found.reasons) == ("right", ())
    assert found.notes == ("A short across the pair cannot be seen: it reads as normal.",)


def test_states_that_read_alike_are_listed() -> None:
    bands = (Band("tamper", 0, 700), Band("normal", 700, 1400), Band("alarm", 1400, None))
    clashes = indistinguishable(state_table(double(), bands))
    assert [(c.first.state, c.second.state, c.overlap, c.reason) for c in clashes] == [
        ("alarm", "tamper", False, "Detector d1 in alarm and Detector d1 tamper open are both read as alarm")
    ]
    assert indistinguishable(state_table(double(), BANDS)) == ()


def test_longest_cable_is_the_last_length_that_reads_right() -> None:
    # Normal may reach 1400: 1010 + 2 x 0.5 ohm of contacts leaves 389 ohm at 40 °C: 0.1726 ohm a metre of pair.
    loop = double()
    longest = longest_cable_m(loop, BANDS)
    assert longest == math.floor((1400 - 1010 - 1) / (2 * 0.080 * (1 + 20 * 0.00393)) * 10) / 10
    assert verdict(double(device(run_m=longest)), BANDS).outcome == "right"
    assert verdict(double(device(run_m=longest + 0.2)), BANDS).outcome == "marginal"
    assert longest_cable_m(double(device(run_m=0.0)), BANDS) == longest
    assert longest_cable_m(double(eol=4700.0), BANDS) is None
    assert longest_cable_m(double(device("a"), device("b")), BANDS) == pytest.approx(longest, abs=10)


def test_board_values_against_an_input() -> None:
    assert reads_values(DOUBLE, {"eol": 1000, "alarm": 1000}, BANDS, cable_ohm=100.0) == ()
    wrong = reads_values(DOUBLE, {"eol": 4700, "alarm": 2200}, BANDS)
    assert wrong == (
        "Normal: 4.653 kΩ to 4.747 kΩ is read as tamper, not as normal.",
        "Device in alarm: 6.831 kΩ to 6.969 kΩ is read as tamper, not as alarm.",
    )
    assert reads_values(DOUBLE, {"alarm": 1000}, BANDS) == ("The board has no eol resistor, which this wiring needs.",)
    wanted = frozenset({"alarm", "tamper", "mask"})
    two = {"eol": 1000.0, "alarm": 1000.0}
    assert reads_values(TRIPLE, two, BANDS, carried=wanted) == (
        "The board has no mask resistor, which this wiring needs.",
    )
    assert reads_values(TRIPLE, two, BANDS) == ()
    assert reads_values(DOUBLE, two, BANDS, cable_ohm=420.0) == (
        "Normal: 1.41 kΩ to 1.43 kΩ is read as alarm, not as normal.",
    )


def test_bands_are_half_open_and_may_not_overlap() -> None:
    assert [reading(BANDS, ohm) for ohm in (0, 699.9, 700, 1400, math.inf)] == [
        "tamper", "tamper", "normal", "alarm", "tamper",
    ]  # fmt: skip
    with pytest.raises(RuleError, match="normal and alarm bands overlap"):
        readings((Band("normal", 700, 1400), Band("alarm", 1300, 2000)), 0, 1)
    with pytest.raises(RuleError, match="ends where it starts"):
        readings((Band("normal", 700, 700),), 0, 1)
    gaps = (Band("normal", 100, 200), Band("alarm", 300, 400))
    assert readings(gaps, 50, 450) == (None, "normal", "alarm")
    assert readings(gaps, 150, 160) == ("normal",)
    assert readings(gaps, 150, 200) == ("normal", None)
    assert readings(gaps, 400, math.inf) == (None,)
    # Bands that touch and read alike are one band.
    assert margin_ohm((Band("mask", 0, 10), Band("fault", 10, 30)), ("mask", "fault"), 9, 12) == 18


lengths = st.lists(st.floats(0, 300), min_size=1, max_size=6)


@settings(deadline=None)
@given(lengths, st.randoms(use_true_random=False))
def test_order_of_devices_never_changes_normal(runs: list[float], rng: random.Random) -> None:
    devices = [device(f"d{place}", run_m=run, alarm=500.0 + place) for place, run in enumerate(runs)]
    mixed = devices.copy()
    rng.shuffle(mixed)
    before, after = state_intervals(double(*devices))[0], state_intervals(double(*mixed))[0]
    for name in ("nominal_ohm", "least_ohm", "greatest_ohm"):
        assert getattr(after, name) == pytest.approx(getattr(before, name), rel=1e-12)


@settings(deadline=None)
@given(lengths, st.floats(0, 20), st.floats(0, 20))
def test_wider_tolerance_never_narrows_an_interval(runs: list[float], tolerance: float, more: float) -> None:
    devices = tuple(device(f"d{place}", run_m=run) for place, run in enumerate(runs))
    inner = state_intervals(double(*devices, tolerance_percent=tolerance))
    outer = state_intervals(double(*devices, tolerance_percent=tolerance + more))
    for narrow, wide in zip(inner, outer, strict=True):
        assert wide.least_ohm <= narrow.least_ohm
        assert wide.greatest_ohm >= narrow.greatest_ohm


@settings(deadline=None)
@given(lengths, st.floats(0, 100), st.integers(0, 5))
def test_longer_cable_never_lowers_a_resistance(runs: list[float], more_m: float, place: int) -> None:
    devices = [device(f"d{index}", run_m=run) for index, run in enumerate(runs)]
    place %= len(devices)
    longer = [*devices[:place], replace(devices[place], cable_run_m=runs[place] + more_m), *devices[place + 1 :]]
    for short, long in zip(state_intervals(double(*devices)), state_intervals(double(*longer)), strict=True):
        assert long.nominal_ohm >= short.nominal_ohm
        assert long.greatest_ohm >= short.greatest_ohm


@settings(max_examples=60, deadline=None)
@given(lengths, st.floats(0, 10), st.integers(0, 2**32))
def test_intervals_hold_two_hundred_samples(runs: list[float], tolerance: float, seed: int) -> None:
    devices = tuple(device(f"d{place}", run_m=run) for place, run in enumerate(runs))
    limits = state_intervals(double(*devices, tolerance_percent=tolerance))
    rng = np.random.default_rng(seed)
    factor = 1 + rng.uniform(-tolerance, tolerance, (len(runs) + 1, 200)) / 100
    made = tuple(replace(part, resistor_ohm={"alarm": 1000.0 * f}) for part, f in zip(devices, factor[1:], strict=True))
    warm = rng.uniform(-10, 40, 200)
    samples = Loop(
        DOUBLE, made, CABLE, eol_ohm=1000.0 * factor[0], least_temperature_c=warm, greatest_temperature_c=warm
    )
    for state, limit in zip(state_intervals(samples), limits, strict=True):
        values = np.asarray(state.nominal_ohm)
        assert values.shape == (() if state.state in ("open", "short") else (200,))
        assert np.all(float(limit.least_ohm) * (1 - 1e-12) <= values)
        assert np.all(values <= float(limit.greatest_ohm) * (1 + 1e-12))


def test_a_thousand_circuits_in_one_call_equal_each_alone() -> None:
    rng = random.Random("batch")
    bands = (*BANDS[:3], Band("mask", 2800, 5500), Band("tamper", 5500, None))
    loops = [
        Loop(
            TRIPLE,
            tuple(
                LoopDevice(
                    f"d{place}",
                    f"D{place}",
                    functions(TRIPLE),
                    {"alarm": rng.choice((1000.0, 1000.0, 2200.0)), "mask": 3000.0},
                    rng.uniform(0, 900),
                )
                for place in range(2)
            ),
            CABLE,
            eol_ohm=rng.choice((1000.0, 1000.0, 1000.0, 1300.0, 4700.0)),
            tolerance_percent=rng.choice((1.0, 5.0)),
        )
        for _ in range(1000)
    ]
    assert len({shape(loop) for loop in loops}) == 1
    stacked = stack(loops)
    together = state_intervals(stacked)
    for index in (0, 1, 500, 999):
        for one, many in zip(state_intervals(loops[index]), together, strict=True):
            value = np.broadcast_to(np.asarray(many.greatest_ohm), (1000,))[index]
            assert value == pytest.approx(one.greatest_ohm, rel=1e-12)
    judged = [OUTCOMES[code] for code in outcomes(stacked, bands)]
    assert judged == [verdict(loop, bands).outcome for loop in loops]
    assert set(judged) == {"marginal", "wrong"}


def test_batches_tell_all_three_outcomes() -> None:
    loops = [double(device(run_m=run), eol=eol) for run, eol in ((10.0, 1000.0), (2300.0, 1000.0), (10.0, 4700.0))]
    judged = [OUTCOMES[code] for code in outcomes(stack(loops), BANDS)]
    assert judged == ["right", "marginal", "wrong"] == [verdict(loop, BANDS).outcome for loop in loops]
    with pytest.raises(RuleError, match="not of one shape"):
        stack([double(), double(device("a"), device("b"))])
