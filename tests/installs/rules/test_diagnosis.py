"""From readings back to causes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules.diagnosis.model import Cause, Diagnosis, Measurement, OtherBoard, Where
from installs.rules.diagnosis.search import diagnose
from installs.rules.errors import RuleError
from installs.rules.loops import CableSpec, Loop, LoopDevice
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology

VALUES = {"eol": 4700.0, "alarm": 4700.0, "mask": 2200.0}
ALARM, REST = frozenset({"alarm"}), frozenset[str]()


def loop(devices: int = 5, code: str = "double-eol", run_m: float = 10.0, **values: float) -> Loop:
    topology = parse_topology(STANDARD_TOPOLOGIES[code])
    return Loop(
        topology=topology,
        devices=tuple(
            LoopDevice(f"d{place}", f"D{place + 1}", functions(topology), VALUES | values, run_m)
            for place in range(devices)
        ),
        cable=CableSpec(85.0),
    )


def first(diagnosis: Diagnosis) -> tuple[str, str]:
    return diagnosis.causes[0].kind, diagnosis.causes[0].words


def of_kind(diagnosis: Diagnosis, kind: str) -> list[Cause]:
    return [cause for cause in diagnosis.causes if cause.kind == kind]


@pytest.mark.parametrize(
    ("ohm", "kind", "words"),
    [
        (4708.0, "healthy", "Healthy and at rest"),
        (9410.0, "active", "One of D1 to D5 in alarm"),
        (14_110.0, "two-active", "Two of D1 to D5 in alarm"),
        (23_510.0, "many-active", "4 of D1 to D5 in alarm"),
        (28_210.0, "many-active", "All of D1 to D5 in alarm"),
        (math.inf, "active", "One of D1 to D5 in tamper"),
        (2358.0, "eol-doubled", "End-of-line resistor doubled, two in parallel"),
        (6210.0, "joint", "Bad joint of about 1.5 kΩ before one of D1 to D5"),
        (478.0, "decade", "End-of-line resistor is 470 Ω in place of 4.7 kΩ"),
    ],
)
def test_likeliest_cause_of_a_reading_at_the_panel(ohm: float, kind: str, words: str) -> None:
    assert first(diagnose(loop(), [Measurement(ohm)])) == (kind, words)


def test_a_joint_of_just_one_alarm_resistor_does_not_beat_an_alarm() -> None:
    diagnosis = diagnose(loop(), [Measurement(9410.0)], most=50)
    (joint,) = of_kind(diagnosis, "joint")
    assert joint.size == pytest.approx(4700, rel=0.03)
    assert diagnosis.causes[0].fit > 100 * joint.fit


def test_a_short_is_placed_by_its_metres() -> None:
    # Pair of 85 Ω/km cores: 0.17 Ω a metre, 150 m to the third device and 250 m in all.
    diagnosis = diagnose(loop(run_m=50.0), [Measurement(22.1, meter_ohm=0.1, meter_percent=0.1)])
    cause = diagnosis.causes[0]
    assert (cause.kind, cause.size_unit, cause.places) == ("short", "m", (2,))
    assert cause.size == pytest.approx(130.0, rel=0.1)


def test_known_states_leave_no_room_for_operated_devices() -> None:
    known = dict.fromkeys(range(5), REST)
    diagnosis = diagnose(loop(), [Measurement(9410.0, known=known)], most=50)
    assert {cause.kind for cause in diagnosis.causes} == {"eol-doubled", "eol-early", "joint"}
    assert first(diagnosis) == ("eol-doubled", "End-of-line resistor doubled, two in series")


def test_a_board_that_shows_only_in_alarm() -> None:
    board = OtherBoard("X", {"eol": 1000.0, "alarm": 1000.0})
    readings = [Measurement(4708.0, known=dict.fromkeys(range(5), REST)), Measurement(5708.0, known={1: ALARM})]
    diagnosis = diagnose(loop(), readings, boards=[board])
    assert first(diagnosis) == ("wrong-board", "Board X fitted at D2")


def test_boards_of_the_same_values_are_named_together() -> None:
    boards = [OtherBoard(name, {"eol": 1000.0, "alarm": 1000.0}) for name in ("X", "Y")]
    diagnosis = diagnose(loop(), [Measurement(1008.0)], boards=boards)
    assert first(diagnosis) == ("wrong-board", "Board X or Y fitted at D5")


def test_the_line_is_opened_in_the_middle_of_what_is_left() -> None:
    question = loop(devices=16)
    true = 12
    readings = [Measurement(9427.0)]
    for _ in range(4):
        step = diagnose(question, readings).next_step
        assert step is not None
        assert step.where is Where.TOWARDS_END
        beyond = step.first <= true
        readings.append(Measurement(9427.0 if beyond else 4715.0, Where.TOWARDS_END, step.first))
    assert first(diagnose(question, readings)) == ("active", "D13 in alarm")


def test_next_step_names_what_each_reading_speaks_for() -> None:
    diagnosis = diagnose(loop(devices=1), [Measurement(5102.0, known={0: REST})])
    assert [cause.kind for cause in diagnosis.causes] == ["preferred-value", "joint"]
    for cause in diagnosis.causes:
        step = cause.next_step
        assert step is not None
        assert step.where is Where.FAR_END_OPEN
        assert {numbers: reading.nominal_ohm for numbers, reading in step.answers} == {(1,): 5100.0, (2,): 4700.0}
    assert diagnosis.next_step is not None
    assert diagnosis.next_step.words == (
        "With the pair off the panel, measure across the end of the line at D1, cores apart at the panel: "
        "about 5.1 kΩ speaks for end-of-line resistor is 5.1 kΩ in place of 4.7 kΩ. "
        "About 4.7 kΩ speaks for bad joint of about 400 Ω before D1."
    )


def test_causes_that_nothing_tells_apart_are_named_as_such() -> None:
    # This board differs from the right one in its end-of-line resistor only.
    board = OtherBoard("X", {"eol": 5100.0, "alarm": 4700.0})
    diagnosis = diagnose(loop(devices=1), [Measurement(5102.0)], boards=[board], most=30)
    same = [cause for cause in diagnosis.causes if cause.same_as]
    assert [(cause.words, cause.same_as) for cause in same] == [
        ("Board X fitted at D1", ("End-of-line resistor is 5.1 kΩ in place of 4.7 kΩ",))
    ]


def test_panel_connected_reads_the_pull_up_beside_the_line() -> None:
    pull_up_ohm = 4700.0
    seen = 1 / (1 / pull_up_ohm + 1 / 4708.0)
    question = Measurement(seen, Where.PANEL_CONNECTED)
    assert first(diagnose(loop(), [question], pull_up_ohm=pull_up_ohm)) == ("healthy", "Healthy and at rest")


def test_what_was_not_considered_is_said() -> None:
    assert "two faults at once" in diagnose(loop(), [Measurement(4700.0)]).left_out


def test_numbers_that_nothing_explains_leave_no_cause() -> None:
    known = dict.fromkeys(range(5), REST)
    readings = [Measurement(4708.0, known=known), Measurement(9410.0, known=known)]
    assert diagnose(loop(), readings).causes == ()


@pytest.mark.parametrize(
    ("readings", "field"),
    [
        ([], "measurements"),
        ([Measurement(-1.0)], "measurement 1: ohm"),
        ([Measurement(math.nan)], "measurement 1: ohm"),
        ([Measurement(100.0), Measurement(1.0, Where.TOWARDS_END, 5)], "measurement 2: first"),
        ([Measurement(100.0, known={7: REST})], "measurement 1: known"),
        ([Measurement(100.0, known={0: frozenset({"mask"})})], "measurement 1: known"),
        ([Measurement(100.0, Where.PANEL_CONNECTED)], "pull_up_ohm"),
        ([Measurement(100.0, meter_percent=-1.0)], "measurement 1: meter_percent"),
    ],
)
def test_impossible_questions_are_refused(readings: list[Measurement], field: str) -> None:
    with pytest.raises(RuleError) as refused:
        diagnose(loop(), readings)
    assert refused.value.field == field


def test_a_circuit_without_devices_is_refused() -> None:
    with pytest.raises(RuleError) as refused:
        diagnose(replace(loop(), devices=()), [Measurement(100.0)])
    assert refused.value.field == "devices"


CODES = st.sampled_from(["closed-loop", "single-eol", "double-eol", "triple-eol", "single-eol-open"])
OHMS = st.one_of(st.floats(0.0, 40_000.0), st.just(math.inf))


@settings(max_examples=60, deadline=None)
@given(code=CODES, devices=st.integers(1, 5), ohm=OHMS)
def test_fits_add_up_to_one_and_predictions_hold_the_reading(code: str, devices: int, ohm: float) -> None:
    diagnosis = diagnose(loop(devices, code), [Measurement(ohm)], most=5000)
    if diagnosis.causes:
        assert sum(cause.fit for cause in diagnosis.causes) == pytest.approx(1.0)
    fits = [cause.fit for cause in diagnosis.causes]
    assert fits == sorted(fits, reverse=True)
    for cause in diagnosis.causes:
        (read,) = cause.predicted
        if math.isinf(ohm):
            assert math.isinf(read.nominal_ohm)
        else:
            off = ohm / 100 + 1.0 + 1e-6
            assert read.least_ohm - off <= ohm <= read.greatest_ohm + off


LIKELY_OHMS = st.one_of(OHMS, st.sampled_from([4708.0, 9410.0, 14_110.0, 6905.0, 2358.0, 470.0, 8.0, 5100.0]))


@settings(max_examples=80, deadline=None)
@given(code=CODES, devices=st.integers(1, 5), ohm=LIKELY_OHMS, more=LIKELY_OHMS, place=st.integers(0, 4))
def test_another_measurement_never_adds_a_cause(code: str, devices: int, ohm: float, more: float, place: int) -> None:
    question = loop(devices, code)
    one = [Measurement(ohm)]
    two = [*one, Measurement(more, Where.TOWARDS_END, min(place, devices - 1))]

    def left(readings: list[Measurement]) -> set[tuple[str, int]]:
        causes = diagnose(question, readings, most=5000).causes
        # Whether something is operated beside a fault is left open where it does not show.
        return {(cause.kind.removesuffix("+active"), place) for cause in causes for place in (cause.places or (-1,))}

    assert left(two) <= left(one)


@settings(max_examples=40, deadline=None)
@given(ohm=st.floats(100.0, 40_000.0), shift=st.integers(1, 4))
def test_the_order_of_devices_on_a_series_loop_does_not_matter_at_the_panel(ohm: float, shift: int) -> None:
    # One device differs; the last keeps its place, for its board holds the end-of-line resistor.
    question = loop()
    odd = replace(question.devices[0], resistor_ohm=VALUES | {"alarm": 1000.0})
    inner = (odd, *question.devices[1:4])
    turned = inner[shift % 4 :] + inner[: shift % 4]

    def fits(devices: tuple[LoopDevice, ...]) -> tuple[list[str], list[float]]:
        found = diagnose(replace(question, devices=(*devices, question.devices[4])), [Measurement(ohm)], most=5000)
        sizeless = [cause for cause in found.causes if not cause.kind.startswith(("short", "leak", "eol-early"))]
        ranked = sorted((cause.kind, cause.fit / sizeless[0].fit) for cause in sizeless)
        return [kind for kind, _ in ranked], [fit for _, fit in ranked]

    kinds, shares = fits(inner)
    kinds_turned, shares_turned = fits(turned)
    assert kinds == kinds_turned
    assert shares == pytest.approx(shares_turned, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(ohm=st.floats(100.0, 40_000.0), tolerance=st.floats(0.1, 5.0), wider=st.floats(0.0, 5.0))
def test_wider_tolerance_never_rules_out_more(ohm: float, tolerance: float, wider: float) -> None:
    def kinds(percent: float) -> set[str]:
        question = replace(loop(), tolerance_percent=percent)
        return {cause.kind for cause in diagnose(question, [Measurement(ohm)], most=5000).causes}

    assert kinds(tolerance) <= kinds(tolerance + wider)


@settings(max_examples=30, deadline=None)
@given(ohm=st.floats(1_000.0, 30_000.0), factor=st.sampled_from([0.5, 2.0, 10.0]))
def test_everything_scaled_leaves_the_same_discrete_causes(ohm: float, factor: float) -> None:
    def kinds(scale: float) -> set[tuple[str, tuple[int, ...]]]:
        values = {role: value * scale for role, value in VALUES.items()}
        question = replace(loop(**values), cable=CableSpec(85.0 * scale), contact_ohm_max=0.5 * scale)
        readings = [Measurement(ohm * scale, meter_ohm=scale)]
        plain = ("healthy", "active", "two-active", "many-active", "eol-doubled", "eol-shorted", "cut")
        found = diagnose(question, readings, most=5000).causes
        return {(cause.kind, cause.places) for cause in found if cause.kind in plain}

    assert kinds(1.0) == kinds(factor)
