"""Terminal volts to ohms and back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules.bands import reading
from installs.rules.errors import RuleError
from installs.rules.panel_inputs import PanelInput, VoltBand, bands_in_ohm, ohm_at, ohm_bounds, volts_at

INPUT = PanelInput(reference_v=12.0, pull_up_ohm=2200.0, pull_up_tolerance_percent=1.0)
BANDS = (
    VoltBand("tamper", 0.0, 2.0),
    VoltBand("normal", 3.0, 5.0),
    VoltBand("alarm", 5.5, 8.0),
    VoltBand("tamper", 10.0, None),
)


def test_volts_of_a_divider() -> None:
    # 12 V over 2200 + 1000 ohm: 3.75 V across the 1000.
    assert volts_at(INPUT, 1000.0) == pytest.approx(3.75, rel=1e-12)
    assert ohm_at(INPUT, 3.75) == pytest.approx(1000.0, rel=1e-12)
    assert (volts_at(INPUT, 0.0), volts_at(INPUT, math.inf)) == (0.0, 12.0)
    assert (ohm_at(INPUT, 0.0), ohm_at(INPUT, 12.0)) == (0.0, math.inf)
    assert ohm_bounds(INPUT, 3.75) == pytest.approx((990.0, 1010.0))
    assert np.asarray(volts_at(INPUT, np.array([0.0, 2200.0, math.inf]))).tolist() == [0.0, 6.0, 12.0]


def test_thevenin() -> None:
    # Thevenin: open-circuit voltage Vref, short-circuit current Vref / Rp; any load then sees Voc and Voc / Isc.
    open_v = float(volts_at(INPUT, math.inf))
    short_a = (INPUT.reference_v - float(volts_at(INPUT, 0.0))) / INPUT.pull_up_ohm
    inner_ohm = open_v / short_a
    for loop_ohm in (1.0, 470.0, 1000.0, 4700.0, 1e6):
        current_a = open_v / (inner_ohm + loop_ohm)
        assert volts_at(INPUT, loop_ohm) == pytest.approx(current_a * loop_ohm, rel=1e-12)


@settings(deadline=None)
@given(st.floats(0.5, 50), st.floats(100, 1e5), st.floats(0, 1e6))
def test_ohms_come_back(reference_v: float, pull_up_ohm: float, ohm: float) -> None:
    panel_input = PanelInput(reference_v, pull_up_ohm)
    # Near the reference a volt stands for many ohms, so what comes back is as good as the volts allow.
    assert ohm_at(panel_input, volts_at(panel_input, ohm)) == pytest.approx(ohm, rel=1e-8, abs=1e-8)


def test_bands_are_drawn_in_at_both_edges() -> None:
    tamper, normal, alarm, cut = bands_in_ohm(INPUT, BANDS)
    assert (tamper.state, tamper.low_ohm) == ("tamper", 0.0)
    assert tamper.high_ohm == pytest.approx(2200 * 2 / 10 * 0.99)
    assert (normal.low_ohm, normal.high_ohm) == pytest.approx((2200 * 3 / 9 * 1.01, 2200 * 5 / 7 * 0.99))
    assert (alarm.low_ohm, alarm.high_ohm) == pytest.approx((2200 * 5.5 / 6.5 * 1.01, 2200 * 8 / 4 * 0.99))
    assert (cut.state, cut.high_ohm) == ("tamper", None)
    assert cut.low_ohm == pytest.approx(2200 * 10 / 2 * 1.01)
    assert bands_in_ohm(INPUT, [VoltBand("tamper", 10.0, 12.0)]) == (cut,)


@settings(deadline=None)
@given(st.floats(-1, 1), st.floats(0, 60_000), st.floats(0, 20))
def test_what_lies_in_a_band_reads_right_whatever_the_pull_up_is(share: float, ohm: float, tolerance: float) -> None:
    said = PanelInput(12.0, 2200.0, tolerance)
    wide = (VoltBand("tamper", 0.0, 2.0), VoltBand("normal", 3.0, 5.5), VoltBand("tamper", 9.0, None))
    state = reading(bands_in_ohm(said, wide), ohm)
    volts = float(volts_at(PanelInput(12.0, 2200.0 * (1 + share * tolerance / 100)), ohm))
    if state is not None:
        found = [
            band.state for band in wide
            if band.low_v - 1e-9 <= volts and (band.high_v is None or volts < band.high_v + 1e-9)
        ]
        assert found == [state]


@pytest.mark.parametrize(
    ("panel_input", "bands", "field"),
    [
        (PanelInput(0.0, 2200.0), BANDS, "reference_v"),
        (PanelInput(12.0, math.nan), BANDS, "pull_up_ohm"),
        (PanelInput(12.0, 2200.0, 100.0), BANDS, "pull_up_tolerance_percent"),
        (INPUT, [VoltBand("normal", 12.0, None)], "low_v"),
        (INPUT, [VoltBand("normal", 3.0, 3.0)], "low_v"),
        (INPUT, [VoltBand("normal", -1.0, 3.0)], "low_v"),
        (PanelInput(12.0, 2200.0, 20.0), [VoltBand("normal", 3.0, 3.5)], "pull_up_tolerance_percent"),
        (INPUT, [VoltBand("normal", 3.0, 5.0), VoltBand("alarm", 4.0, 6.0)], "low_ohm"),
    ],
)
def test_what_cannot_be_is_refused(panel_input: PanelInput, bands: list[VoltBand], field: str) -> None:
    with pytest.raises(RuleError) as caught:
        bands_in_ohm(panel_input, bands)
    assert caught.value.field == field
    assert caught.value.remedy


def test_volts_that_no_loop_gives_are_refused() -> None:
    with pytest.raises(RuleError, match="0 V to 12 V, or look for a foreign voltage"):
        ohm_at(INPUT, 13.8)
    with pytest.raises(RuleError, match="0 Ω or more"):
        volts_at(INPUT, -1.0)
