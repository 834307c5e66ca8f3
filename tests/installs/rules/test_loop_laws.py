"""Laws that hold for every loop: monotone in each resistance, and what follows from it."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from installs.rules import ladder, network
from installs.rules.bands import Band, margin_ohm
from installs.rules.ladder import Rung
from installs.rules.loop_states import CableSpec, Loop, LoopDevice, StateInterval, far_end_intervals, state_intervals
from installs.rules.loops import COMBINED_STATES, expected_states, longest_cable_m, state_table, verdict, with_cable
from installs.rules.network import Node, Parallel, Resistor, Series, resistance_ohm
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology
from tests.published.loop_netlists import random_case

seeds = st.integers(0, 2**32)
ohms = st.one_of(st.floats(0.0, 1e6), st.just(math.inf))
rung_lists = st.lists(st.builds(Rung, st.floats(0, 500), ohms, ohms), min_size=1, max_size=8)


def no_less(more: object, less: object) -> bool:
    # A ratio computed twice may differ in its last digit.
    return float(more) >= float(less) * (1 - 1e-12)  # type: ignore[arg-type]


@settings(deadline=None)
@given(rung_lists, ohms, ohms, st.integers(0, 7), st.sampled_from(("run_ohm", "in_line_ohm", "across_ohm")),
       st.floats(0, 1e6))
def test_a_ladder_is_monotone_in_each_of_its_parts(
    rungs: list[Rung], end_ohm: float, panel_end_ohm: float, place: int, part: str, more_ohm: float
) -> None:
    place %= len(rungs)
    grown = rungs.copy()
    grown[place] = replace(rungs[place], **{part: getattr(rungs[place], part) + more_ohm})
    assert no_less(ladder.from_panel(grown, end_ohm), ladder.from_panel(rungs, end_ohm))
    assert no_less(
        ladder.from_far_end(grown, end_ohm, panel_end_ohm), ladder.from_far_end(rungs, end_ohm, panel_end_ohm)
    )
    assert no_less(ladder.from_panel(rungs, end_ohm + more_ohm), ladder.from_panel(rungs, end_ohm))
    far_end = ladder.from_far_end(rungs, end_ohm, panel_end_ohm)
    assert no_less(ladder.from_far_end(rungs, end_ohm, panel_end_ohm + more_ohm), far_end)


resistors = st.builds(Resistor, st.floats(0.0, 1e6))
trees: st.SearchStrategy[Node] = st.recursive(
    st.one_of(resistors, st.just(network.Open()), st.just(network.Short())),
    lambda parts: st.one_of(
        st.builds(Series, st.lists(parts, min_size=1, max_size=4).map(tuple)),
        st.builds(Parallel, st.lists(parts, min_size=1, max_size=4).map(tuple)),
    ),
    max_leaves=12,
)


def grown_ones(node: Node, more_ohm: float) -> Iterator[Node]:
    """The network with one of its resistors grown, each in turn."""
    match node:
        case Resistor():
            yield Resistor(node.ohm + more_ohm)
        case Series() | Parallel():
            for place, part in enumerate(node.parts):
                for other in grown_ones(part, more_ohm):
                    yield type(node)((*node.parts[:place], other, *node.parts[place + 1 :]))


@settings(deadline=None)
@given(trees, st.floats(0, 1e6))
def test_a_network_is_monotone_in_each_of_its_resistors(node: Node, more_ohm: float) -> None:
    before = resistance_ohm(node)
    for other in grown_ones(node, more_ohm):
        assert no_less(resistance_ohm(other), before)


def spans(loop: Loop) -> Iterator[StateInterval]:
    yield from state_intervals(loop)
    yield from far_end_intervals(loop, joined=False)
    yield from far_end_intervals(loop, joined=True)


@settings(max_examples=150, deadline=None)
@given(seeds, st.floats(0, 20))
def test_wider_tolerances_never_narrow_any_interval_of_any_loop(seed: int, more: float) -> None:
    loop = random_case(random.Random(seed)).loop
    wider = replace(
        loop,
        devices=tuple(
            device if device.tolerance_percent is None
            else replace(device, tolerance_percent=device.tolerance_percent + more)
            for device in loop.devices
        ),
        tolerance_percent=loop.tolerance_percent + more,
        eol_tolerance_percent=(loop.eol_tolerance_percent or 0.0) + more,
        cable=replace(loop.cable, tolerance_percent=loop.cable.tolerance_percent + more),
        contact_ohm_max=loop.contact_ohm_max + more,
        joint_ohm_max=loop.joint_ohm_max + more,
        resistor_ppm_per_k=loop.resistor_ppm_per_k + more,
        least_temperature_c=loop.least_temperature_c - more,
        greatest_temperature_c=loop.greatest_temperature_c + more,
    )
    for narrow, wide in zip(spans(loop), spans(wider), strict=True):
        assert no_less(narrow.least_ohm, wide.least_ohm)
        assert no_less(wide.greatest_ohm, narrow.greatest_ohm)


@settings(max_examples=150, deadline=None)
@given(seeds)
def test_nominal_lies_within_the_interval_of_any_loop(seed: int) -> None:
    for span in spans(random_case(random.Random(seed)).loop):
        assert no_less(span.nominal_ohm, span.least_ohm)
        assert no_less(span.greatest_ohm, span.nominal_ohm)


@settings(max_examples=150, deadline=None)
@given(seeds, st.floats(0, 200), st.integers(0, 7))
def test_longer_cable_never_lowers_what_the_panel_measures(seed: int, more_m: float, place: int) -> None:
    loop = random_case(random.Random(seed)).loop
    place %= len(loop.devices)
    longer = replace(loop, devices=tuple(
        replace(device, cable_run_m=device.cable_run_m + more_m) if index == place else device
        for index, device in enumerate(loop.devices)
    ))
    for before, after in zip(state_intervals(loop), state_intervals(longer), strict=True):
        for name in ("nominal_ohm", "least_ohm", "greatest_ohm"):
            assert no_less(getattr(after, name), getattr(before, name))


def permuted(loop: Loop, rng: random.Random) -> Loop:
    """The devices in another order; the one at the end stays, for its board may carry the end-of-line resistor."""
    first, last = list(loop.devices[:-1]), loop.devices[-1]
    rng.shuffle(first)
    return replace(loop, devices=(*first, last))


@settings(max_examples=150, deadline=None)
@given(seeds)
def test_order_never_changes_a_series_loop(seed: int) -> None:
    loop = random_case(random.Random(seed)).loop
    assume(all((device.topology or loop.topology).arrangement == "series" for device in loop.devices))
    other = permuted(loop, random.Random(seed + 1))
    before = {(row.state, row.device_key): row for row in state_intervals(loop)}
    for after in state_intervals(other):
        row = before[after.state, after.device_key]
        for name in ("nominal_ohm", "least_ohm", "greatest_ohm"):
            assert getattr(after, name) == pytest.approx(getattr(row, name), rel=1e-12)


# Bands made for boards of 1k / 1k / 3k (series arithmetic).
TRIPLE_BANDS = (
    Band("tamper", 0, 500),
    Band("normal", 700, 1450),
    Band("alarm", 1550, 2900),
    Band("mask", 3100, 4450),
    Band("alarm", 4550, 9000),
    Band("tamper", 18_000, None),
)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(0, 60), min_size=1, max_size=3), st.floats(800, 1300), st.floats(800, 1300),
       st.floats(2500, 3300), st.sampled_from((0.5, 1.0, 5.0)))
def test_every_state_of_a_healthy_loop_lies_in_its_own_band(
    runs: list[float], eol_ohm: float, alarm_ohm: float, mask_ohm: float, tolerance_percent: float
) -> None:
    topology = parse_topology(STANDARD_TOPOLOGIES["triple-eol"])
    devices = tuple(
        LoopDevice(f"d{place}", f"D{place}", functions(topology), {"alarm": alarm_ohm, "mask": mask_ohm}, run_m)
        for place, run_m in enumerate(runs)
    )
    loop = Loop(topology, devices, CableSpec(78.4), eol_ohm=eol_ohm, tolerance_percent=tolerance_percent)
    table = state_table(loop, TRIPLE_BANDS)
    in_margin = all((row.margin_ohm or 0.0) > 0 for row in table)
    for row in table:
        if in_margin:
            assert row.outcome == "right"
            assert row.band in row.accepted
            for low, high in [(band.low_ohm, band.high_ohm) for band in TRIPLE_BANDS if band.state == row.band]:
                if low <= row.nominal_ohm and (high is None or row.nominal_ohm < high):
                    assert low <= row.least_ohm
                    assert high is None or row.greatest_ohm < high
        elif row.state not in COMBINED_STATES and (row.margin_ohm or 0.0) < 0:
            assert row.outcome != "right"
    assert (verdict(loop, TRIPLE_BANDS).outcome == "right") == all(row.outcome == "right" for row in table)


@settings(max_examples=80, deadline=None)
@given(seeds)
def test_the_longest_cable_reads_right_and_a_little_more_does_not(seed: int) -> None:
    rng = random.Random(seed)
    loop = random_case(rng).loop
    # Bands around the loop's own values, so that many a loop reads right without cable.
    bare = state_intervals(with_cable(loop, 0.0))
    span = next(row for row in bare if row.state == "normal")
    assume(float(span.least_ohm) > 0 and float(span.greatest_ohm) < math.inf)
    low, high = float(span.least_ohm) * 0.9, float(span.greatest_ohm) + rng.uniform(5, 300)
    bands = (Band(rng.choice(("alarm", "tamper")), 0, low), Band("normal", low, high), Band("alarm", high, None))
    longest = longest_cable_m(loop, bands)

    def right(length_m: float) -> bool:
        table = state_table(with_cable(loop, length_m), bands)
        return all(row.outcome == "right" for row in table if row.state not in COMBINED_STATES)

    if longest is None:
        assert not right(0.0)
    elif longest == 10_000.0:
        assert right(longest)
    else:
        assert right(longest)
        assert not right(longest + 0.2)


def test_margins_are_of_the_interval_and_its_own_band() -> None:
    # By hand: 990 to 1010 in a band of 700 to 1400 leaves 290 below and 390 above.
    _, accepted = expected_states(parse_topology(STANDARD_TOPOLOGIES["double-eol"]), "normal")
    assert margin_ohm(TRIPLE_BANDS, accepted, 990.0, 1010.0) == 290.0
    assert margin_ohm(TRIPLE_BANDS, accepted, 990.0, 1460.0) == -10.0
