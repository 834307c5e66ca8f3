"""The fewest variants that serve every position, by hand and by law."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stock.rules.errors import RuleError
from stock.rules.fewest import Choice, Fewest, Need, OneFewer, Proof, fewest, one_fewer, only_servers

A, B, C, D = range(1, 5)
BOARD, INSERT = 101, 102


def proven(value: int) -> Proof:
    return Proof(value, value, True)


def test_one_variant_that_serves_all_is_kept_alone() -> None:
    needs = [Need(5, (Choice(A), Choice(B))), Need(2, (Choice(B), Choice(C)))]
    found = fewest(needs)
    assert found == Fewest((B,), (), (Choice(B), Choice(B)), proven(1), proven(0), proven(0))
    assert only_servers(needs, found.kept) == {B: [0, 1]}
    assert one_fewer(needs, found) == OneFewer((), proven(7))


def test_among_the_smallest_the_fewest_parts_then_the_least_changes() -> None:
    # A and B both serve all; A needs a board, B changes more.
    needs = [Need(10, (Choice(A, (BOARD,)), Choice(B, (), 3)))]
    assert fewest(needs).chosen == (Choice(B, (), 3),)
    needs = [Need(10, (Choice(A, (), 2), Choice(B, (), 1)))]
    assert (fewest(needs).kept, fewest(needs).changes) == ((B,), proven(10))
    # One board for both positions is better than a board for each.
    needs = [
        Need(1, (Choice(A, (BOARD,), 0), Choice(A, (INSERT,), 9))), Need(1, (Choice(A, (INSERT,), 0),)),
    ]
    assert (fewest(needs).parts, fewest(needs).changes) == ((INSERT,), proven(9))


def test_a_position_that_nothing_serves_counts_nowhere() -> None:
    assert fewest([Need(3, ())]) == Fewest((), (), (None,), proven(0), proven(0), proven(0))
    assert one_fewer([Need(3, ())], fewest([Need(3, ())])) is None
    assert fewest([]).kept == ()


def test_one_fewer_leaves_out_where_it_hurts_least() -> None:
    needs = [Need(9, (Choice(A),)), Need(4, (Choice(B),)), Need(3, (Choice(C), Choice(D))), Need(2, (Choice(D),))]
    found = fewest(needs)
    assert (found.kept, found.variants) == ((A, B, D), proven(3))
    assert one_fewer(needs, found) == OneFewer((A, D), proven(4))


def test_without_time_the_answer_still_serves_all_and_says_it_is_not_proven() -> None:
    needs = [
        Need(1, tuple(Choice(v) for v in range(60) if (v * (n + 3) + n) % 11 == 0 or v == n)) for n in range(60)
    ]
    found = fewest(needs, seconds=0.0)
    kept = set(found.kept)
    assert all(kept & {choice.variant for choice in need.choices} for need in needs)
    assert None not in found.chosen
    assert found.variants.bound <= fewest(needs).variants.value <= found.variants.value


def test_a_need_has_positions() -> None:
    with pytest.raises(RuleError) as error:
        fewest([Need(0, (Choice(A),))])
    assert error.value.field == "positions"


CHOICES = st.builds(
    Choice, st.integers(1, 6), st.lists(st.integers(101, 104), max_size=2, unique=True).map(lambda p: tuple(sorted(p))),
    st.integers(0, 3),
)
NEEDS = st.lists(st.builds(Need, st.integers(1, 20), st.lists(CHOICES, max_size=4).map(tuple)), max_size=8)


@settings(max_examples=80)
@given(NEEDS)
def test_laws_of_the_smallest_range(needs: list[Need]) -> None:
    found = fewest(needs)
    for need, choice in zip(needs, found.chosen, strict=True):
        assert (choice in need.choices) if need.choices else choice is None
    assert {choice.variant for choice in found.chosen if choice} == set(found.kept)
    assert {part for choice in found.chosen if choice for part in choice.parts} == set(found.parts)
    assert (len(found.kept), len(found.parts)) == (found.variants.value, found.different_parts.value)
    assert sum(c.changes * n.positions for n, c in zip(needs, found.chosen, strict=True) if c) == found.changes.value
    # The order of the positions says nothing, and another position never needs less.
    again = fewest(needs[::-1])
    assert (again.kept, again.parts, again.changes) == (found.kept, found.parts, found.changes)
    more = fewest([*needs, Need(1, (Choice(1),))])
    assert more.variants.value >= found.variants.value
    fewer = one_fewer(needs, found)
    if fewer is not None:
        assert 0 < fewer.unserved.value <= min(
            sum(needs[place].positions for place in places) for places in only_servers(needs, found.kept).values()
        )
