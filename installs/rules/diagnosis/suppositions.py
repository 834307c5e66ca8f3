"""What may be the matter with a circuit: every supposition that a diagnosis considers, as columns of arrays."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from installs.rules.diagnosis import priors
from installs.rules.diagnosis.circuit import (
    BIT,
    MASKS,
    Array,
    Columns,
    Overlay,
    Tables,
    Whole,
    build_tables,
    known_masks,
)
from installs.rules.diagnosis.model import Measurement, OtherBoard, Where
from installs.rules.diagnosis.suspects import Suspect, suspects_of
from installs.rules.loop_states import Loop
from installs.rules.topology import FUNCTIONS

SIZED = ("joint", "leak", "short")
# A difference that no meter shows, such as a resistor's across a closed contact.
_HIDDEN_OHM = 1.0
# Ways to choose how many devices of each class of equal contribution are operated; more are not considered.
MOST_COUNTS = 3000


@dataclass(frozen=True)
class Count:
    """Several devices of which it only matters how many are operated: out of each class of places, so many."""

    function: str
    classes: tuple[tuple[int, ...], ...]
    chosen: tuple[int, ...]

    def places(self) -> tuple[int, ...]:
        return tuple(place for some, number in zip(self.classes, self.chosen, strict=True) if number for place in some)


@dataclass
class Suppositions:
    """Columns with their weights before measuring. `suspect`, `first`, `second`, `count` are positions in the lists
    of `Problem`, -1: none. `first` and `second` are functions operated on devices."""

    columns: Columns
    weight: Array
    suspect: Whole
    first: Whole
    second: Whole
    count: Whole

    def __len__(self) -> int:
        return len(self.columns)


@dataclass
class Problem:
    """All suppositions about one circuit: those without and those with a size (`sized`, of which `runs` is the run of
    cable and `kinds` the position in `SIZED`). `hidden` are the suspects that show only with a
    function of their own device operated."""

    loop: Loop
    tables: Tables
    suspects: list[Suspect]
    single_place: Whole
    single_function: list[str]
    counts: list[Count]
    plain: Suppositions
    sized: Suppositions
    runs: Whole
    kinds: Whole
    hidden: frozenset[int]
    left_out: tuple[str, ...]


def suppose(loop: Loop, measurements: Sequence[Measurement], boards: Sequence[OtherBoard]) -> Problem:
    """Every supposition that may explain the measurements of this circuit."""
    suspects, fittings, end = suspects_of(loop, boards)
    known = [known_masks(measurement) for measurement in measurements]
    pairs = [BIT[one] | BIT[other] for one, other in itertools.combinations(FUNCTIONS, 2)]
    masks = [0, *BIT.values(), *pairs, *(mask for some in known for mask in some.values())]
    tables = build_tables(loop, fittings, end, masks)

    fixed = {place for place in range(tables.places) if all(place in some for some in known)}
    singles = [
        (place, name)
        for place, device in enumerate(loop.devices)
        if place not in fixed
        for name in FUNCTIONS
        if name in device.functions
    ]
    place = np.array([place for place, _ in singles], dtype=np.int64)
    bit = np.array([BIT[name] for _, name in singles], dtype=np.int64)
    odds = np.array([priors.OPERATED[name] for _, name in singles])
    counts, left_out = _counts(loop, tables, measurements, singles, known)

    blocks = _Blocks(tables, suspects, place, bit)
    alone = np.arange(-1, len(singles))
    alone_odds = np.append(1.0, odds)
    blocks.add(suspect=-1, first=alone[:1], weight=np.array([priors.HEALTHY]))
    blocks.add(suspect=-1, first=alone[1:], weight=odds)
    if len(singles) > 1:
        first, second = np.triu_indices(len(singles), 1)
        alike = np.array([FUNCTIONS.index(name) for _, name in singles])
        both = np.sqrt(odds[first] * odds[second]) * np.where(alike[first] == alike[second], 1.0, 0.5)
        others = max(1, len({place for place, _ in singles}) - 1)
        blocks.add(suspect=-1, first=first, second=second, weight=both * 2 * priors.ONE_MORE / others)
    for number, (count, weight) in enumerate(counts):
        blocks.add_count(number, count, weight)
    shown, hidden = _seen(tables, suspects, known, singles)
    seen = np.array(shown, dtype=np.int64)
    if seen.size:
        weights = np.array([suspects[number].weight for number in shown])
        blocks.add(
            suspect=np.repeat(seen, alone.size),
            first=np.tile(alone, seen.size),
            weight=(weights[:, None] * alone_odds).ravel(),
        )
    if hidden:
        number, single = np.array(hidden, dtype=np.int64).T
        weights = np.array([suspects[index].weight for index in number])
        blocks.add(suspect=number, first=single, weight=weights * odds[single])
    plain = blocks.done()

    kinds, runs, states = (
        part.ravel() for part in np.meshgrid(np.arange(len(SIZED)), np.arange(tables.places), alone, indexing="ij")
    )
    share = _shares(tables)
    weight = np.array([priors.FAULT[kind] for kind in SIZED])[kinds] * share[kinds, runs] * alone_odds[states + 1]
    blocks = _Blocks(tables, suspects, place, bit)
    blocks.add(suspect=-1, first=states, weight=weight)
    return Problem(
        loop=loop,
        tables=tables,
        suspects=suspects,
        single_place=place,
        single_function=[name for _, name in singles],
        counts=[count for count, _ in counts],
        plain=plain,
        sized=blocks.done(),
        runs=runs,
        kinds=kinds,
        hidden=frozenset(number for number, _ in hidden),
        left_out=left_out,
    )


def overlay_of(run: Whole, kind: Whole, size: Array) -> Overlay:
    """Sizes (first axis: nominal, least, greatest) in these runs, of these positions in `SIZED`, as what lies over the
    ladder. A joint's and a leak's size are in ohms, a short's is its share of the run."""
    joint, leak, short = (kind == number for number in range(len(SIZED)))
    # A leak may be anywhere in its run: it reads least at the near end of it and most at the other.
    anywhere = np.array([[0.5], [0.0], [1.0]])
    return Overlay(
        place=run,
        share=np.where(short, size, np.where(leak, anywhere, 0.0)),
        in_line_ohm=np.where(joint, size, 0.0),
        across_ohm=np.where(leak, size, np.where(short, 0.0, math.inf)),
    )


