"""Complete detectors from parts: how many of each alone, and the best mix for what is wanted, exactly.

A detector is complete with every line of its kit. Parts that several variants share are counted once.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from stock.rules.errors import RuleError
from stock.rules.integer_programs import Program, Solved, bound_down

Kit = Mapping[int, int]  # part -> pieces of it in one detector
MOST = 100_000


@dataclass(frozen=True)
class Alone:
    """One variant, if all parts were for it alone.

    `bottleneck`: the parts that end first; `next_count` is how many there could be if those had no end, None when
    nothing else limits; `next_bottleneck` are the parts that end then.
    """

    count: int
    bottleneck: tuple[int, ...]
    next_count: int | None
    next_bottleneck: tuple[int, ...]


def alone(available: Mapping[int, int], kit: Kit) -> Alone:
    """How many complete detectors the parts allow, and which parts end first. Raises RuleError for an empty kit."""
    _check(kit)
    reach = {part: max(available.get(part, 0), 0) // pieces for part, pieces in kit.items()}
    count = min(reach.values())
    first = tuple(sorted(part for part, most in reach.items() if most == count))
    rest = {part: most for part, most in reach.items() if most > count}
    following = min(rest.values(), default=None)
    return Alone(count, first, following, tuple(sorted(part for part, most in rest.items() if most == following)))


def missing(available: Mapping[int, int], kits: Sequence[tuple[Kit, int]]) -> dict[int, int]:
    """The pieces to get so that that many of each kit can be complete together; parts that suffice are left out."""
    needed: dict[int, int] = {}
    for kit, count in kits:
        for part, pieces in kit.items():
            needed[part] = needed.get(part, 0) + pieces * count
    return {
        part: total - max(available.get(part, 0), 0)
        for part, total in sorted(needed.items())
        if total > max(available.get(part, 0), 0)
    }


@dataclass(frozen=True)
class Wanted:
    """How many of a variant are wanted; priority 1 is served before 2, and so on."""

    variant: int
    kit: Kit
    number: int
    priority: int = 1


@dataclass(frozen=True)
class Gain:
    """What one more piece of a part would add to the number made, by priority, the first first."""

    part: int
    more: tuple[int, ...]

    @property
    def total(self) -> int:
        return sum(self.more)


@dataclass(frozen=True)
class Mix:
    """What to make of each variant wanted. `proven`: no mix is better. Otherwise the time ended, and of priority
    number i at most `at_most[i]` could be made, None if not even that is known. `gains` holds the parts of which one
    more piece helps; `all_tried` says that the time sufficed to try every part."""

    made: Mapping[int, int]
    priorities: tuple[int, ...]
    by_priority: tuple[int, ...]
    at_most: tuple[int | None, ...]
    proven: bool
    unused: Mapping[int, int]
    shopping: Mapping[int, int]
    gains: tuple[Gain, ...]
    all_tried: bool


def best_mix(available: Mapping[int, int], wanted: Sequence[Wanted], *, seconds: float = 10.0) -> Mix:
    """The mix that comes first by these rules, in this order:

    1. the most detectors of priority 1, then of priority 2, and so on;
    2. for each priority in that order, the evenest share: the variant served worst gets the largest share of what is
       wanted of it, as few variants as can be are left at that share, then the same for the rest (lexicographic
       max-min, Ogryczak, 'Inequality measures and equitable approaches to location problems', EJOR 122, 2000).

    Solved exactly as integer programs within `seconds`. What one more piece of a part would add is found by solving
    again with it, not from prices of the linear relaxation. Raises RuleError for an empty kit, a number or priority
    below 1 or a variant named twice.
    """
    _check_wanted(wanted)
    ends = time.monotonic() + seconds
    mix = _Mixing(available, wanted, ends)
    counts, at_most = mix.most_of_each_priority()
    if mix.proven:
        mix.even_out()
    made = dict(mix.best)
    used: dict[int, int] = {}
    for one in wanted:
        for part, pieces in one.kit.items():
            used[part] = used.get(part, 0) + pieces * made[one.variant]
    kits = [(one.kit, one.number) for one in wanted]
    shopping = missing(available, kits)
    gains, all_tried = _gains(available, wanted, counts, shopping, ends) if mix.proven else ([], False)
    return Mix(
        made=made,
        priorities=tuple(mix.priorities),
        by_priority=tuple(counts),
        at_most=tuple(at_most),
        proven=mix.proven,
        unused={
            part: max(available.get(part, 0), 0) - used.get(part, 0)
            for part in sorted({part for one in wanted for part in one.kit})
        },
        shopping=shopping,
        gains=tuple(gains),
        all_tried=all_tried,
    )


class _Mixing:
    """The integer program of one mix, tightened objective by objective; `best` is the best mix so far."""

    def __init__(self, available: Mapping[int, int], wanted: Sequence[Wanted], ends: float) -> None:
        self.wanted, self.ends = wanted, ends
        self.program = Program()
        self.column = {one.variant: self.program.column(0, one.number) for one in wanted}
        self.priorities = sorted({one.priority for one in wanted})
        self.proven = True
        self.best: dict[int, int] = {one.variant: 0 for one in wanted}
        uses: dict[int, dict[int, float]] = {}
        for one in wanted:
            for part, pieces in one.kit.items():
                uses.setdefault(part, {})[self.column[one.variant]] = pieces
        for part, terms in uses.items():
            self.program.row(terms, upper=max(available.get(part, 0), 0))

    def solve(self, objective: Mapping[int, float], *, maximise: bool) -> Solved | None:
        """None when the time ended before the optimum was proven; the best mix found is kept."""
        left = self.ends - time.monotonic()
        if left <= 0:
            self.proven = False
            return None
        solved = self.program.solve(objective, maximise=maximise, seconds=left)
        self.last = solved
        if solved.found:
            self.best = {variant: solved.whole(at) for variant, at in self.column.items()}
        if not solved.proven:
            self.proven = False
            return None
        return solved

    def most_of_each_priority(self) -> tuple[list[int], list[int | None]]:
        counts: list[int] = []
        at_most: list[int | None] = []
        for priority in self.priorities:
            terms = {self.column[one.variant]: 1.0 for one in self.wanted if one.priority == priority}
            solved = self.solve(terms, maximise=True)
            count = sum(self.best[one.variant] for one in self.wanted if one.priority == priority)
            counts.append(count)
            if solved is None:
                bound = bound_down(self.last.bound) if hasattr(self, "last") and self.last.found else None
                at_most.append(bound)
                rest = self.priorities[len(counts):]
                counts += [sum(self.best[o.variant] for o in self.wanted if o.priority == p) for p in rest]
                at_most += [None for _ in rest]
                break
            at_most.append(count)
            self.program.row(terms, lower=count)
        return counts, at_most

    def even_out(self) -> None:
        for priority in self.priorities:
            open_ones = [one for one in self.wanted if one.priority == priority]
            # Of each variant the column that says 'stays at this level'; who stays at one is out of the next.
            before: dict[int, int] = {}
            for _ in range(len(open_ones)):
                level = self._raise_level(open_ones, before)
                if level is None or level >= 1:
                    break
                staying = self._fewest_at(open_ones, before, level)
                if staying is None or all(self.best_share(one) <= level for one in open_ones):
                    break
                before = staying

    def best_share(self, one: Wanted) -> Fraction:
        return Fraction(self.best[one.variant], one.number)

    def _raise_level(self, ones: Sequence[Wanted], before: Mapping[int, int]) -> Fraction | None:
        """The largest share that everybody not held back before can have; exact, from the whole numbers found."""
        program = self.program
        share = program.column(0, 1, integer=False)
        rows = []
        for one in ones:
            terms = {self.column[one.variant]: 1.0, share: -float(one.number)}
            if one.variant in before:
                terms[before[one.variant]] = float(one.number)
            rows.append(program.row(terms, lower=0))
        solved = self.solve({share: 1.0}, maximise=True)
        if solved is None:
            return None
        # Whoever is held back does not count; among the rest the least share is the level.
        level = min(
            (self.best_share(one) for one in ones if one.variant not in before
             or solved.whole(before[one.variant]) == 0),
            default=None,
        )
        if level is None:
            return None
        for one in ones:
            least = -(-level.numerator * one.number // level.denominator)
            terms = {self.column[one.variant]: 1.0}
            if one.variant in before:
                terms[before[one.variant]] = float(least)
            program.row(terms, lower=least)
        return level

    def _fewest_at(
        self, ones: Sequence[Wanted], before: Mapping[int, int], level: Fraction
    ) -> dict[int, int] | None:
        """Leave as few as can be at this share or below; gives their columns."""
        program = self.program
        staying: dict[int, int] = {}
        for one in ones:
            stays = staying[one.variant] = program.column(0, 1)
            above = level.numerator * one.number // level.denominator + 1
            program.row({self.column[one.variant]: 1.0, stays: float(above)}, lower=above)
            if one.variant in before:  # held back then is held back now
                program.row({stays: 1.0, before[one.variant]: -1.0}, lower=0)
        terms = dict.fromkeys(staying.values(), 1.0)
        solved = self.solve(terms, maximise=False)
        if solved is None:
            return None
        program.row(terms, upper=round(solved.objective))
        return staying


def _gains(
    available: Mapping[int, int], wanted: Sequence[Wanted], counts: Sequence[int], shopping: Mapping[int, int],
    ends: float,
) -> tuple[list[Gain], bool]:
    """For each part that is short of what is wanted: how many more could be made with one more of it; and whether
    the time sufficed for all."""
    found, all_tried = [], True
    for part in shopping:
        trial = _Mixing({**available, part: max(available.get(part, 0), 0) + 1}, wanted, ends)
        more, _ = trial.most_of_each_priority()
        gain = tuple(new - old for new, old in zip(more, counts, strict=True))
        all_tried = all_tried and trial.proven
        if trial.proven and any(gain):
            found.append(Gain(part, gain))
    return sorted(found, key=lambda gain: ([-more for more in gain.more], gain.part)), all_tried


def _check(kit: Kit) -> None:
    if not kit or any(pieces < 1 for pieces in kit.values()):
        raise RuleError(
            "a kit needs at least one part, and of each at least one piece", field="kit", value=dict(kit),
            remedy="Enter the kit's lines in the catalogue.",
        )


def _check_wanted(wanted: Sequence[Wanted]) -> None:
    seen: set[int] = set()
    for one in wanted:
        _check(one.kit)
        if not 1 <= one.number <= MOST or one.priority < 1:
            raise RuleError(
                f"numbers go from 1 to {MOST}, priorities from 1", field="wanted",
                value=(one.number, one.priority), remedy="Leave out what is not wanted.",
            )
        if one.variant in seen:
            raise RuleError("a variant is named twice", field="variant", value=one.variant, remedy="Add the two up.")
        seen.add(one.variant)
