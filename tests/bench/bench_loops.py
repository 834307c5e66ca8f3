"""All single and double states of many circuits in one call, against the bare numpy arithmetic of the same formulas.

    python -m tests.bench.bench_loops [--circuits 100000]

Read the ratios, not the seconds. Floor: the formulas of one wiring written out by hand, without topologies, checks or
trees, into arrays of the same size; its numbers are checked to equal the grid's. Where a grid of so many circuits would
not fit into memory the row says how many it took; the last column is per value, so that rows can be compared.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from installs.rules.bands import Band
from installs.rules.loop_draws import leaving
from installs.rules.loop_grid import Grid, all_states
from installs.rules.loop_report import report
from installs.rules.loop_states import CableSpec, Loop, LoopDevice
from installs.rules.loops import longest_cable_m
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology
from tests.bench.clock import timed

Values = NDArray[np.float64]
DEVICES = (2, 5, 10, 20)
MOST_VALUES = 64_000_000  # numbers held at once by one grid: half a gigabyte
BANDS = (
    Band("tamper", 0, 700),
    Band("normal", 700, 1400),
    Band("alarm", 1400, 4500),
    Band("tamper", 5000, None),
)


def stacked(code: str, devices: int, circuits: int) -> Loop:
    """Circuits of one shape with values of their own."""
    rng = np.random.default_rng(devices)
    topology = parse_topology(STANDARD_TOPOLOGIES[code])
    carried = functions(topology)

    def near(ohm: float) -> Values:
        return ohm * rng.uniform(0.9, 1.1, circuits)

    return Loop(
        topology,
        tuple(
            LoopDevice(f"d{place}", f"D{place}", carried, {"alarm": near(1000.0)}, rng.uniform(1, 60, circuits))
            for place in range(devices)
        ),
        CableSpec(near(78.4), np.full(circuits, 0.00393), np.full(circuits, 2.0)),
        eol_ohm=near(1000.0),
        tolerance_percent=np.full(circuits, 1.0),
        contact_ohm_max=np.full(circuits, 0.5),
        least_temperature_c=np.full(circuits, -10.0),
        greatest_temperature_c=np.full(circuits, 40.0),
        joint_ohm_max=np.full(circuits, 0.2),
    )


def picks(loop: Loop) -> tuple[tuple[Values, float, Values | float, Values | float], ...]:
    """Temperature, sign of the tolerances, resistance of a closed contact and of a run's joints: each of the three."""
    contact, joint = np.asarray(loop.contact_ohm_max), np.asarray(loop.joint_ohm_max)
    return (
        (np.full_like(contact, 20.0), 0.0, 0.0, 0.0),
        (np.asarray(loop.least_temperature_c), -1.0, 0.0, 0.0),
        (np.asarray(loop.greatest_temperature_c), 1.0, contact, joint),
    )


def runs_of(loop: Loop, temperature_c: Values, sign: float, joint: Values | float) -> list[Values]:
    cable = loop.cable
    warm = 1 + cable.temperature_coefficient_per_k * (temperature_c - 20.0)
    per_m = 2 * cable.ohm_per_km_20 / 1000 * warm * (1 + sign * cable.tolerance_percent / 100)
    return [np.asarray(device.cable_run_m * per_m + joint) for device in loop.devices]


