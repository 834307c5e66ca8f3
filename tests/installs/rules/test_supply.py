"""Volts along a power run, causes and cures, and the standby rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules import standby, supply
from installs.rules.errors import RuleError
from installs.rules.loop_states import CableSpec

THIN = CableSpec(85.0)
HALF = supply.ThickerCable(0.5, CableSpec(36.0))
ONE = supply.ThickerCable(1.0, CableSpec(18.1))
PANEL = supply.Supply(13.7, 11.0, 500.0)


def fed(key: str, fed_from: str = "", run_m: float = 50.0, **fields: object) -> supply.FedDevice:
    given: dict[str, object] = {
        "quiescent_ma": 10.0, "maximum_ma": 20.0, "least_v": 10.0, "area_mm2": 0.22, "spare_cores": 2,
    }
    return supply.FedDevice(key, key.upper(), fed_from, run_m, THIN, **given | fields)  # type: ignore[arg-type]


def volts(devices: list[supply.FedDevice], panel: supply.Supply = PANEL) -> dict[str, supply.DeviceVolts]:
    rows = supply.device_volts(devices, panel, temperature_c=20.0, thicker=[HALF, ONE])
    return {row.key: row for row in rows}


def test_a_branch_by_hand() -> None:
    # 50 m of pair at 85 Ω/km a core is 8.5 Ω. d1 carries d2 and d3 as well: 60 mA in alarm, 30 mA quiet.
    found = volts([fed("d1"), fed("d2", "d1"), fed("d3", "d1", 100.0)])
    quiet = 13.7 - 8.5 * 0.030
    alarm = 11.0 - 8.5 * 0.060
    assert found["d1"].volts["quiescent mains"] == pytest.approx(quiet, abs=1e-12)
    assert found["d2"].volts["quiescent mains"] == pytest.approx(quiet - 8.5 * 0.010, abs=1e-12)
    assert found["d3"].volts["quiescent mains"] == pytest.approx(quiet - 17.0 * 0.010, abs=1e-12)
    assert found["d3"].volts["alarm battery"] == pytest.approx(alarm - 17.0 * 0.020, abs=1e-12)
    assert found["d3"].margin_v == pytest.approx(alarm - 17.0 * 0.020 - 10.0, abs=1e-12)
    assert (found["d3"].lowest_case, found["d3"].short) == ("full alarm, battery discharged", False)


def test_greatest_resistance_is_warm_tolerant_and_shared_by_joined_cores() -> None:
    cable = CableSpec(85.0, 0.00393, 10.0)
    one = replace(fed("d1", run_m=100.0), cable=cable)
    assert supply.run_resistance_ohm(one, 40.0) == pytest.approx(17.0 * 1.1 * (1 + 0.00393 * 20))
    assert supply.run_resistance_ohm(replace(one, cores_per_pole=2), 40.0) == pytest.approx(17.0 * 0.55 * 1.0786)


def test_a_short_device_has_its_cause_and_cures() -> None:
    found = volts([fed("d1", run_m=120.0), fed("d2", "d1", 60.0, maximum_ma=40.0)])
    # 20.4 Ω x 60 mA + 10.2 Ω x 40 mA = 1.632 V of 1 V allowed.
    assert found["d2"].lowest_v == pytest.approx(11 - 1.632)
    assert found["d2"].cause == (
        "1.63 V are lost on 180 m of cable from the panel to D2 in full alarm, battery discharged; at most 1.00 V "
        "may be."
    )
    assert found["d2"].cures == (
        "Two cores per pole from the panel to D2: the cable has the spare cores.",
        "0.5 mm² instead of 0.22 mm² from the panel to D1.",
        "62 m less cable before D1.",
    )
    assert found["d1"].short
    assert not volts([fed("d1", run_m=58.0), fed("d2", "d1", 60.0, maximum_ma=40.0)])["d2"].short


def test_the_cores_that_are_not_there_are_said() -> None:
    none_spare = volts([fed("d1", run_m=400.0, spare_cores=1)])["d1"]
    unknown = volts([fed("d1", run_m=400.0, spare_cores=None)])["d1"]
    assert none_spare.cures[0] == (
        "Two cores per pole from the panel to D1, in a second cable: the one before D1 has too few spare cores."
    )
    assert unknown.cures[0] == "Two cores per pole from the panel to D1, if the cable before D1 has cores to spare."


def test_no_cable_cures_a_supply_that_falls_too_low() -> None:
    found = volts([fed("d1", least_v=11.5)])["d1"]
    assert found.cause == "The supply itself gives only 11.00 V in full alarm, battery discharged; D1 needs 11.5 V."
    assert found.cures == (
        "A device that works from 11 V or less, or a supply that is cut off earlier and gives more: no cable cures "
        "this.",
    )


def test_what_nothing_cures_is_said() -> None:
    found = volts([fed("d1", run_m=5000.0, maximum_ma=5000.0, spare_cores=0)])["d1"]
    assert found.cures == (
        "Feed D1 from a supply nearer to it: neither more cores nor a cable of the catalogue cures this.",
    )


def test_figures_that_lack_leave_out_their_cases_only() -> None:
    found = volts([fed("d1")], supply.Supply(13.7, None))["d1"]
    assert (found.volts["quiescent battery"], found.volts["alarm battery"]) == (None, None)
    assert found.lowest_v == pytest.approx(13.7 - 8.5 * 0.020)
    nothing = volts([fed("d1")], supply.Supply())["d1"]
    assert (nothing.lowest_v, nothing.margin_v, nothing.short) == (None, None, False)
    assert volts([fed("d1", least_v=None)])["d1"].margin_v is None


def test_rings_are_refused_by_name() -> None:
    ring = [fed("d1"), fed("d2", "d4"), fed("d3", "d2"), fed("d4", "d3"), fed("d5", "d4")]
    with pytest.raises(RuleError) as refused:
        supply.device_volts(ring, PANEL)
    assert (refused.value.field, set(str(refused.value.value).split(", "))) == ("fed_from", {"D2", "D3", "D4"})
    with pytest.raises(RuleError, match="D1 is fed from itself"):
        supply.device_volts([fed("d1", "d1")], PANEL)


@pytest.mark.parametrize(
    ("device", "field"),
    [
        (fed("d1", run_m=-1.0), "run_m"),
        (fed("d1", run_m=float("nan")), "run_m"),
        (fed("d1", maximum_ma=5.0), "maximum_ma"),
        (fed("d1", cores_per_pole=0), "cores_per_pole"),
        (fed("d1", "elsewhere"), "fed_from"),
        (fed(""), "key"),
    ],
)
def test_what_cannot_be_computed_with_is_named(device: supply.FedDevice, field: str) -> None:
    with pytest.raises(RuleError) as refused:
        supply.device_volts([device], PANEL)
    assert (refused.value.field, bool(refused.value.remedy)) == (field, True)


@st.composite
def networks(draw: st.DrawFn) -> list[supply.FedDevice]:
    count = draw(st.integers(1, 12))
    devices = []
    for number in range(count):
        feeder = draw(st.integers(-1, number - 1))
        quiet = draw(st.floats(0, 40))
        devices.append(
            fed(
                f"d{number}", "" if feeder < 0 else f"d{feeder}", draw(st.floats(0, 200)), quiescent_ma=quiet,
                maximum_ma=quiet + draw(st.floats(0, 40)), cores_per_pole=draw(st.integers(1, 3)),
            )
        )
    return draw(st.permutations(devices))


@settings(deadline=None)
@given(networks(), st.floats(0, 100), st.data())
def test_more_cable_or_more_current_never_raises_a_voltage(
    network: list[supply.FedDevice], more: float, data: st.DataObject
) -> None:
    which = data.draw(st.sampled_from(network))
    before = volts(network)
    for worse in (replace(which, run_m=which.run_m + more), replace(which, maximum_ma=which.maximum_ma + more)):
        after = volts([worse if device is which else device for device in network])
        for key, row in after.items():
            for case, value in row.volts.items():
                assert value is not None
                assert value <= before[key].volts[case] + 1e-9  # type: ignore[operator]


@settings(deadline=None)
@given(networks())
def test_lowest_is_full_alarm_on_battery_and_order_does_not_matter(network: list[supply.FedDevice]) -> None:
    found, turned = volts(network), volts(network[::-1])
    for key, row in found.items():
        assert row.lowest_v == row.volts["alarm battery"]
        assert turned[key].volts == pytest.approx(row.volts, rel=1e-12)


@settings(deadline=None)
@given(networks())
def test_every_metre_cure_holds_when_computed_anew(network: list[supply.FedDevice]) -> None:
    for row in volts(network).values():
        for cure in row.cures:
            if "m less cable before" in cure:
                metres, label = float(cure.split()[0]), cure.removesuffix(".").split()[-1]
                shorter = [
                    replace(step, run_m=step.run_m - metres) if step.label == label else step for step in network
                ]
                assert not volts(shorter)[row.key].short


def test_many_trees_in_one_call_are_the_same_as_one_by_one() -> None:
    chain = [fed("d1"), fed("d2", "d1"), fed("d3", "d2", 70.0)]
    alone = [row.volts["alarm battery"] for row in volts(chain).values()]
    feeder = np.array([-1, 0, 1, -1, 3, 4])
    ohm = np.array([supply.run_resistance_ohm(step, 20.0) for step in chain] * 2)
    found = supply.forest_volts(feeder, ohm, np.full(6, 20.0), np.array([11.0] * 3 + [12.0] * 3))
    assert found.tolist() == pytest.approx([*alone, *(value + 1 for value in alone if value is not None)])
    assert supply.forest_volts(np.array([], dtype=np.int64), np.array([]), np.array([]), 12.0).tolist() == []


def test_standby_lookup() -> None:
    rows = standby.STANDARD_STANDBY
    en = "EN 50131-6"

    def hours(scheme: str, grade: int, kind: str, *, signalled: bool) -> float | None:
        row = standby.standby_row(rows, scheme=scheme, grade=grade, psu_type=kind, fault_signalled=signalled)
        return None if row is None else row.standby_hours

    assert [hours(en, grade, "A", signalled=False) for grade in (1, 2, 3, 4)] == [12, 12, 60, 60]
    assert [hours(en, grade, "A", signalled=True) for grade in (1, 2, 3, 4)] == [12, 12, 30, 30]
    assert hours("PD 6662:2004", 3, "A", signalled=False) == 24
    assert hours(en, 5, "A", signalled=False) is None
    only = [row for row in rows if not row.fault_signalled]
    row = standby.standby_row(only, scheme=en, grade=3, psu_type="A", fault_signalled=True)
    assert row is not None
    assert row.standby_hours == 60
    keys = {(row.scheme, row.grade, row.psu_type, row.fault_signalled) for row in rows}
    assert len(keys) == len(rows) == 32


def test_sizes_round_up_and_down() -> None:
    assert [standby.next_size_ah(ah) for ah in (0.5, 4.0, 7.01, 12.1, 70.0)] == [4.0, 4.0, 7.2, 17.0, None]
    assert [standby.largest_size_ah(ah) for ah in (3.9, 17.2, 100.0)] == [None, 17.0, 65.0]


def test_recharge_to_four_fifths_is_current_times_hours() -> None:
    assert standby.rechargeable_ah(800, 24) == pytest.approx(19.2)
    assert standby.rechargeable_ah(800, 24, 100) == pytest.approx(15.36)


@given(st.floats(0, 5000), st.floats(0.1, 800), st.floats(0, 5000), st.floats(0, 120), st.floats(1, 2))
def test_capacity_never_falls_with_load_and_the_extra_never_lowers_it(
    quiet_ma: float, hours: float, alarm_ma: float, minutes: float, ageing: float
) -> None:
    def need(extra_ma: float = 0, *, high_current: bool = False) -> float:
        return standby.battery_capacity_ah(
            quiet_ma + extra_ma, hours, alarm_ma + extra_ma, minutes, ageing_factor=ageing, high_current=high_current
        )

    assert need(5) >= need()
    assert need(high_current=True) >= need()


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: standby.battery_capacity_ah(-1, 12, 1, 1), "quiescent_ma"),
        (lambda: standby.battery_capacity_ah(1, 12, 1, 1, ageing_factor=0.8), "ageing_factor"),
        (lambda: standby.rechargeable_ah(1, 0), "recharge_ma"),
        (lambda: standby.rechargeable_ah(1, 1, 0), "recharge_percent"),
    ],
)
def test_standby_refuses_by_name(call: object, field: str) -> None:
    with pytest.raises(RuleError) as refused:
        call()  # type: ignore[operator]
    assert refused.value.field == field
