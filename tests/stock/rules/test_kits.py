"""Complete detectors from parts: alone, missing parts, and laws that every best mix keeps."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stock.rules.errors import RuleError
from stock.rules.kits import Alone, Gain, Wanted, alone, best_mix, missing

COVER, OTHER, PLATE, BOARD, INSERT = range(1, 6)


def test_the_part_that_ends_first_and_the_next() -> None:
    kit = {COVER: 1, PLATE: 1, INSERT: 2}
    assert alone({COVER: 7, PLATE: 4, INSERT: 5}, kit) == Alone(2, (INSERT,), 4, (PLATE,))
    assert alone({COVER: 3, PLATE: 3, INSERT: 6}, kit) == Alone(3, (COVER, PLATE, INSERT), None, ())
    assert alone({}, kit) == Alone(0, (COVER, PLATE, INSERT), None, ())


def test_what_more_would_take_counts_shared_parts_once() -> None:
    have = {COVER: 2, OTHER: 9, PLATE: 4}
    assert missing(have, [({COVER: 1, PLATE: 1}, 4), ({OTHER: 1, PLATE: 2}, 3)]) == {COVER: 2, PLATE: 6}
    assert missing(have, [({COVER: 1}, 2)]) == {}


def test_priority_comes_before_number() -> None:
    # One backplate kit of the urgent variant takes what two of the other would: it is served first all the same.
    wanted = [Wanted(1, {PLATE: 2, COVER: 1}, 1, 1), Wanted(2, {PLATE: 1, OTHER: 1}, 2, 2)]
    mix = best_mix({PLATE: 2, COVER: 1, OTHER: 2}, wanted)
    assert (dict(mix.made), mix.by_priority, mix.at_most, mix.proven) == ({1: 1, 2: 0}, (1, 0), (1, 0), True)
    assert (dict(mix.unused), dict(mix.shopping)) == ({COVER: 0, OTHER: 2, PLATE: 0}, {PLATE: 2})
    assert mix.gains == (Gain(PLATE, (0, 1)),)


def test_of_one_priority_the_number_counts_then_the_even_share() -> None:
    wanted = [Wanted(1, {PLATE: 2, COVER: 1}, 1), Wanted(2, {PLATE: 1, OTHER: 1}, 2)]
    assert dict(best_mix({PLATE: 2, COVER: 1, OTHER: 2}, wanted).made) == {1: 0, 2: 2}
    shared = [Wanted(1, {PLATE: 1}, 4), Wanted(2, {PLATE: 1}, 8), Wanted(3, {PLATE: 1, INSERT: 1}, 5)]
    # The third cannot be made at all; the other two get the same share of what is wanted of them.
    assert dict(best_mix({PLATE: 6}, shared).made) == {1: 2, 2: 4, 3: 0}


def test_two_parts_that_are_short_together_gain_nothing_alone() -> None:
    mix = best_mix({COVER: 1, PLATE: 1}, [Wanted(1, {COVER: 1, PLATE: 1}, 3)])
    assert (dict(mix.made), mix.gains, dict(mix.shopping)) == ({1: 1}, (), {COVER: 2, PLATE: 2})
    assert mix.all_tried


def test_no_time_is_said_honestly() -> None:
    mix = best_mix({PLATE: 6}, [Wanted(1, {PLATE: 1}, 4), Wanted(2, {PLATE: 1}, 4, 2)], seconds=0.0)
    assert (mix.proven, dict(mix.made), mix.at_most) == (False, {1: 0, 2: 0}, (None, None))
    assert (mix.gains, mix.all_tried) == ((), False)


@pytest.mark.parametrize(
    ("wanted", "field"),
    [
        ([Wanted(1, {}, 1)], "kit"),
        ([Wanted(1, {PLATE: 0}, 1)], "kit"),
        ([Wanted(1, {PLATE: 1}, 0)], "wanted"),
        ([Wanted(1, {PLATE: 1}, 1, 0)], "wanted"),
        ([Wanted(1, {PLATE: 1}, 1), Wanted(1, {PLATE: 1}, 1)], "variant"),
    ],
)
def test_what_cannot_be_asked(wanted: list[Wanted], field: str) -> None:
    with pytest.raises(RuleError) as error:
        best_mix({PLATE: 1}, wanted)
    assert (error.value.field, bool(error.value.remedy)) == (field, True)


PARTS = st.integers(0, 5)
KITS = st.dictionaries(PARTS, st.integers(1, 3), min_size=1, max_size=4)
STOCK = st.dictionaries(PARTS, st.integers(-1, 12))


@st.composite
def mixes(draw: st.DrawFn) -> list[Wanted]:
    count = draw(st.integers(1, 5))
    return [Wanted(n, draw(KITS), draw(st.integers(1, 9)), draw(st.integers(1, 2))) for n in range(count)]


@settings(max_examples=60)
@given(available=STOCK, wanted=mixes())
def test_never_more_than_wanted_nor_than_the_parts_allow(available: dict[int, int], wanted: list[Wanted]) -> None:
    mix = best_mix(available, wanted)
    assert mix.proven
    assert all(0 <= mix.made[one.variant] <= one.number for one in wanted)
    for part in {part for one in wanted for part in one.kit}:
        used = sum(one.kit.get(part, 0) * mix.made[one.variant] for one in wanted)
        assert max(available.get(part, 0), 0) - used == mix.unused[part] >= 0
    # With what is to be got, all of it can be made.
    full = {part: max(available.get(part, 0), 0) + mix.shopping.get(part, 0) for part in range(6)}
    assert sum(best_mix(full, wanted).by_priority) == sum(one.number for one in wanted)


@settings(max_examples=60)
@given(available=STOCK, wanted=mixes(), part=PARTS, more=st.integers(1, 4))
def test_more_parts_never_make_less(available: dict[int, int], wanted: list[Wanted], part: int, more: int) -> None:
    fuller = {**available, part: max(available.get(part, 0), 0) + more}
    before, after = best_mix(available, wanted), best_mix(fuller, wanted)
    assert after.by_priority >= before.by_priority
    gains = {gain.part: gain.more for gain in before.gains}
    if more == 1:
        assert tuple(a - b for a, b in zip(after.by_priority, before.by_priority, strict=True)) == gains.get(
            part, (0,) * len(before.by_priority)
        )


@given(available=STOCK, kit=KITS)
def test_alone_is_the_mix_of_one(available: dict[int, int], kit: dict[int, int]) -> None:
    found = alone(available, kit)
    assert best_mix(available, [Wanted(1, kit, 20)]).made[1] == min(found.count, 20)
    assert missing(available, [(kit, found.count)]) == {}
    assert set(missing(available, [(kit, found.count + 1)])) == set(found.bottleneck)