class _Blocks:
    """Collects suppositions block by block and joins them into columns."""

    def __init__(self, tables: Tables, suspects: Sequence[Suspect], place: Whole, bit: Whole) -> None:
        self._places = tables.places
        self._suspects = suspects
        self._place, self._bit = place, bit
        self._parts: list[tuple[Whole, Whole, Whole, Whole, Array]] = []
        self._counted: list[Count] = []

    def add(self, *, suspect: Whole | int, first: Whole, weight: Array, second: Whole | int = -1) -> None:
        size = first.shape[0]
        whole = [np.broadcast_to(part, (size,)) for part in (suspect, first, second, -1)]
        self._parts.append((whole[0], whole[1], whole[2], whole[3], weight))

    def add_count(self, number: int, count: Count, weight: float) -> None:
        none = np.array([-1])
        self._counted.append(count)
        self._parts.append((none, none, none, np.array([number]), np.array([weight])))

    def done(self) -> Suppositions:
        suspect, first, second, count, weight = (np.concatenate(part) for part in zip(*self._parts, strict=True))
        size = weight.shape[0]
        operated = np.zeros((self._places, size), dtype=np.int64)
        for single in (first, second):
            some = np.flatnonzero(single >= 0)
            operated[self._place[single[some]], some] |= self._bit[single[some]]
        for column in np.flatnonzero(count >= 0):
            counted = self._counted[count[column]]
            for places, number in zip(counted.classes, counted.chosen, strict=True):
                operated[list(places[:number]), column] = BIT[counted.function]
        fitting = np.zeros((self._places, size), dtype=np.int64)
        end = np.zeros(size, dtype=np.int64)
        some = np.flatnonzero(suspect >= 0)
        if some.size:
            table = np.array([(one.place, one.fitting, one.end) for one in self._suspects], dtype=np.int64)
            where, number, ends = table[suspect[some]].T
            # The line's end has place -1 and fitting 0: writing the last row's 0 over itself does no harm.
            fitting[where, some] = number
            end[some] = ends
        return Suppositions(Columns(operated, fitting, end), weight, suspect, first, second, count)


