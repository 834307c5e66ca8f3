"""Designs: longest cable, preferred values, boards; each compared with the table that judges installed circuits."""

from __future__ import annotations

import itertools
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.demo.ranges import PANELS, bands_of
from installs.rules import design_search
from installs.rules.bands import Band
from installs.rules.design import (
    BoardOffer,
    CableOffer,
    Plan,
    design,
    loop_of,
    preferred_beside,
    preferred_set,
)
from installs.rules.errors import RuleError
from installs.rules.loop_report import report
from installs.rules.loops import CableSpec, Loop, longest_cable_m, state_table, with_cable
from installs.rules.resistors import from_colours, is_preferred
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology, resistor_roles

INPUTS = [
    (row.topology, [Band(*band) for band in bands_of(row)], row)
    for row in {row.code: row for panel in PANELS for row in panel.profiles}.values()
]
DEOL = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
TEOL = parse_topology(STANDARD_TOPOLOGIES["triple-eol"])
BANDS_4K7 = [
    Band("tamper", 0, 2000), Band("normal", 2000, 7000), Band("alarm", 7000, 30_000), Band("tamper", 30_000, None),
]


def plan(topology: str = "double-eol", runs_m: tuple[float, ...] = (20.0,), **fields: object) -> Plan:
    wired = parse_topology(STANDARD_TOPOLOGIES[topology])
    start = Plan(wired, CableSpec(85.0), runs_m, functions(wired), {})
    return replace(start, **fields)  # type: ignore[arg-type]


def singles_right(loop: Loop, bands: list[Band]) -> bool:
    rows = state_table(loop, bands)
    return all(row.outcome == "right" for row in rows if row.state not in ("alarm+mask", "all-alarm"))


runs = st.lists(st.floats(0, 60), min_size=1, max_size=5).map(tuple)
cables = st.builds(CableSpec, st.floats(10, 140), st.just(0.00393), st.sampled_from([0.0, 5.0]))


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(INPUTS), runs, cables, st.sampled_from(["E24", "E96"]))
def test_every_recommended_set_reads_right(
    chosen: tuple[str, list[Band], object], runs_m: tuple[float, ...], cable: CableSpec, series: str
) -> None:
    topology, bands, _ = chosen
    asked = plan(topology, runs_m, cable=cable)
    found = preferred_set(asked, bands, series=series)
    if not resistor_roles(asked.topology, asked.carried):
        assert found is None
        return
    assert found is not None
    loop = loop_of(asked, found.resistor_ohm)
    assert report(loop, bands).outcome == found.outcome
    assert singles_right(loop, bands)
    assert found.outcome == "right" or (found.outcome == "marginal" and len(runs_m) > 1)
    assert all(is_preferred(ohm, series) for ohm in found.resistor_ohm.values())
    assert all(from_colours(one.colours) == (one.ohm, 1.0) for one in found.resistors)


@pytest.mark.parametrize(("topology", "code"), [("double-eol", "deol-4k7"), ("single-eol-open", "open-1k")])
def test_the_search_finds_what_trying_every_pair_finds(topology: str, code: str) -> None:
    bands = next(bands for _, bands, row in INPUTS if row.code == code)
    asked = plan(topology, (30.0, 8.0, 8.0))
    roles = sorted(resistor_roles(asked.topology, asked.carried))
    values = [float(digits * 100) for digits in (7, 8.2, 10, 12, 15, 18, 22, 27, 33, 39, 43, 47, 51, 56, 68, 82)]
    margins = {}
    for tried in itertools.product(values, repeat=len(roles)):
        table = state_table(loop_of(asked, dict(zip(roles, tried, strict=True))), bands)
        if all(row.outcome == "right" for row in table):
            margins[tried] = min(row.margin_ohm for row in table if row.margin_ohm is not None)
    found = design_search.best(
        loop_of(asked, {}), bands, {role: np.array(values) for role in roles}, combined=True
    )
    assert found is not None
    assert len(margins) > 2
    assert margins[tuple(found[role] for role in roles)] == pytest.approx(max(margins.values()), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(INPUTS), runs.filter(lambda found: sum(found) > 1), cables)
def test_just_below_the_longest_cable_reads_right_and_just_above_does_not(
    chosen: tuple[str, list[Band], object], runs_m: tuple[float, ...], cable: CableSpec
) -> None:
    topology, bands, _ = chosen
    asked = plan(topology, runs_m, cable=cable)
    found = design(asked, bands)
    assert found.report is not None
    longest = found.report.longest_cable_m
    loop = loop_of(asked, found.used_ohm)
    if longest is None:
        assert not singles_right(with_cable(loop, 0.0), bands)
        return
    assert singles_right(with_cable(loop, max(longest - 0.1, 0.0)), bands)
    if longest < 10_000:
        assert not singles_right(with_cable(loop, longest + 0.2), bands)


def test_other_cables_reach_as_far_as_each_alone() -> None:
    thin, thick = CableOffer("1", "7/0.2", 0.22, CableSpec(85.0)), CableOffer("2", "0.5 mm²", 0.5, CableSpec(36.0))
    given_ohm = {"eol": 4700.0, "alarm": 4700.0}
    asked = plan(runs_m=(40.0, 10.0), resistor_ohm=given_ohm)
    found = design(asked, BANDS_4K7, cables=[thin, thick])
    assert [reach.longest_m for reach in found.cables] == [
        longest_cable_m(loop_of(replace(asked, cable=offer.cable), given_ohm), BANDS_4K7) for offer in (thin, thick)
    ]
    assert [reach.reaches for reach in found.cables] == [True, True]
    assert found.report is not None
    assert found.report.longest_cable_m == found.cables[0].longest_m


