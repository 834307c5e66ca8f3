"""Random loops of every kind against nodal analysis, which knows nothing of series, parallel or ladders.

1,200 circuits of 1 to 8 devices, many wired each its own way: in line or across the pair, contacts normally open and
closed, resistors on boards or by hand; seen from the panel, from the far end and from within towards the end; nominal
and both limits. The solver is in `loop_netlists`.
"""

from __future__ import annotations

import math
import random

import pytest

from installs.rules import ladder
from installs.rules.loop_grid import all_states
from installs.rules.loop_states import Loop, end_ohm, far_end_intervals, rungs, state_intervals
from installs.rules.network import Pick
from tests.published.loop_netlists import State, draw, random_case, shorted_before

CIRCUITS = 1200


def same(ours: object, theirs: float) -> bool:
    return ours == pytest.approx(theirs, rel=1e-9, abs=1e-9)


def test_random_circuits_equal_nodal_analysis() -> None:
    rng = random.Random("nodal analysis")
    compared = finite = doubles = 0
    for _ in range(CIRCUITS):
        case = random_case(rng)
        loop = case.loop
        grid = all_states(loop)
        picked = {0, *rng.sample(range(len(grid.states)), min(5, len(grid.states)))}
        for pick, values in zip(Pick, (grid.nominal_ohm, grid.least_ohm, grid.greatest_ohm), strict=True):
            wired = case.wired(pick)
            for row in sorted(picked):
                state: dict[int, frozenset[str]] = {}
                for place, name in grid.states[row]:
                    state[place] = state.get(place, frozenset()) | {name}
                net, (top, bottom, *_) = draw(wired, state)
                theirs = net.between(top, bottom)
                assert same(values[row, 0], theirs), (grid.states[row], pick, loop)
                compared += 1
                finite += 0 < theirs < math.inf
                doubles += len(grid.states[row]) == 2
    assert (compared >= 10_000, finite >= 4_000, doubles >= 4_000) == (True, True, True), (compared, finite, doubles)


def test_random_circuits_from_the_far_end_and_from_within() -> None:
    rng = random.Random("far end")
    compared = finite = 0
    for _ in range(300):
        case = random_case(rng)
        loop = case.loop
        opened, joined, panel = far_end_intervals(loop, joined=False), far_end_intervals(loop, joined=True), (
            state_intervals(loop)
        )
        for pick, name in ((Pick.NOMINAL, "nominal_ohm"), (Pick.LEAST, "least_ohm"), (Pick.GREATEST, "greatest_ohm")):
            wired = case.wired(pick)
            for row in [0, *rng.sample(range(len(panel) - 2), min(3, len(panel) - 2))]:
                state = state_of(panel[row].state, panel[row].device_key, loop)
                net, (top, bottom, far_top, far_bottom) = draw(wired, state)
                assert same(getattr(panel[row], name), net.between(top, bottom))
                assert same(getattr(opened[row], name), net.between(far_top, far_bottom))
                first = rng.randrange(len(loop.devices))
                inner, (start, back, *_) = draw(wired, state, first=first)
                ours = ladder.towards_end(rungs(loop, state, pick), end_ohm(loop, pick), first)
                assert same(ours, inner.between(start, back))
                net.wire(top, bottom)
                theirs = net.between(far_top, far_bottom)
                assert same(getattr(joined[row], name), theirs)
                compared += 4
                finite += 0 < theirs < math.inf
    assert (compared >= 8_000, finite >= 1_000) == (True, True), (compared, finite)


def state_of(state: str, key: str, loop: Loop) -> State:
    if state == "normal":
        return {}
    if state == "all-alarm":
        return {place: frozenset({"alarm"}) for place, device in enumerate(loop.devices) if "alarm" in device.functions}
    return {int(key[1:]): frozenset(state.split("+"))}


def test_every_cut_and_short_lies_within_its_interval() -> None:
    rng = random.Random("cuts")
    compared = 0
    for _ in range(150):
        case = random_case(rng)
        views = (state_intervals(case.loop), far_end_intervals(case.loop, joined=False), far_end_intervals(
            case.loop, joined=True
        ))
        for pick in Pick:
            wired = case.wired(pick)
            for place in range(len(case.loop.devices)):
                net, (top, bottom, far_top, far_bottom) = draw(wired, {}, cut=place)
                measured = [net.between(top, bottom), net.between(far_top, far_bottom)]
                net.wire(top, bottom)
                measured.append(net.between(far_top, far_bottom))
                for view, ohm in zip(views, measured, strict=True):
                    assert float(view[-2].least_ohm) <= ohm * (1 + 1e-9) + 1e-9
                    assert ohm <= float(view[-2].greatest_ohm) * (1 + 1e-9) + 1e-9
                compared += 3
                shorted = shorted_before(wired, place)
                for view, ohm in zip(views, shorted, strict=True):
                    assert ohm <= float(view[-1].greatest_ohm) * (1 + 1e-9) + 1e-9
    assert compared > 2_000