def _seen(
    tables: Tables,
    suspects: Sequence[Suspect],
    known: Sequence[Mapping[int, int]],
    singles: Sequence[tuple[int, str]],
) -> tuple[list[int], list[tuple[int, int]]]:
    """Suspects that show whatever is operated, and those that show only with a function of their own device operated,
    each with that function's position."""
    differs = []
    for place in range(tables.places):
        width = tables.width[place]
        differ = np.zeros((MASKS, width), dtype=bool)
        for table in (tables.in_line[place], tables.across[place]):
            if table is not None:
                cube = table.reshape(3, MASKS, width)
                with np.errstate(invalid="ignore"):
                    far = np.abs(cube - cube[:, :, :1]) > _HIDDEN_OHM
                # Two open circuits are alike; an open one and another are not.
                differ |= (far | (np.isinf(cube) != np.isinf(cube[:, :, :1]))).any(axis=0)
        differs.append(differ)
    own: dict[int, list[tuple[int, int]]] = {}
    for index, (place, name) in enumerate(singles):
        own.setdefault(place, []).append((index, BIT[name]))
    resting = [{some.get(place, 0) for some in known} for place in range(tables.places)]
    shown: list[int] = []
    hidden: list[tuple[int, int]] = []
    for number, suspect in enumerate(suspects):
        place = suspect.place
        if suspect.end or any(differs[place][mask, suspect.fitting] for mask in resting[place]):
            shown.append(number)
        else:
            hidden.extend((number, index) for index, bit in own.get(place, ()) if differs[place][bit, suspect.fitting])
    return shown, hidden


def _counts(
    loop: Loop,
    tables: Tables,
    measurements: Sequence[Measurement],
    singles: Sequence[tuple[int, str]],
    known: Sequence[Mapping[int, int]],
) -> tuple[list[tuple[Count, float]], tuple[str, ...]]:
    """Three and more devices with the same function operated, counted by classes that no measurement tells apart."""
    left_out = [
        "two faults at once",
        "a fault together with two or more operated functions",
        "three or more functions operated that are not all of one kind",
        "a contact that stays operated on a device stated to be at rest",
        "cable lengths other than recorded",
    ]
    series = all((device.topology or loop.topology).arrangement == "series" for device in loop.devices)
    if not series:
        return [], (*left_out, "three or more devices operated on a circuit that is not all in series")
    opened = sorted({one.first for one in measurements if one.where is Where.TOWARDS_END})
    found: list[tuple[Count, float]] = []
    for name in FUNCTIONS:
        places = [place for place, function in singles if function == name]
        classes: dict[object, list[int]] = {}
        for place in places:
            adds = tables.in_line[place][:, BIT[name] * tables.width[place]]
            if np.isfinite(adds).all():
                behind = sum(place >= first for first in opened)
                states = tuple(some.get(place, -1) for some in known)
                classes.setdefault((behind, states, *(f"{ohm:.9g}" for ohm in adds)), []).append(place)
        total = sum(len(some) for some in classes.values())
        if total < 3:
            continue
        if math.prod(len(some) + 1 for some in classes.values()) > MOST_COUNTS:
            left_out.append(f"three or more devices with {name} operated (too many unlike devices to count)")
            continue
        groups = tuple(tuple(some) for some in classes.values())
        for chosen in itertools.product(*(range(len(some) + 1) for some in groups)):
            number = sum(chosen)
            if number >= 3:
                ways = math.prod(math.comb(len(some), few) for some, few in zip(groups, chosen, strict=True))
                weight = priors.several_operated(len(places) * priors.OPERATED[name], number, total)
                found.append((Count(name, groups, chosen), weight * ways / math.comb(total, number)))
    return found, tuple(left_out)


def _shares(tables: Tables) -> Array:
    """How the weight of each sized fault is shared among runs: joints and leaks evenly, shorts by length."""
    count = tables.places
    even = np.full(count, 1.0 / count)
    # A metre each for the terminals, so that a run without recorded length can be shorted too.
    metres = tables.run_m + 1.0
    return np.stack([even, even, metres / metres.sum()])