def test_boards_of_the_wiring_and_those_that_read_right() -> None:
    single = parse_topology(STANDARD_TOPOLOGIES["single-eol"])
    offers = [
        BoardOffer("1", "4k7", DEOL, 2, {"eol": 4700.0, "alarm": 4700.0}),
        BoardOffer("2", "1k", DEOL, 2, {"eol": 1000.0, "alarm": 1000.0}),
        BoardOffer("3", "triple", TEOL, 2, {"eol": 4700.0, "alarm": 4700.0, "mask": 2200.0}),
        BoardOffer("4", "single", single, 4, {"eol": 4700.0}),
        BoardOffer("5", "by hand", DEOL, 2, {}, presets_values=False),
        BoardOffer("6", "other by hand", TEOL, 2, {}, presets_values=False),
    ]
    found = design(plan(), BANDS_4K7, boards=offers)
    assert [fit.outcome for fit in found.boards] == ["right", "wrong", "wrong", "wrong", "right", "wrong"]
    assert [fit.reason for fit in found.boards[2:4]] == [
        "It is made for another wiring, with a resistor for mask.",
        "It has no alarm resistor, which this wiring needs.",
    ]
    assert found.boards[1].reason.startswith("Normal:")


def test_several_devices_in_alarm_at_once_are_never_worse_than_marginal() -> None:
    offer = BoardOffer("1", "4k7", DEOL, 2, {"eol": 4700.0, "alarm": 4700.0})
    outcomes = [design(plan(runs_m=(5.0,) * n), BANDS_4K7, boards=[offer]).boards[0].outcome for n in (1, 5, 6, 12)]
    assert outcomes == ["right", "right", "marginal", "marginal"]


def test_a_missing_mask_resistor_is_named_and_offered() -> None:
    bands = next(bands for _, bands, row in INPUTS if row.code == "teol-4k7-2k2")
    found = design(plan("triple-eol", resistor_ohm={"eol": 4700.0, "alarm": 4700.0}), bands)
    assert found.missing == ("mask",)
    assert found.completing is not None
    assert found.completing.resistor_ohm["eol"] == 4700.0
    assert [(one.role, one.written) for one in found.completing.resistors] == [
        ("eol", "4k7"), ("alarm", "4k7"), ("mask", "2k2"),
    ]
    assert found.report is not None
    assert found.report.outcome == "right"


def test_neighbours_of_typed_values_and_whether_they_still_read_right() -> None:
    found = design(plan(resistor_ohm={"eol": 6200.0, "alarm": 4700.0}), BANDS_4K7)
    assert [(near.role, near.resistor.written, near.outcome) for near in found.neighbours] == [
        ("eol", "5k6", "right"), ("eol", "6k8", "thin"), ("alarm", "4k3", "right"), ("alarm", "5k1", "right"),
    ]
    higher = design(plan(resistor_ohm={"eol": 6800.0, "alarm": 4700.0}), BANDS_4K7)
    assert [near.outcome for near in higher.neighbours[:2]] == ["right", "wrong"]


@pytest.mark.parametrize(
    ("ohm", "series", "beside"),
    [
        (4700.0, "E24", (4300.0, 5100.0)), (4700.0, "E96", (4640.0, 4750.0)), (1000.0, "E24", (910.0, 1100.0)),
        (9100.0, "E24", (8200.0, 10_000.0)), (4750.0, "E24", (4700.0, 5100.0)),
    ],
)
def test_preferred_values_beside_another(ohm: float, series: str, beside: tuple[float, float]) -> None:
    assert preferred_beside(ohm, series) == beside


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"carried": frozenset({"mask"})}, "signals"),
        ({"carried": frozenset()}, "signals"),
        ({"runs_m": ()}, "devices"),
        ({"runs_m": (1.0,) * 41}, "devices"),
        ({"runs_m": (-1.0,)}, "runs_m"),
        ({"resistor_ohm": {"eol": -4.0}}, "eol_ohm"),
    ],
)
def test_nonsense_is_refused(fields: dict[str, object], field: str) -> None:
    with pytest.raises(RuleError) as error:
        design(plan(**fields), BANDS_4K7)  # type: ignore[arg-type]
    assert error.value.field == field
    assert error.value.remedy


def test_no_bands_and_unknown_series_are_refused() -> None:
    with pytest.raises(RuleError) as error:
        design(plan(), [])
    assert error.value.field == "profile"
    with pytest.raises(RuleError) as error:
        design(plan(), BANDS_4K7, series="E3")
    assert error.value.field == "series"


def test_a_long_loop_of_three_resistors_in_e96_is_answered_in_time() -> None:
    bands = next(bands for _, bands, row in INPUTS if row.code == "teol-1k-3k")
    started = time.perf_counter()
    assert design(plan("triple-eol", (20.0, *(5.0,) * 19)), bands, series="E96").preferred is not None
    assert time.perf_counter() - started < 6
