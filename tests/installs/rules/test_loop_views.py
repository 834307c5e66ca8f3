"""The far end, circuits that share a device, values given for one device alone, and all double states in one call."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from installs.rules.errors import RuleError
from installs.rules.loop_batches import shape, stack
from installs.rules.loop_grid import all_states
from installs.rules.loop_states import Seen, far_end_intervals
from installs.rules.loops import Band, CableSpec, Loop, LoopDevice, longest_cable_m, state_intervals, verdict
from installs.rules.topology import FUNCTIONS, STANDARD_TOPOLOGIES, parse_topology
from tests.published.loop_netlists import random_case

DOUBLE = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
BRIDGING = parse_topology(STANDARD_TOPOLOGIES["single-eol-open"])
BOTH = frozenset({"alarm", "tamper"})


def double(runs: tuple[float, ...] = (100.0, 100.0)) -> Loop:
    devices = tuple(LoopDevice(f"d{n}", f"D{n}", BOTH, {"alarm": 1000.0}, run) for n, run in enumerate(runs))
    return Loop(DOUBLE, devices, CableSpec(50.0, 0.0), eol_ohm=1000.0, contact_ohm_max=0.0, tolerance_percent=1.0)


def test_the_far_end_of_a_series_loop() -> None:
    # 200 m of pair at 50 ohm/km a core: 20 ohm. Open at the panel only the end is left; joined, 20 ohm lie beside it.
    opened = {row.state: row for row in far_end_intervals(double(), joined=False) if row.device_key in ("", "d0")}
    joined = {row.state: row for row in far_end_intervals(double(), joined=True) if row.device_key in ("", "d0")}
    assert {state: row.nominal_ohm for state, row in opened.items()} == {
        "normal": 1000.0, "alarm": 1000.0, "tamper": 1000.0, "all-alarm": 1000.0, "open": 1000.0, "short": 0.0,
    }  # fmt: skip
    assert (opened["normal"].least_ohm, opened["normal"].greatest_ohm) == (990.0, 1010.0)
    assert {state: row.nominal_ohm for state, row in joined.items()} == pytest.approx({
        "normal": 20 * 1000 / 1020, "alarm": 1020 * 1000 / 2020, "tamper": 1000.0, "all-alarm": 2020 * 1000 / 3020,
        "open": 1000.0, "short": 0.0,
    })  # fmt: skip
    # A cut leaves exactly the end; a short at most what is measured at rest.
    assert (joined["open"].least_ohm, joined["open"].greatest_ohm) == (990.0, 1010.0)
    assert joined["short"].greatest_ohm == pytest.approx(20 * 1010 / 1030)


def test_a_cut_behind_a_device_that_bridges_the_pair_is_no_open_circuit() -> None:
    # A normally closed contact with a resistor across the pair: the panel still measures the resistor.
    bridging = parse_topology({
        "arrangement": "parallel",
        "device": {"series": [{"contact": "alarm", "normally": "closed"}, {"resistor": "alarm"}]},
        "end": {"resistor": "eol"},
    })
    devices = tuple(LoopDevice(f"d{n}", f"D{n}", frozenset({"alarm"}), {"alarm": 4700.0}, 0.0) for n in range(2))
    loop = Loop(bridging, devices, CableSpec(0.0), eol_ohm=4700.0, tolerance_percent=0.0, contact_ohm_max=0.0)
    cut = next(row for row in state_intervals(loop) if row.state == "open")
    assert (cut.nominal_ohm, cut.least_ohm, cut.greatest_ohm) == (math.inf, 4700.0, math.inf)
    far = next(row for row in far_end_intervals(loop, joined=False) if row.state == "open")
    # Cut before the last device: it lies beside the end; cut before both: three times 4700 side by side.
    assert (far.nominal_ohm, far.least_ohm, far.greatest_ohm) == pytest.approx((2350.0, 4700.0 / 3, 2350.0))


def test_one_device_on_three_circuits_comes_out_right_on_each() -> None:
    # Six signalling wires: alarm, tamper and mask on a pair of their own, each with a single end-of-line resistor.
    output = {"alarm": "single-eol", "tamper": "single-eol-tamper", "mask": "single-eol-mask"}
    for name, code in output.items():
        bands = (Band("tamper", 0, 2000), Band("normal", 3000, 7000), Band(name, 9000, None))
        device = LoopDevice("d1", "Hall", frozenset({name}), {}, 40.0)
        loop = Loop(parse_topology(STANDARD_TOPOLOGIES[code]), (device,), CableSpec(78.4), eol_ohm=4700.0)
        rows = {row.state: row for row in state_intervals(loop)}
        assert list(rows) == ["normal", name, "open", "short"]
        # 40 m of pair: 2 x 40 x 0.0784 = 6.272 ohm.
        assert rows["normal"].nominal_ohm == pytest.approx(4706.272)
        assert rows[name].nominal_ohm == math.inf
        assert verdict(loop, bands).outcome == "right"


def test_four_wires_put_tamper_on_its_own_pair() -> None:
    # Alarm with its resistor on one pair, tamper alone on a closed loop: the double EOL wiring without tamper contact.
    alarm = LoopDevice("d1", "Hall", frozenset({"alarm"}), {"alarm": 4700.0}, 0.0)
    on_alarm = Loop(DOUBLE, (alarm,), CableSpec(78.4), eol_ohm=4700.0, tolerance_percent=0.0, contact_ohm_max=0.0)
    values = {row.state: row.nominal_ohm for row in state_intervals(on_alarm)}
    assert values == {"normal": 4700.0, "alarm": 9400.0, "open": math.inf, "short": 0.0}
    tamper = LoopDevice("d1", "Hall", frozenset({"tamper"}), {}, 0.0)
    closed = Loop(parse_topology(STANDARD_TOPOLOGIES["closed-loop-tamper"]), (tamper,), CableSpec(78.4))
    values = {row.state: row.nominal_ohm for row in state_intervals(closed)}
    assert values == {"normal": 0.0, "tamper": math.inf, "open": math.inf, "short": 0.0}


def test_a_contact_across_a_loop_of_contacts_in_line() -> None:
    # One normally open contact across the pair before a closed one in line: in alarm it shorts all behind it.
    gate = LoopDevice("d0", "Gate", frozenset({"alarm"}), {}, 50.0, topology=BRIDGING)
    loop = double()
    mixed = replace(loop, devices=(replace(loop.devices[0], key="a"), gate))
    values = {(row.state, row.device_key): row.nominal_ohm for row in state_intervals(mixed)}
    assert values["normal", ""] == 1015.0
    assert values["alarm", "a"] == 2015.0
    assert values["alarm", "d0"] == 15.0
    assert values["all-alarm", ""] == 1015.0


def test_tolerances_of_a_device_alone_and_of_the_end() -> None:
    loop = replace(double((0.0, 0.0)), eol_tolerance_percent=5.0)
    fine = replace(loop.devices[0], tolerance_percent=0.0)
    rows = {(row.state, row.device_key): row for row in state_intervals(replace(loop, devices=(fine, loop.devices[1])))}
    assert (rows["normal", ""].least_ohm, rows["normal", ""].greatest_ohm) == (950.0, 1050.0)
    assert (rows["alarm", "d0"].least_ohm, rows["alarm", "d0"].greatest_ohm) == (1950.0, 2050.0)
    assert (rows["alarm", "d1"].least_ohm, rows["alarm", "d1"].greatest_ohm) == (1940.0, 2060.0)


def test_joints_drums_and_temperature_of_resistors() -> None:
    loop = replace(
        double(), joint_ohm_max=0.5, cable=CableSpec(50.0, 0.0, 10.0), resistor_ppm_per_k=100.0,
        least_temperature_c=-20.0, greatest_temperature_c=40.0,
    )
    normal = state_intervals(loop)[0]
    # 20 ohm of cable by 10 %, two runs' joints of 0.5 ohm, 1 % and 40 K at 100 ppm (0.4 %) of the resistor.
    assert normal.nominal_ohm == 1020.0
    assert (normal.least_ohm, normal.greatest_ohm) == pytest.approx((18 + 986, 22 + 1 + 1014))


def cases(count: int) -> list[Loop]:
    rng = random.Random("views")
    return [random_case(rng).loop for _ in range(count)]


def test_all_double_states_equal_each_alone() -> None:
    for loop in cases(150):
        grid = all_states(loop)
        signals = [
            (place, name) for place, device in enumerate(loop.devices) for name in FUNCTIONS if name in device.functions
        ]
        assert grid.states == ((), *((signal,) for signal in signals), *combinations(signals, 2))
        seen = Seen(loop)
        for row, state in enumerate(grid.states):
            operated: dict[int, frozenset[str]] = {}
            for place, name in state:
                operated[place] = operated.get(place, frozenset()) | {name}
            alone = next(iter(seen.at_panel([("", "", "", operated)])))
            assert (grid.nominal_ohm[row, 0], grid.least_ohm[row, 0], grid.greatest_ohm[row, 0]) == pytest.approx(
                (alone.nominal_ohm, alone.least_ohm, alone.greatest_ohm), rel=1e-9, abs=1e-9
            )


def test_stacked_circuits_equal_each_alone_in_every_field() -> None:
    rng = random.Random("stack")
    for loop in cases(25):
        loops = [
            replace(
                loop,
                devices=tuple(
                    replace(
                        device,
                        resistor_ohm={role: rng.uniform(300, 12_000) for role in device.resistor_ohm},
                        cable_run_m=rng.uniform(0, 100),
                        tolerance_percent=None if device.tolerance_percent is None else rng.uniform(0, 5),
                    )
                    for device in loop.devices
                ),
                eol_tolerance_percent=rng.uniform(0, 5),
                joint_ohm_max=rng.uniform(0, 1),
                resistor_ppm_per_k=rng.choice((0.0, 50.0)),
            )
            for _ in range(5)
        ]
        assert len({shape(one) for one in loops}) == 1
        together = all_states(stack(loops))
        views = [state_intervals(stack(loops)), far_end_intervals(stack(loops), joined=True)]
        for column, one in enumerate(loops):
            alone = all_states(one)
            for name in ("nominal_ohm", "least_ohm", "greatest_ohm"):
                np.testing.assert_allclose(
                    getattr(together, name)[:, column], getattr(alone, name)[:, 0], rtol=1e-12, atol=1e-12
                )
                for view, mine in zip(
                    views, (state_intervals(one), far_end_intervals(one, joined=True)), strict=True
                ):
                    values = [np.broadcast_to(getattr(row, name), (5,))[column] for row in view]
                    assert values == pytest.approx([getattr(row, name) for row in mine], rel=1e-12)


def test_circuits_wired_otherwise_are_of_another_shape() -> None:
    loop = double()
    first, second = loop.devices
    others = (
        replace(loop, eol_tolerance_percent=2.0),
        replace(loop, devices=(replace(first, tolerance_percent=2.0), second)),
        replace(loop, devices=(replace(first, functions=frozenset({"alarm"}), topology=BRIDGING), second)),
    )
    assert len({shape(one) for one in (loop, *others)}) == 4


def test_the_longest_cable_without_bands_is_none() -> None:
    assert longest_cable_m(double(), ()) is None


def test_a_conductor_that_loses_resistance_with_heat_is_refused() -> None:
    with pytest.raises(RuleError, match=r"temperature_coefficient_per_k.*-0\.001"):
        state_intervals(replace(double(), cable=CableSpec(50.0, -0.001)))
