"""Time of one diagnosis against the bare array arithmetic of as many ladders: `python -m tests.bench.bench_diagnosis`.

Floor: the same number of ladders with as many places, at nominal, least and greatest: a look-up in a table and two sums
a place, and nothing else. Beside the time by the clock stands the time of the processor, which a busy machine does not
lengthen as much. Goal: one diagnosis of 10 devices, triple end of line on one pair, 20 other boards, under 20 ms at the
95th percentile.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Sequence

import numpy as np

from installs.rules.diagnosis.model import Diagnosis, Measurement, OtherBoard, Where
from installs.rules.diagnosis.search import diagnose
from installs.rules.loops import CableSpec, Loop, LoopDevice
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology
from tests.bench.clock import timed

GOAL_MS = 20.0
VALUES = (820.0, 1000.0, 1500.0, 2200.0, 3300.0, 4700.0, 5600.0, 6800.0, 8200.0, 10_000.0, 12_000.0)


def circuit(devices: int) -> Loop:
    """Triple end of line, all signals on one pair, the end-of-line resistor on the last board."""
    topology = parse_topology(STANDARD_TOPOLOGIES["triple-eol"])
    values = {"eol": 4700.0, "alarm": 4700.0, "mask": 2200.0}
    return Loop(
        topology=topology,
        devices=tuple(
            LoopDevice(f"d{place}", f"D{place + 1}", functions(topology), values, 6.0 + place % 5)
            for place in range(devices)
        ),
        cable=CableSpec(85.0, tolerance_percent=3.0),
        joint_ohm_max=0.3,
    )


def boards(count: int) -> list[OtherBoard]:
    chance = random.Random(1)
    return [
        OtherBoard(f"B{number}", {role: chance.choice(VALUES) for role in ("eol", "alarm", "mask")})
        for number in range(count)
    ]


def questions(devices: int) -> list[list[Measurement]]:
    """Readings of all sorts: healthy, in alarm, masked, open, shorted, with a bad joint, out of any row; and two of
    them narrowed by a second reading."""
    half = devices // 2
    single = [4720.0, 9440.0, 6930.0, math.inf, 6.0, 5150.0, 14_150.0, 7777.0, 2380.0]
    known = dict.fromkeys(range(devices), frozenset[str]())
    return [
        *([Measurement(ohm)] for ohm in single),
        [Measurement(9440.0), Measurement(4712.0, Where.TOWARDS_END, half)],
        [Measurement(5150.0, known=known), Measurement(4706.0, Where.FAR_END_OPEN)],
    ]


def floor(places: int, count: int) -> float:
    """Seconds for `count` ladders of so many places in series, at three picks."""
    chance = np.random.default_rng(1)
    run, table = chance.random((places, 3, 1)), chance.random((places, 3, 500))
    entry = chance.integers(0, 500, (places, count))

    def ladders() -> None:
        rest = np.ones((3, count))
        for place in range(places):
            rest = rest + table[place].take(entry[place], axis=1) + run[place]

    return float(np.median([timed(ladders) for _ in range(15)]))


def times_ms(devices: int, others: Sequence[OtherBoard], rounds: int) -> tuple[list[float], list[float], int]:
    """Milliseconds of each diagnosis by the clock and of the processor, and the most suppositions considered."""
    loop, asked = circuit(devices), questions(devices)
    most = 0

    def one(readings: Sequence[Measurement]) -> Diagnosis:
        return diagnose(loop, readings, boards=others)

    for readings in asked:
        most = max(most, one(readings).considered)
    clock, processor = [], []
    for _ in range(rounds):
        for readings in asked:
            began = time.process_time()
            clock.append(timed(lambda readings=readings: one(readings)) * 1e3)
            processor.append((time.process_time() - began) * 1e3)
    return sorted(clock), sorted(processor), most


def main() -> None:
    others = boards(20)
    print("Triple end of line on one pair, 20 other boards, 11 questions in turn")
    head = ("devices", "considered", "p50 ms", "p95 ms", "cpu p50", "cpu p95", "floor ms", "of floor")
    print("".join(f"{name:>11}" for name in head))
    for devices in (2, 5, 10, 20, 40):
        clock, processor, considered = times_ms(devices, others, 20 if devices <= 10 else 5)
        middle, late = len(clock) // 2, int(len(clock) * 0.95)
        least = floor(devices, considered) * 1e3
        figures = (clock[middle], clock[late], processor[middle], processor[late], least, clock[middle] / least)
        print(f"{devices:11}{considered:11}" + "".join(f"{figure:11.2f}" for figure in figures))
        if devices == 10:
            verdict = "met" if clock[late] < GOAL_MS else "missed"
            print(f"{'':11}goal for 10 devices: p95 under {GOAL_MS:g} ms by the clock: {verdict}")


if __name__ == "__main__":
    main()
