"""Which measurement to take next: the one that leaves least of the weight, the easier one of equals."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from installs.rules.diagnosis.circuit import (
    BIT,
    FROM_FAR,
    Array,
    Columns,
    Overlay,
    Whole,
    entries,
    from_far,
    towards_end,
)
from installs.rules.diagnosis.evidence import Members
from installs.rules.diagnosis.model import Measurement, NextStep, Prediction, Where
from installs.rules.diagnosis.suppositions import Problem
from installs.rules.diagnosis.wording import describe
from installs.rules.resistors import spoken_ohm
from installs.rules.topology import FUNCTIONS

# Two measurements that leave the weight alike to within this share of it are equals.
_EQUAL = 0.02
# Suppositions that are weighed against one another, likeliest first: with more, time grows with their square.
MOST_WEIGHED = 48
_GROUPS_NAMED, _CAUSES_NAMED = 3, 2


@dataclass(frozen=True)
class Candidate:
    """A measurement that could be taken; `known` are the functions to be operated by place. The lower `effort`, the
    easier."""

    where: Where
    first: int
    known: Mapping[int, frozenset[str]]
    effort: int
    words: str


@dataclass
class Outlook:
    """What each candidate (first axis) would read for each supposition (last axis), and `share`: how much of the
    readings of one supposition (second axis) another one (third axis) could have given as well."""

    candidates: Sequence[Candidate]
    read: Array
    low: Array
    high: Array
    share: Array


def candidates(problem: Problem, measurements: Sequence[Measurement]) -> list[Candidate]:
    """All measurements on offer that have not been taken, with the states that are known throughout kept."""
    labels = [device.label for device in problem.loop.devices]
    kept = dict(measurements[0].known)
    for measurement in measurements[1:]:
        kept = {place: names for place, names in kept.items() if measurement.known.get(place) == names}
    taken = {(one.where, one.first, tuple(sorted(one.known.items()))) for one in measurements}

    def offered() -> Iterator[Candidate]:
        again = "the pair off the panel"
        yield Candidate(Where.PANEL, 0, kept, 0, f"Take {again} and measure there")
        free = [place for place, device in enumerate(problem.loop.devices) if place not in kept and device.functions]
        if free:
            rest = kept | dict.fromkeys(free, frozenset())
            words = f"See that every device is at rest (covers on, nobody moving) and measure at the panel, {again}"
            yield Candidate(Where.PANEL, 0, rest, 1, words)
        end = f"With {again}, measure across the end of the line at {labels[-1]}"
        yield Candidate(Where.FAR_END_OPEN, 0, kept, 2, f"{end}, cores apart at the panel")
        yield Candidate(Where.FAR_END_JOINED, 0, kept, 3, f"{end}, cores joined at the panel")
        for place in range(1, len(labels)):
            words = f"At {labels[place - 1]}, open the line that goes on to {labels[place]} and measure towards the end"
            yield Candidate(Where.TOWARDS_END, place, kept, 4, words)
        for place in free:
            for name in FUNCTIONS:
                if name in problem.loop.devices[place].functions:
                    words = f"Put {labels[place]} into {name} and measure at the panel, {again}"
                    yield Candidate(Where.PANEL, 0, kept | {place: frozenset({name})}, 5, words)

    return [one for one in offered() if (one.where, one.first, tuple(sorted(one.known.items()))) not in taken]


def foresee(problem: Problem, members: Members, offered: Sequence[Candidate], meter: Measurement) -> Outlook:
    """What each measurement on offer would read under each supposition, with the meter used so far."""
    read = _read(problem, members.columns, members.overlay(), offered)
    counted = np.flatnonzero(members.count >= 0)
    if counted.size:
        # It is not known which devices of a class are operated: at least the nearest ones, at most the farthest.
        columns = members.columns.take(np.arange(len(members)))
        columns.operated = columns.operated.copy()
        for index in counted:
            count = problem.counts[int(members.count[index])]
            columns.operated[:, index] = 0
            for places, number in zip(count.classes, count.chosen, strict=True):
                columns.operated[list(places[len(places) - number :]), index] = BIT[count.function]
        other = _read(problem, columns, members.overlay(), offered)
        read[:, 1] = np.minimum(read[:, 1], other[:, 1])
        read[:, 2] = np.maximum(read[:, 2], other[:, 2])
    with np.errstate(invalid="ignore"):
        least = np.where(np.isnan(read[:, 1]), read[:, 0], np.minimum(read[:, 1], read[:, 2]))
        greatest = np.where(np.isnan(read[:, 2]), read[:, 0], np.maximum(read[:, 1], read[:, 2]))
        low = least * (1 - meter.meter_percent / 100) - meter.meter_ohm
        high = greatest * (1 + meter.meter_percent / 100) + meter.meter_ohm
        # A large array: single precision is plenty for shares.
        narrow_low, narrow_high = low.astype(np.float32), high.astype(np.float32)
        both = np.minimum(narrow_high[:, :, None], narrow_high[:, None, :])
        both -= np.maximum(narrow_low[:, :, None], narrow_low[:, None, :])
        np.maximum(both, 0.0, out=both)
        both /= np.maximum(narrow_high - narrow_low, np.float32(1e-3))[:, :, None]
    is_open = np.isinf(read[:, 0])
    # Open circuits differ from themselves by what is not a number.
    share = np.where(is_open[:, :, None], is_open[:, None, :].astype(np.float32), both)
    share[np.isnan(share)] = 0.0
    return Outlook(offered, read, low, high, share)


def _read(problem: Problem, columns: Columns, overlay: Overlay | None, offered: Sequence[Candidate]) -> Array:
    tables, size = problem.tables, len(columns)
    found = np.zeros((len(offered), 3, size))
    at_panel = [index for index, one in enumerate(offered) if one.where is Where.PANEL]
    others = [index for index, one in enumerate(offered) if one.where is not Where.PANEL]
    with np.errstate(divide="ignore", invalid="ignore"):
        if at_panel:
            # All of them in one chain, side by side.
            copies = len(at_panel)
            operated = np.tile(columns.operated, copies).reshape(tables.places, copies, size)
            for copy, index in enumerate(at_panel):
                for place, names in offered[index].known.items():
                    operated[place, copy] = sum(BIT[name] for name in names)
            many = Columns(
                operated.reshape(tables.places, -1), np.tile(columns.fitting, copies), np.tile(columns.end, copies)
            )
            over = None
            if overlay is not None:
                over = Overlay(
                    np.tile(overlay.place, copies),
                    *(
                        np.tile(np.broadcast_to(part, (3, size)), copies)
                        for part in (overlay.share, overlay.in_line_ohm, overlay.across_ohm)
                    ),
                )
            seen = towards_end(tables, entries(tables, many, {}), many.end, 0, over)[0]
            found[at_panel] = seen.reshape(3, copies, size).transpose(1, 0, 2)
        if others:
            known = {place: sum(BIT[name] for name in names) for place, names in offered[others[0]].known.items()}
            entry = entries(tables, columns, known)
            opened = towards_end(tables, entry, columns.end, 0, overlay)
            for index in others:
                one = offered[index]
                if one.where in FROM_FAR:
                    panel_end = math.inf if one.where is Where.FAR_END_OPEN else 0.0
                    far = overlay.at(one.where) if overlay is not None else None
                    found[index] = from_far(tables, entry, columns.end, panel_end, far)
                else:
                    found[index] = opened[one.first]
    return found


def best_overall(outlook: Outlook, weight: Array) -> int | None:
    """The candidate that leaves least of the weight on average; None when none leaves less than all of it."""
    remaining = outlook.share @ weight @ weight
    return _best(outlook.candidates, remaining, float(weight.sum()) ** 2)


def best_for(outlook: Outlook, weight: Array, mine: Whole) -> int | None:
    """The candidate that rules out most of the rivals' weight if this cause is the true one; failing that, the one
    that tells best which of its places it is."""
    own = np.zeros(weight.shape)
    own[mine] = weight[mine]
    rivals = weight - own
    total = float(own.sum() * rivals.sum())
    if total > 0:
        found = _best(outlook.candidates, outlook.share @ rivals @ own, total)
        if found is not None:
            return found
    return _best(outlook.candidates, outlook.share @ own @ own, float(own.sum()) ** 2)


def _best(offered: Sequence[Candidate], remaining: Array, total: float) -> int | None:
    if not offered or total <= 0:
        return None
    left = remaining / total
    least = float(left.min())
    if least > 1 - _EQUAL:
        return None
    return min(
        (index for index in range(len(offered)) if left[index] <= least + _EQUAL),
        key=lambda index: (offered[index].effort, left[index]),
    )


def step(
    problem: Problem,
    members: Members,
    outlook: Outlook,
    chosen: int,
    causes: Sequence[Sequence[int]],
    mine: int | None = None,
) -> NextStep:
    """A candidate as what to do, with the readings that speak for each group of the causes (members by cause)."""
    one = outlook.candidates[chosen]
    read, low, high = outlook.read[chosen], outlook.low[chosen], outlook.high[chosen]
    cause_of = {member: number for number, some in enumerate(causes) for member in some}
    groups: dict[int, list[int]] = {}
    for member in sorted(cause_of, key=lambda index: -members.weight[index]):
        ohm = read[0, member]
        for leader, some in groups.items():
            if ohm == read[0, leader] or low[leader] <= ohm <= high[leader]:
                some.append(member)
                break
        else:
            groups[member] = [member]
    answers = tuple(
        (
            tuple(sorted({cause_of[member] + 1 for member in some})),
            Prediction(float(read[0, leader]), float(read[1:, leader].min()), float(read[1:, leader].max())),
        )
        for leader, some in groups.items()
    )
    ordered = sorted(
        groups.values(),
        key=lambda some: (
            mine is None or all(cause_of[member] != mine for member in some),
            -sum(members.weight[member] for member in some),
        ),
    )
    spoken = []
    for some in ordered[:_GROUPS_NAMED]:
        by_cause: dict[int, list[int]] = {}
        for member in some:
            by_cause.setdefault(cause_of[member], []).append(member)
        named = [describe(problem, members, part) for part in list(by_cause.values())[:_CAUSES_NAMED]]
        more = len(by_cause) - len(named)
        words = "; or ".join(named) + (f"; or {more} less likely" if more else "")
        ohm = float(read[0, some[0]])
        about = "open circuit" if math.isinf(ohm) else f"about {spoken_ohm(max(ohm, 0.0))}"
        spoken.append(f"{about} speaks for {words}")
    return NextStep(f"{one.words}: {'. '.join(_capital(spoken))}.", one.where, one.first, one.known, answers)


def halved(offered: Sequence[Candidate], places: Sequence[int]) -> NextStep | None:
    """Opening the line in the middle of these places: which of them are operated shows in parts, not at once."""
    middle = places[len(places) // 2]
    for one in offered:
        if one.where is Where.TOWARDS_END and one.first == middle:
            words = f"{one.words}: what is missing from the reading at the panel lies on the panel's side of it."
            return NextStep(words, one.where, one.first, one.known, ())
    return None


def _capital(parts: Sequence[str]) -> list[str]:
    return [part if index == 0 else part[:1].upper() + part[1:] for index, part in enumerate(parts)]
