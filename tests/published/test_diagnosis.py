"""The diagnosis against 2,000 generated circuits with a known fault, simulated by a solver of another kind.

Source of the circuits, of the readings and of 'can be separated' is `faulty_circuits` (nodal analysis), which knows
nothing of the diagnosis. 1 to 12 devices, closed loop, single, double and triple end of line, normally open contacts
across the pair without and with a resistor; every resistor, contact, joint and cable drawn within its tolerance; the
meter right to within 1 % and 1 Ω; one reading at the panel; in half of the cases without
anything operated all devices are known to be at rest, else no device's state is known.

A case can be separated when no fault of another group on the generator's own list could give a reading within the
meter's accuracy of the one measured: the list is everything the generator may draw for this circuit, each fault with
the least and the greatest reading of the nodal analysis, those with a size (joint 20 Ω to 2 kΩ, leak 1 kΩ to 100 kΩ,
short anywhere in its run) over all their sizes. A group is a kind of fault with its functions and values; the place is
not part of it, for devices alike in contribution cannot be told apart from the panel. What the diagnosis finds has no
part in this.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from functools import cache

import numpy as np

from installs.rules.diagnosis.model import Cause, Diagnosis, Measurement
from installs.rules.diagnosis.search import diagnose
from tests.published.faulty_circuits import (
    OTHER_BOARDS,
    Circuit,
    Fault,
    draw_case,
    intervals,
    measured,
    others,
    possible_faults,
)

CASES, SEED = 2000, 20261125
NOT_FOUND, MOST = 10_000, 5000


def names(cause: Cause, fault: Fault) -> bool:
    """Whether a cause of the diagnosis is this fault: its kind, its place among those named, its values in words."""
    if cause.kind != fault.kind:
        return any(says(words, fault) for words in cause.same_as)
    if fault.kind == "short":
        # A short at a device is as much before it as behind it.
        near = {place + step for place in cause.places for step in (-1, 0, 1)}
        return set(fault.places) <= near
    return set(fault.places) <= set(cause.places) and says(cause.words, fault)


def says(words: str, fault: Fault) -> bool:
    if fault.any_of and not any(part in words for part in fault.any_of):
        return False
    return all(part in words for part in (*fault.words, *KIND_IN_WORDS.get(fault.kind, ())))


KIND_IN_WORDS = {
    "healthy": ("Healthy",),
    "cut": ("cut",),
    "joint": ("joint",),
    "leak": ("Leak",),
    "eol-missing": ("End-of-line resistor missing",),
    "eol-shorted": ("End-of-line resistor shorted",),
    "eol-doubled": ("doubled",),
    "eol-early": ("Another end-of-line",),
    "resistor-missing": ("missing",),
    "resistor-shorted": ("shorted",),
}


def rank_of(diagnosis: Diagnosis, fault: Fault) -> int:
    return next((cause.number for cause in diagnosis.causes if names(cause, fault)), NOT_FOUND)


def can_separate(circuit: Circuit, fault: Fault, reading: Measurement) -> bool:
    faults = possible_faults(circuit.code, circuit.loop, circuit.board, circuit.eol_ohm)
    rivals = [rival for rival in others(faults, fault) if not (reading.known and rival.operated)]
    # Those that explain most readings come first, to be done sooner.
    sized = [rival for rival in rivals if rival.sized or rival.kind in ("healthy", "active")]
    return not any(could_read(circuit, some, reading) for some in (sized, [r for r in rivals if r not in sized]))


def could_read(circuit: Circuit, faults: list[Fault], reading: Measurement) -> bool:
    if not faults:
        return False
    least, greatest = intervals(circuit, faults)
    if math.isinf(reading.ohm):
        return bool(np.isinf(greatest).any())
    off = reading.ohm * reading.meter_percent / 100 + reading.meter_ohm
    return bool(((least <= reading.ohm + off) & (greatest >= reading.ohm - off)).any())


def states(circuit: Circuit, fault: Fault, chance: random.Random) -> dict[int, frozenset[str]]:
    """In half of the cases without anything operated, everything is known to be at rest."""
    at_rest = not fault.operated and chance.random() < 0.5
    return dict.fromkeys(range(len(circuit.board)), frozenset()) if at_rest else {}


@cache
def figures() -> tuple[tuple[str, str, bool, int], ...]:
    """Topology, kind, whether it can be separated, and the rank of the true cause, for each case."""
    chance = random.Random(SEED)
    found = []
    for _ in range(CASES):
        circuit, fault, draw = draw_case(chance)
        reading = measured(circuit, fault, draw, chance, known=states(circuit, fault, chance))
        diagnosis = diagnose(circuit.loop, [reading], boards=OTHER_BOARDS, most=MOST)
        found.append((circuit.code, fault.kind, can_separate(circuit, fault, reading), rank_of(diagnosis, fault)))
    return tuple(found)


def table() -> str:
    """The figures by kind of fault."""
    lines = [f"{'':20}{'cases':>7}{'separable':>11}{'first':>8}{'in 3':>8}{'all: first':>12}{'in 3':>8}"]
    rows = figures()
    for kind in [*sorted({row[1] for row in rows}), "all"]:
        some = [row for row in rows if kind in (row[1], "all")]
        ranks = [row[3] for row in some if row[2]]
        every = [row[3] for row in some]
        lines.append(
            f"{kind:20}{len(some):7}{len(ranks):11}{_percent(ranks, 1)}{_percent(ranks, 3)}"
            f"{_percent(every, 1):>12}{_percent(every, 3)}"
        )
    return "\n".join(lines)


def _percent(ranks: list[int], most: int) -> str:
    return f"{100 * sum(rank <= most for rank in ranks) / len(ranks):7.1f}%" if ranks else f"{'-':>8}"


def test_true_cause_is_first_in_80_percent_and_in_three_in_95_of_what_can_be_separated() -> None:
    print("\n" + table())
    ranks = [rank for _, _, separable, rank in figures() if separable]
    assert len(ranks) > 300
    assert sum(rank == 1 for rank in ranks) / len(ranks) >= 0.80
    assert sum(rank <= 3 for rank in ranks) / len(ranks) >= 0.95


def test_true_cause_is_never_ruled_out() -> None:
    lost = Counter((code, kind) for code, kind, _, rank in figures() if rank == NOT_FOUND)
    assert lost == Counter()


def test_the_measurement_offered_next_never_worsens_the_rank_on_average() -> None:
    chance = random.Random(SEED + 1)
    before, after = [], []
    for _ in range(200):
        circuit, fault, draw = draw_case(chance)
        readings = [measured(circuit, fault, draw, chance, known=states(circuit, fault, chance))]
        first = diagnose(circuit.loop, readings, boards=OTHER_BOARDS, most=MOST)
        if first.next_step is None:
            continue
        step = first.next_step
        readings.append(measured(circuit, fault, draw, chance, step.where, step.first, step.known))
        second = diagnose(circuit.loop, readings, boards=OTHER_BOARDS, most=MOST)
        before.append(rank_of(first, fault))
        after.append(rank_of(second, fault))
    assert NOT_FOUND not in after
    assert len(before) > 100
    print(f"\nmean rank of the true cause: {np.mean(before):.2f} with one reading, {np.mean(after):.2f} with two")
    assert np.mean(after) <= np.mean(before)