def floor_series(loop: Loop) -> list[Values]:
    """Double EOL: each device has a tamper contact in line and an alarm contact with a resistor across it."""
    count = len(loop.devices)
    found = []
    for temperature_c, sign, contact, joint in picks(loop):
        tolerance = 1 + sign * np.asarray(loop.tolerance_percent) / 100
        resistors = [np.asarray(device.resistor_ohm["alarm"]) * tolerance for device in loop.devices]
        rest = [contact + contact * ohm / (contact + ohm) for ohm in resistors]
        total = sum(runs_of(loop, temperature_c, sign, joint), np.asarray(loop.eol_ohm) * tolerance) + sum(rest)
        more = [
            part
            for place in range(count)
            for part in (contact + resistors[place] - rest[place], np.full_like(total, np.inf))
        ]
        out = np.empty((1 + len(more) + len(more) * (len(more) - 1) // 2, total.size))
        out[0] = total
        for row, part in enumerate(more, start=1):
            np.add(total, part, out=out[row])
        for row, (first, second) in enumerate(combinations(range(len(more)), 2), start=1 + len(more)):
            np.add(out[1 + first], more[second], out=out[row])
        found.append(out)
    return found


def floor_parallel(loop: Loop) -> list[Values]:
    """Single EOL with normally open contacts across the pair, from the end to the panel."""
    count = len(loop.devices)
    found = []
    for temperature_c, sign, contact, joint in picks(loop):
        run = runs_of(loop, temperature_c, sign, joint)
        behind = [np.asarray(loop.eol_ohm) * (1 + sign * np.asarray(loop.tolerance_percent) / 100)]
        for place in reversed(range(count)):
            behind.insert(0, run[place] + behind[0])
        out = np.empty((1 + count + count * (count - 1) // 2, behind[0].size))
        out[0] = behind[0]
        # Contacts at rest are open, so the run before a closed one just adds.
        before = np.cumsum(run, axis=0)
        closed = [contact * behind[place + 1] / (contact + behind[place + 1]) for place in range(count)]
        for place in range(count):
            np.add(before[place], closed[place], out=out[1 + place])
        for row, (first, second) in enumerate(combinations(range(count), 2), start=1 + count):
            far = before[second] - before[first] + closed[second]
            np.add(before[first], contact * far / (contact + far), out=out[row])
        found.append(out)
    return found


def best(work: Callable[[], object], times: int = 3) -> float:
    return min(timed(work) for _ in range(times))


def check_equal(floor: list[Values], grid: Grid) -> None:
    for mine, theirs in zip(floor, (grid.nominal_ohm, grid.least_ohm, grid.greatest_ohm), strict=True):
        assert mine.shape == theirs.shape, (mine.shape, theirs.shape)
        for our_row, their_row in zip(mine, theirs, strict=True):
            np.testing.assert_allclose(their_row, our_row, rtol=1e-9, atol=1e-9)


def compare(code: str, floor: Callable[[Loop], list[Values]], circuits: int) -> None:
    print(f"\n{code}")
    print(f"{'devices':>8}{'states':>8}{'circuits':>10}{'floor s':>9}{'grid s':>9}{'of floor':>10}{'ns a value':>12}")
    for devices in DEVICES:
        one = stacked(code, devices, 1)
        states = len(all_states(one).states)
        count = min(circuits, MOST_VALUES // (3 * states))
        loop = stacked(code, devices, count)
        with np.errstate(invalid="ignore", divide="ignore"):
            check_equal(floor(loop), all_states(loop))
            # Turn about, so that both find the same machine.
            pairs = [(timed(lambda: floor(loop)), timed(lambda: all_states(loop))) for _ in range(5)]  # noqa: B023
        bare, ours = (min(column) for column in zip(*pairs, strict=True))
        each_ns = ours / (3 * states * count) * 1e9
        print(f"{devices:8}{states:8}{count:10,}{bare:9.3f}{ours:9.3f}{ours / bare:10.2f}{each_ns:12.2f}")


def single_loop() -> None:
    topology = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
    devices = tuple(
        LoopDevice(f"d{place}", f"D{place}", functions(topology), {"alarm": 1000.0}, 12.0) for place in range(10)
    )
    loop = Loop(topology, devices, CableSpec(78.4, tolerance_percent=2.0), eol_ohm=1000.0, joint_ohm_max=0.2)
    print("\none loop of 10 devices, milliseconds")
    for words, work in (
        ("report", lambda: report(loop, BANDS)),
        ("longest_cable_m", lambda: longest_cable_m(loop, BANDS)),
        ("leaving, 10,000 draws", lambda: leaving(loop, BANDS, draws=10_000, seed=1)),
    ):
        print(f"  {words:30}{best(work, 20) * 1e3:9.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", type=int, default=100_000, help="how many of one shape, 1,000 to 200,000")
    circuits = parser.parse_args().circuits
    if not 1_000 <= circuits <= 200_000:
        parser.error(f"--circuits is {circuits}; give 1000 to 200000.")
    compare("double-eol", floor_series, circuits)
    compare("single-eol-open", floor_parallel, circuits)
    single_loop()


if __name__ == "__main__":
    main()
