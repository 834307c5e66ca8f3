"""The report on a loop: rows, doubles drawn together, outcome, cause, and cures that hold when computed anew."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules.loop_report import LoopReport, NamedBoard, NamedCable, report
from installs.rules.loops import COMBINED_STATES, Band, CableSpec, Loop, LoopDevice, state_table, with_cable
from installs.rules.topology import STANDARD_TOPOLOGIES, parse_topology

DOUBLE = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
BOTH = frozenset({"alarm", "tamper"})
BANDS = (
    Band("tamper", 0, 700),
    Band("normal", 700, 1400),
    Band("alarm", 1400, 4500),
    Band("tamper", 5000, None),
)
THIN, THICK = CableSpec(78.4), CableSpec(36.0)
CABLES = (NamedCable("Alarm cable", 0.22, THIN), NamedCable("Heavy cable", 0.5, THICK))


def double(
    run_m: float = 20.0, *, devices: int = 1, eol_ohm: float = 1000.0, alarm_ohm: float = 1000.0, percent: float = 1.0
) -> Loop:
    made = tuple(LoopDevice(f"d{n}", f"D{n}", BOTH, {"alarm": alarm_ohm}, run_m) for n in range(devices))
    return Loop(DOUBLE, made, THIN, eol_ohm=eol_ohm, tolerance_percent=percent)


def least_percent(loop: Loop) -> float:
    """The least margin of the single states, in percent of each one's nominal value; -100 when one is not right."""
    percents = []
    for row in state_table(loop, BANDS):
        if row.state in COMBINED_STATES or row.margin_ohm is None or math.isinf(row.margin_ohm) or row.state == "short":
            continue
        percents.append(100 * row.margin_ohm / row.nominal_ohm if row.outcome == "right" else -100.0)
    return min(percents)


def test_a_healthy_loop() -> None:
    found = report(double(), BANDS, cables=CABLES)
    assert (found.outcome, found.cause, found.cure, found.reasons, found.alike) == ("right", "", "", (), ())
    assert [row.panel.state for row in found.rows] == ["normal", "alarm", "tamper", "open", "short"]
    normal = found.rows[0]
    # 20 m of pair at 78.4 ohm/km: 3.136 ohm; from the far end, open at the panel, the end resistor alone.
    assert (normal.panel.nominal_ohm, normal.far_open.nominal_ohm) == pytest.approx((1003.136, 1000.0))
    assert normal.far_joined.nominal_ohm == pytest.approx(3.136 * 1000 / 1003.136)
    assert list(found.normal_band or ()) == [700, 1400]
    percents = [row.margin_percent or 0.0 for row in found.rows[:2]]
    assert percents == pytest.approx([100 * (normal.panel.least_ohm - 700) / 1003.136, 29.0927], rel=1e-5)
    assert found.nearest is found.rows[1]


def test_too_much_cable_is_cured_by_less_of_it_or_by_thicker() -> None:
    loop = double(2400.0)
    found = report(loop, BANDS, cables=CABLES)
    assert found.outcome == "marginal"
    assert "most of it is the cable" in found.cause
    less = re.match(r"(\d+) m less of this cable, or 0\.5 mm² instead of 0\.22 mm²\.$", found.cure)
    assert less is not None, found.cure
    assert least_percent(with_cable(loop, 2400.0 - int(less[1]))) >= 2
    assert least_percent(with_cable(loop, 2400.0 - int(less[1]) + 2)) < 2
    assert least_percent(replace(loop, cable=THICK)) >= 2


def test_coarse_resistors_are_cured_by_finer() -> None:
    found = report(double(eol_ohm=1340.0, percent=5.0), BANDS)
    assert (found.outcome, found.cure) == ("marginal", "1 % resistors instead of 5 %.")
    assert "most of it is the resistors' tolerance" in found.cause
    assert least_percent(double(eol_ohm=1340.0)) >= 2


def test_another_panels_board_is_cured_by_the_right_one() -> None:
    loop = double(eol_ohm=4700.0, alarm_ohm=4700.0)
    boards = (
        NamedBoard("2k2 board", {"eol": 2200.0, "alarm": 4700.0}),
        NamedBoard("1k board", {"eol": 1000.0, "alarm": 1000.0}),
    )
    found = report(loop, BANDS, boards=boards)
    assert found.outcome == "wrong"
    assert found.cure == "1k board instead of what is there."
    assert "do not belong to this input" in found.cause
    assert report(loop, BANDS).cure.startswith("Nothing that was tried here cures it alone")


def test_thin_margin_depends_on_what_is_enough() -> None:
    loop = double(eol_ohm=1360.0)
    assert report(loop, BANDS, enough_percent=1.0).outcome == "right"
    thin = report(loop, BANDS, enough_percent=5.0)
    assert thin.outcome == "thin"
    assert thin.nearest is not None
    assert (thin.nearest.panel.state, thin.cause != "", thin.cure != "") == ("normal", True, True)


def test_twenty_devices_stay_readable() -> None:
    found = report(double(5.0, devices=20), BANDS)
    signals = [(place, name) for place in range(20) for name in ("alarm", "tamper")]
    assert sum(len(row.labels) for row in found.doubles) == len(list(combinations(signals, 2))) == 780
    # Two alarms; everything with a tamper contact open is an open circuit, whichever two it is.
    assert [(row.labels[0], len(row.labels)) for row in found.doubles] == [
        ("D0 in alarm with D1 in alarm", 190),
        ("D0 in alarm with D0 tamper open", 400),
        ("D0 tamper open with D1 tamper open", 190),
    ]
    assert [row.right for row in found.doubles] == [True, True, True]
    assert found.outcome == "marginal"  # all 20 in alarm at once read as tamper
    assert found.cure == ""


def cures_hold(loop: Loop, found: LoopReport, enough: float) -> None:
    for less in re.findall(r"(\d+) m less of this cable", found.cure):
        present_m = sum(float(device.cable_run_m) for device in loop.devices)
        assert least_percent(with_cable(loop, present_m - int(less))) >= enough - 1e-9
    if "0.5 mm²" in found.cure:
        assert least_percent(replace(loop, cable=THICK)) >= enough
    if "1 % resistors" in found.cure:
        assert least_percent(replace(loop, tolerance_percent=1.0)) >= enough


@settings(max_examples=80, deadline=None)
@given(st.floats(1, 3000), st.integers(1, 4), st.floats(650, 1500), st.floats(300, 3000),
       st.sampled_from((1.0, 2.0, 5.0, 10.0)), st.sampled_from((0.0, 2.0, 10.0)))
def test_every_cure_offered_holds(
    total_m: float, devices: int, eol_ohm: float, alarm_ohm: float, percent: float, enough: float
) -> None:
    loop = double(total_m / devices, devices=devices, eol_ohm=eol_ohm, alarm_ohm=alarm_ohm, percent=percent)
    found = report(loop, BANDS, cables=CABLES, enough_percent=enough)
    cures_hold(loop, found, enough)
    single = [row for row in found.rows if row.panel.state not in COMBINED_STATES]
    if found.outcome == "right":
        assert {row.panel.outcome for row in found.rows} == {"right"}
        assert found.cause == found.cure == ""
    else:
        assert found.cause != ""
        assert found.outcome != "thin" or {row.panel.outcome for row in single} == {"right"}
