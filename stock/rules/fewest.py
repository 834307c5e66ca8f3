"""The fewest variants that serve every position: a set cover, solved exactly, with what is best among the smallest.

A position is served by a variant with certain parts (a board, inserts) or with none; positions with the same choices
are one need.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from stock.rules.errors import RuleError
from stock.rules.integer_programs import Program, bound_down, bound_up


@dataclass(frozen=True, order=True)
class Choice:
    """A variant that serves, the parts that it needs for that, and what it changes at one position (any measure of
    work as a whole number; 0: nothing)."""

    variant: int
    parts: tuple[int, ...] = ()
    changes: int = 0


@dataclass(frozen=True)
class Need:
    """So many positions with the same choices. Without choices nothing serves them, and they count nowhere."""

    positions: int
    choices: tuple[Choice, ...]


@dataclass(frozen=True)
class Proof:
    """What was reached, the bound that no solution passes, and whether they meet."""

    value: int
    bound: int
    proven: bool


@dataclass(frozen=True)
class Fewest:
    """The variants to keep; for each need the choice by which it is served (None: nothing serves it).

    Lexicographic: the fewest variants, then the fewest different parts, then the least changes. A stage is only as
    proven as the ones before it.
    """

    kept: tuple[int, ...]
    parts: tuple[int, ...]
    chosen: tuple[Choice | None, ...]
    variants: Proof
    different_parts: Proof
    changes: Proof


@dataclass(frozen=True)
class OneFewer:
    """The best with one variant fewer than `Fewest`: what it would keep, and how many positions it leaves unserved."""

    kept: tuple[int, ...]
    unserved: Proof


def fewest(needs: Sequence[Need], *, seconds: float = 60.0) -> Fewest:
    """The smallest set of variants that serves every need that has a choice at all, within that time.

    Stage 1: minimise the number of variants such that each need has one (set covering; Karp 1972). Families that
    share no position are solved apart. Stage 2, with that many of each: minimise the number of different parts.
    Stage 3, with that many parts: minimise the changes over all positions. Ended by the time, a stage gives the best
    it found with its bound, and later stages build on that. Raises RuleError for a need of no positions.
    """
    for need in needs:
        if need.positions < 1:
            raise RuleError("a need has at least one position", field="positions", value=need.positions,
                            remedy="Leave it out.")
    ends = time.monotonic() + seconds
    groups = _apart(needs)
    kept: set[int] = set()
    bound, proven = 0, True
    sizes = []
    for rows in groups:
        # Half of what is left goes to this stage at most, so that the later ones have some.
        found, low, exact = _cover(rows, (ends - time.monotonic()) / 2)
        kept |= found
        sizes.append(len(found))
        bound += low
        proven = proven and exact
    serving = _Serving(needs, groups, sizes)
    parts = serving.fewest_parts(kept, ends)
    changes = serving.least_changes(ends)
    chosen = serving.chosen()
    # Where the time ended early a variant may have been kept that nothing needs.
    used = tuple(sorted({choice.variant for choice in chosen if choice}))
    first = Proof(len(used), bound, proven)
    return Fewest(
        kept=used,
        parts=tuple(sorted({part for choice in chosen if choice for part in choice.parts})),
        chosen=tuple(chosen),
        variants=first,
        different_parts=Proof(parts.value, parts.bound, parts.proven and first.proven),
        changes=Proof(changes.value, changes.bound, changes.proven and parts.proven and first.proven),
    )


def one_fewer(needs: Sequence[Need], found: Fewest, *, seconds: float = 30.0) -> OneFewer | None:
    """With one variant fewer than found, the fewest positions that are left unserved (maximal covering with a given
    number; Church and ReVelle 1974). None when there is none to spare.

    Families that share no position are looked at apart: every family but one keeps its number, since with fewer
    more would be left. That holds when the number found is proven; otherwise the answer is not proven either.
    """
    if not found.kept:
        return None
    ends = time.monotonic() + seconds
    best: tuple[int, set[int], set[int]] | None = None  # unserved, the group's own variants, the group's new ones
    bound, proven = None, found.variants.proven
    kept = set(found.kept)
    for rows in _apart(needs):
        own = kept & {variant for row in rows for variant in row}
        count, chosen, low, exact = _most_with(rows, len(own) - 1, own, ends)
        proven = proven and exact
        bound = low if bound is None else min(bound, low)
        if best is None or count < best[0]:
            best = (count, own, chosen)
    assert best is not None
    assert bound is not None
    return OneFewer(tuple(sorted(kept - best[1] | best[2])), Proof(best[0], best[0] if proven else bound, proven))


def only_servers(needs: Sequence[Need], kept: Collection[int]) -> dict[int, list[int]]:
    """For each variant kept, the needs (by place in the list) that no other kept one serves."""
    found: dict[int, list[int]] = {variant: [] for variant in kept}
    for place, need in enumerate(needs):
        servers = {choice.variant for choice in need.choices} & set(kept)
        if len(servers) == 1:
            found[servers.pop()].append(place)
    return found


# The variants of a need, and how many positions ask for exactly them.
_Rows = dict[frozenset[int], int]


def _apart(needs: Iterable[Need]) -> list[_Rows]:
    """Needs by the set of their variants, in groups that share no variant; in an order that does not depend on the
    order of the needs."""
    rows: _Rows = {}
    for need in needs:
        if need.choices:
            variants = frozenset(choice.variant for choice in need.choices)
            rows[variants] = rows.get(variants, 0) + need.positions
    leader: dict[int, int] = {}

    def head(variant: int) -> int:
        while leader.setdefault(variant, variant) != variant:
            leader[variant] = leader[leader[variant]]
            variant = leader[variant]
        return variant

    for variants in rows:
        first = head(min(variants))
        for variant in variants:
            leader[head(variant)] = first
    groups: dict[int, _Rows] = {}
    for variants in sorted(rows, key=sorted):
        groups.setdefault(head(min(variants)), {})[variants] = rows[variants]
    return [groups[at] for at in sorted(groups, key=lambda at: sorted(min(groups[at], key=sorted)))]


def _smallest(rows: Iterable[frozenset[int]]) -> list[frozenset[int]]:
    """The rows that hold no other row: whoever covers these covers the rest."""
    found: list[frozenset[int]] = []
    for row in sorted(rows, key=lambda row: (len(row), sorted(row))):
        if not any(other <= row for other in found):
            found.append(row)
    return found


def _cover(rows: _Rows, seconds: float) -> tuple[set[int], int, bool]:
    """The smallest set of variants that meets every row, its bound, and whether it is proven."""
    needed = _smallest(rows)
    program = Program()
    columns = {variant: program.column(0, 1) for variant in sorted({v for row in needed for v in row})}
    for row in needed:
        program.row({columns[variant]: 1.0 for variant in sorted(row)}, lower=1)
    by_hand = _greedy(needed)
    solved = program.solve(dict.fromkeys(columns.values(), 1.0), seconds=seconds)
    if solved.proven or (solved.found and solved.objective < len(by_hand)):
        kept = {variant for variant, at in columns.items() if solved.whole(at)}
        return kept, len(kept) if solved.proven else bound_up(solved.bound), solved.proven
    return by_hand, max(bound_up(solved.bound), 1), False


def _greedy(rows: Sequence[frozenset[int]]) -> set[int]:
    """A cover by taking the variant that meets most of what is left (Chvátal 1979): for when the time was short."""
    left, kept = list(rows), set[int]()
    while left:
        counts: dict[int, int] = {}
        for row in left:
            for variant in row:
                counts[variant] = counts.get(variant, 0) + 1
        best = min(counts, key=lambda variant: (-counts[variant], variant))
        kept.add(best)
        left = [row for row in left if best not in row]
    return kept


def _most_with(rows: _Rows, number: int, start: set[int], ends: float) -> tuple[int, set[int], int, bool]:
    """Positions unserved with that many variants, those variants, the bound, and whether it is proven."""
    total = sum(rows.values())
    if number <= 0:
        return total, set(), total, True
    program = Program()
    columns = {variant: program.column(0, 1) for variant in sorted({v for row in rows for v in row})}
    served = {row: program.column(0, 1, integer=False) for row in sorted(rows, key=sorted)}
    for row, at in served.items():
        program.row({at: 1.0} | {columns[variant]: -1.0 for variant in sorted(row)}, upper=0)
    program.row(dict.fromkeys(columns.values(), 1.0), upper=number)
    # By hand: leave out the one that the fewest need.
    chosen = min((start - {variant} for variant in sorted(start)), key=lambda left: _unserved(rows, left))
    solved = program.solve(
        {at: float(rows[row]) for row, at in served.items()}, maximise=True, seconds=ends - time.monotonic()
    )
    if solved.found:
        better = {variant for variant, at in columns.items() if solved.whole(at)}
        chosen = min(better, chosen, key=lambda left: _unserved(rows, left))
    count = _unserved(rows, chosen)
    if solved.proven:
        return count, chosen, count, True
    most = bound_down(solved.bound)
    return count, chosen, 0 if most is None else max(total - most, 0), False


def _unserved(rows: _Rows, kept: set[int]) -> int:
    return sum(count for row, count in rows.items() if not row & kept)


class _Serving:
    """Stages 2 and 3: which variant serves which need, and with which parts."""

    def __init__(self, needs: Sequence[Need], groups: Sequence[_Rows], sizes: Sequence[int]) -> None:
        self.needs, self.groups, self.sizes = needs, groups, sizes
        self.kept: set[int] = set()
        self.allowed_parts: set[int] = set()

    def fewest_parts(self, start: set[int], ends: float) -> Proof:
        self.kept = set(start)
        if not any(choice.parts for need in self.needs for choice in need.choices):
            return Proof(0, 0, True)
        # Only the needs that are hardest matter here: by their sets of (variant, parts).
        shapes = {
            tuple(sorted({(choice.variant, choice.parts) for choice in need.choices}))
            for need in self.needs if need.choices
        }
        program, variants, parts = self._program(
            [[(v, p, 0) for v, p in shape] for shape in sorted(shapes)], [1] * len(shapes)
        )[:3]
        used = {part for choice in _by_hand(self.needs, self.kept) if choice for part in choice.parts}
        solved = program.solve(dict.fromkeys(parts.values(), 1.0), seconds=(ends - time.monotonic()) / 2)
        if solved.proven or (solved.found and solved.objective < len(used)):
            self.kept = {variant for variant, at in variants.items() if solved.whole(at)}
            self.allowed_parts = {part for part, at in parts.items() if solved.whole(at)}
            value = len(self.allowed_parts)
            return Proof(value, value if solved.proven else bound_up(solved.bound), solved.proven)
        self.allowed_parts = used
        return Proof(len(self.allowed_parts), max(bound_up(solved.bound), 0), False)

    def least_changes(self, ends: float) -> Proof:
        classes: dict[tuple[tuple[int, tuple[int, ...], int], ...], int] = {}
        for need in self.needs:
            if need.choices:
                key = tuple(sorted((c.variant, c.parts, c.changes) for c in need.choices))
                classes[key] = classes.get(key, 0) + need.positions
        if not classes:
            return Proof(0, 0, True)
        keys = sorted(classes)
        program, variants, parts, costs = self._program([list(key) for key in keys], [classes[k] for k in keys])
        if parts:
            program.row(dict.fromkeys(parts.values(), 1.0), upper=len(self.allowed_parts))
        by_hand = self._changes()
        solved = program.solve(costs, seconds=ends - time.monotonic())
        if solved.proven or (solved.found and solved.objective < by_hand):
            self.kept = {variant for variant, at in variants.items() if solved.whole(at)}
            self.allowed_parts = {part for part, at in parts.items() if solved.whole(at)}
        value = self._changes()
        return Proof(value, value if solved.proven else min(bound_up(solved.bound), value), solved.proven)

    def _changes(self) -> int:
        return sum(
            choice.changes * need.positions
            for need, choice in zip(self.needs, self.chosen(), strict=True) if choice
        )

    def chosen(self) -> list[Choice | None]:
        return _by_hand(self.needs, self.kept, self.allowed_parts)

    def _program(
        self, classes: Sequence[Sequence[tuple[int, tuple[int, ...], int]]], weights: Sequence[int]
    ) -> tuple[Program, dict[int, int], dict[int, int], dict[int, float]]:
        """Columns for variants and parts; each class is served by choices whose variant and parts are taken."""
        program = Program()
        variants = {v: program.column(0, 1) for v in sorted({c[0] for choices in classes for c in choices})}
        parts = {p: program.column(0, 1) for p in sorted({p for cs in classes for c in cs for p in c[1]})}
        for rows, size in zip(self.groups, self.sizes, strict=True):
            own = sorted({variant for row in rows for variant in row})
            program.row({variants[variant]: 1.0 for variant in own}, upper=size)
        costs: dict[int, float] = {}
        for choices, weight in zip(classes, weights, strict=True):
            served: dict[int, float] = {}
            # With the variants and parts whole numbers, these are whole or can be made so at the same cost.
            for variant, needed, changes in choices:
                at = program.column(0, 1, integer=False)
                served[at] = 1.0
                if changes:
                    costs[at] = float(changes * weight)
                for held in (variants[variant], *(parts[part] for part in needed)):
                    program.row({at: 1.0, held: -1.0}, upper=0)
            program.row(served, lower=1, upper=1)
        return program, variants, parts, costs


def _by_hand(
    needs: Sequence[Need], kept: Collection[int], parts: Collection[int] | None = None
) -> list[Choice | None]:
    """For each need the choice of least change among those that the variants and parts allow; None where no variant
    of it is kept. Ties go to fewer parts, then to the variant that serves most positions, so that few variants carry
    most of the work."""
    reach: Mapping[int, int] = {
        variant: sum(need.positions for need in needs if any(c.variant == variant for c in need.choices))
        for variant in kept
    }
    allowed = None if parts is None else set(parts)
    return [
        min(
            (
                choice for choice in need.choices
                if choice.variant in reach and (allowed is None or allowed.issuperset(choice.parts))
            ),
            key=lambda choice: (choice.changes, len(choice.parts), -reach[choice.variant], choice),
            default=None,
        )
        for need in needs
    ]
