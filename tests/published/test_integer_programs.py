"""The integer programs against what is known of them: every case looked at, and values of the literature.

Sources are named beside each check. scipy's milp stands on the same HiGHS library, so it would be no second opinion:
exhaustive enumeration is, and for larger cases extremal values of finite geometry are.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import combinations, product

import pytest

from stock.rules.fewest import Choice, Need, fewest, one_fewer
from stock.rules.integer_programs import Program
from stock.rules.kits import Wanted, best_mix
from stock.rules.pooling import Demand, Terms, pooled, pooling
from stock.rules.reorder import lead_time_spread, normal_quantile

# Exhaustive enumeration -------------------------------------------------------------------------------------------


def mixes_of(wanted: Sequence[Wanted], available: dict[int, int]) -> Iterator[tuple[int, ...]]:
    for made in product(*(range(one.number + 1) for one in wanted)):
        used: dict[int, int] = {}
        for one, count in zip(wanted, made, strict=True):
            for part, pieces in one.kit.items():
                used[part] = used.get(part, 0) + pieces * count
        if all(count <= available.get(part, 0) for part, count in used.items()):
            yield made


Rank = tuple[list[int], list[list[Fraction]]]


def rank(wanted: Sequence[Wanted], made: Sequence[int]) -> Rank:
    """Most of each priority; then the shares from the worst up."""
    priorities = sorted({one.priority for one in wanted})
    pairs = list(zip(wanted, made, strict=True))
    return (
        [sum(count for one, count in pairs if one.priority == priority) for priority in priorities],
        [sorted(Fraction(count, one.number) for one, count in pairs if one.priority == p) for p in priorities],
    )


@pytest.mark.parametrize("seed", range(8))
def test_the_best_mix_is_the_best_of_all_mixes(seed: int) -> None:
    """Source: exhaustive enumeration, 25 random cases a seed."""
    chance = random.Random(seed)
    for _ in range(25):
        available = {part: chance.randint(0, 7) for part in range(5)}
        wanted = [
            Wanted(variant, {part: chance.randint(1, 2) for part in chance.sample(range(5), chance.randint(1, 4))},
                   chance.randint(1, 5), chance.randint(1, 2))
            for variant in range(chance.randint(1, 4))
        ]
        best = max(rank(wanted, made) for made in mixes_of(wanted, available))
        mix = best_mix(available, wanted)
        assert (mix.proven, rank(wanted, [mix.made[one.variant] for one in wanted])) == (True, best)
        # One more piece of each part, enumerated too.
        for part in range(5):
            more = max(
                rank(wanted, made)[0] for made in mixes_of(wanted, {**available, part: available[part] + 1})
            )
            gain = next((gain.more for gain in mix.gains if gain.part == part), (0,) * len(more))
            assert [old + new for old, new in zip(best[0], gain, strict=True)] == more


def brute_range(needs: Sequence[Need], variants: int) -> tuple[int, int, int]:
    """Fewest variants, then parts, then changes, over every subset of both."""
    served = [need for need in needs if need.choices]
    parts = sorted({part for need in needs for choice in need.choices for part in choice.parts})
    best: tuple[int, int, int] | None = None
    for number in range(variants + 1):
        for kept in combinations(range(variants), number):
            for count in range(len(parts) + 1):
                for held in combinations(parts, count):
                    costs = [
                        [c.changes * need.positions for c in need.choices
                         if c.variant in kept and set(c.parts) <= set(held)]
                        for need in served
                    ]
                    if all(costs):
                        found = (number, count, sum(min(cost) for cost in costs))
                        best = found if best is None else min(best, found)
        if best is not None:
            return best
    raise AssertionError("all variants together serve whatever can be served")


@pytest.mark.parametrize("seed", range(8))
def test_the_fewest_variants_are_the_fewest_of_all_subsets(seed: int) -> None:
    """Source: exhaustive enumeration over all subsets of variants and of parts, 25 random coverage matrices a seed."""
    chance = random.Random(seed)
    for _ in range(25):
        variants = chance.randint(1, 6)
        needs = [
            Need(chance.randint(1, 5), tuple(
                Choice(variant, tuple(sorted(chance.sample(range(100, 104), chance.choice([0, 0, 1, 2])))),
                       chance.randint(0, 3))
                for variant in chance.sample(range(variants), chance.randint(0, min(3, variants)))
                for _ in range(chance.randint(1, 2))
            ))
            for _ in range(chance.randint(1, 8))
        ]
        found = fewest(needs)
        assert (found.variants.value, found.different_parts.value, found.changes.value) == brute_range(needs, variants)
        assert (found.variants.proven, found.different_parts.proven, found.changes.proven) == (True, True, True)
        fewer = one_fewer(needs, found)
        least = min(
            (
                sum(need.positions for need in needs
                    if need.choices and not any(choice.variant in kept for choice in need.choices))
                for kept in combinations(range(variants), len(found.kept) - 1)
            ),
            default=0,
        ) if found.kept else None
        assert (fewer.unserved.value if fewer else None) == least


# Values of the literature ------------------------------------------------------------------------------------------


def lines_of_space(dimension: int) -> list[tuple[int, ...]]:
    """The lines of the affine space of that dimension over three elements: three points that add up to nothing."""
    points = list(product(range(3), repeat=dimension))
    place = {point: at for at, point in enumerate(points)}
    lines = set()
    for one, other in combinations(points, 2):
        third = tuple(-(a + b) % 3 for a, b in zip(one, other, strict=True))
        lines.add(tuple(sorted((place[one], place[other], place[third]))))
    return sorted(lines)


@pytest.mark.parametrize(("dimension", "lines", "smallest"), [(1, 1, 1), (2, 12, 5), (3, 117, 18)])
def test_covering_the_lines_of_an_affine_space(dimension: int, lines: int, smallest: int) -> None:
    """The set-covering problems A9 and A27 of Steiner triple systems: 5 and 18 (D. R. Fulkerson, G. L. Nemhauser and
    L. E. Trotter, Mathematical Programming Study 2 (1974) 72-81; from memory). What is left over is a largest set
    without a line: 2, 4 and 9 of 3, 9 and 27 points (B. L. Davis and D. Maclagan, The Mathematical Intelligencer 25
    (2003) 33-40, on the card game)."""
    needs = [Need(1, tuple(Choice(point) for point in line)) for line in lines_of_space(dimension)]
    found = fewest(needs)
    assert (len(needs), found.variants.value, found.variants.proven) == (lines, smallest, True)
    assert 3**dimension - smallest == {1: 2, 2: 4, 3: 9}[dimension]


@pytest.mark.parametrize("order", [2, 3, 5])
def test_covering_the_lines_of_a_projective_plane(order: int) -> None:
    """The smallest set that meets every line of a projective plane of that order is a line, with order + 1 points
    (R. C. Bose and R. C. Burton, Journal of Combinatorial Theory 1 (1966) 96-104; from memory)."""
    points = [p for p in product(range(order), repeat=3) if next((x for x in p if x), 0) == 1]
    needs = [
        Need(1, tuple(Choice(at) for at, point in enumerate(points)
                      if sum(a * b for a, b in zip(line, point, strict=True)) % order == 0))
        for line in points
    ]
    found = fewest(needs)
    assert (len(points), found.variants.value, found.variants.proven) == (order**2 + order + 1, order + 1, True)


def test_a_knapsack_of_many_constraints() -> None:
    """C. C. Petersen, Management Science 13 (1967) 736-750, problem 1 (as in the OR-Library's mknap1): the best is
    3800. Data and value from memory; the value is found again by looking at all 64 choices."""
    worth = [100, 600, 1200, 2400, 500, 2000]
    rows = [
        [8, 12, 13, 64, 22, 41], [8, 12, 13, 75, 22, 41], [3, 6, 4, 18, 6, 4], [5, 10, 8, 32, 6, 12],
        [5, 13, 8, 42, 6, 20], [5, 13, 8, 48, 6, 20], [0, 0, 0, 0, 8, 0], [3, 0, 4, 0, 8, 0], [3, 2, 4, 0, 8, 4],
        [3, 2, 4, 8, 8, 4],
    ]
    most = [80, 96, 20, 36, 44, 48, 10, 18, 22, 24]
    best = max(
        sum(w for w, taken in zip(worth, chosen, strict=True) if taken)
        for chosen in product((0, 1), repeat=6)
        if all(sum(r * c for r, c in zip(row, chosen, strict=True)) <= m for row, m in zip(rows, most, strict=True))
    )
    program = Program()
    columns = [program.column(0, 1) for _ in worth]
    for row, end in zip(rows, most, strict=True):
        program.row(dict(zip(columns, row, strict=True)), upper=end)
    solved = program.solve(dict(zip(columns, worth, strict=True)), maximise=True)
    assert (best, round(solved.objective), solved.proven) == (3800, 3800, True)


@pytest.mark.parametrize("number", [2, 4, 9])
def test_the_square_root_law(number: int) -> None:
    """Safety stock of n equal independent demands pooled: root of n of one's (D. H. Maister, International Journal of
    Physical Distribution 6 (1976) 124-134; G. D. Eppen, Management Science 25 (1979) 498-501). z of 95 %: 1.6449
    (standard normal tables)."""
    one = Demand(400.0, 400.0)
    z = float(normal_quantile(0.95))
    assert z == pytest.approx(1.6449, abs=5e-5)
    alone = z * float(lead_time_spread(one.sd, 2))
    together = z * float(lead_time_spread(pooled([one] * number).sd, 2))
    assert alone == pytest.approx(1.6449 * 20 * math.sqrt(2), abs=2e-3)
    assert together == pytest.approx(math.sqrt(number) * alone)
    # The rule of the reorder points, with whole pieces and what is missing when the order is made, comes close to it.
    held = pooling(
        dict.fromkeys(range(number), one), {n: {0: 1.0} for n in range(number)},
        Terms(service=0.95, lead_time_days=14, lead_time_sd_days=0, review_days=0.0),
    )
    before = sum(kept.safety_stock for kept in held.before.values())
    assert held.after[0].safety_stock / before == pytest.approx(1 / math.sqrt(number), rel=0.03)
