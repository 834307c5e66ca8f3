"""From measured resistances of one circuit back to ranked causes.

Every supposition of `suppositions` is computed with the same ladder as the circuit's own states, with tolerances. One
that cannot give all readings is dropped for good; the others are ranked by Bayes' rule, their weight before measuring
(`priors`) times how well they give the readings (`likelihood`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from installs.rules.diagnosis import next_step
from installs.rules.diagnosis.checks import check_question
from installs.rules.diagnosis.evidence import Members, left
from installs.rules.diagnosis.likelihood import window
from installs.rules.diagnosis.model import Cause, Diagnosis, Measurement, OtherBoard, Prediction
from installs.rules.diagnosis.suppositions import SIZED, Problem, suppose
from installs.rules.diagnosis.wording import describe, kind_of, places_of, sentence, size_of, span_of
from installs.rules.loop_states import Loop

# Suppositions that are put into words, likeliest first (more when more causes are asked for). The others still have
# their share of the probability.
MOST_NAMED = 400


def diagnose(
    loop: Loop,
    measurements: Sequence[Measurement],
    *,
    boards: Sequence[OtherBoard] = (),
    pull_up_ohm: float | None = None,
    most: int = 12,
) -> Diagnosis:
    """Ranked causes that could have given all these readings of one circuit, at most `most` of them.

    `boards` are other boards that may have been fitted by mistake; `pull_up_ohm` is the input's pull-up resistor, for
    measurements with the panel connected. Raises RuleError for input that cannot be computed with.
    """
    check_question(loop, measurements, boards, pull_up_ohm, most)
    problem = suppose(loop, measurements, boards)
    considered = len(problem.plain) + len(problem.sized)
    members = left(problem, measurements, pull_up_ohm)
    if not len(members):
        return Diagnosis((), None, considered, problem.left_out)
    named = members.take(np.arange(min(len(members), max(MOST_NAMED, most))))
    groups = _grouped(problem, named, measurements)
    weighed = named.take(np.arange(min(len(named), next_step.MOST_WEIGHED)))
    offered = next_step.candidates(problem, measurements)
    outlook = next_step.foresee(problem, weighed, offered, measurements[-1])
    groups, same_as = _without_alike(problem, named, groups, outlook)

    shown = groups[:most]
    weighed_of = [[index for index in some if index < len(weighed)] for some in shown]
    causes = [
        _cause(problem, named, some, number, same_as.get(some[0], ())) for number, some in enumerate(shown, start=1)
    ]
    chosen = next_step.best_overall(outlook, weighed.weight)
    overall = None
    if chosen is not None:
        overall = next_step.step(problem, weighed, outlook, chosen, weighed_of)
    elif causes[0].kind == "many-active":
        overall = next_step.halved(offered, causes[0].places)
    with_steps = []
    for number, (cause, mine) in enumerate(zip(causes, weighed_of, strict=True)):
        own = next_step.best_for(outlook, weighed.weight, np.array(mine, dtype=np.int64)) if mine else None
        step = next_step.step(problem, weighed, outlook, own, weighed_of, number) if own is not None else None
        with_steps.append(replace(cause, next_step=step))
    return Diagnosis(tuple(with_steps), overall, considered, problem.left_out)


def _cause(problem: Problem, members: Members, which: Sequence[int], number: int, same_as: tuple[str, ...]) -> Cause:
    leader = which[0]
    size, unit = None, ""
    if members.kind[leader] >= 0:
        size = size_of(problem, members, which)[0]
        unit = "m" if SIZED[int(members.kind[leader])] == "short" else "Ω"
    some = np.array(which)
    return Cause(
        number=number,
        kind=kind_of(problem, members, leader),
        places=places_of(problem, members, which),
        words=sentence(describe(problem, members, which)),
        size=size,
        size_unit=unit,
        fit=float(members.weight[some].sum()),
        predicted=tuple(
            Prediction(float(read[0, leader]), float(read[1, some].min()), float(read[2, some].max()))
            for read in members.read
        ),
        same_as=same_as,
    )


def _grouped(problem: Problem, members: Members, measurements: Sequence[Measurement]) -> list[list[int]]:
    """Suppositions of one kind that these measurements cannot tell apart, at several places or of touching sizes, as
    one cause; the likeliest first."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for index in range(len(members)):
        alike.setdefault(_key(problem, members, index), []).append(index)
    off = np.array([0.0 if window(one).open else window(one).off_ohm for one in measurements])
    groups: list[list[int]] = []
    for some in alike.values():
        if members.kind[some[0]] >= 0:
            groups.extend(_touching(problem, members, some))
        elif len(some) == 1:
            groups.append(some)
        else:
            groups.extend(_within(members.read[:, 0, :], some, off))
    return sorted(groups, key=lambda some: -members.weight[some].sum())


def _within(nominal: np.ndarray, some: Sequence[int], off: np.ndarray) -> list[list[int]]:
    """Split where the nominal readings differ by more than the meter may be off."""
    clusters: list[list[int]] = []
    for index in some:
        for cluster in clusters:
            mine, theirs = nominal[:, index], nominal[:, cluster[0]]
            if all(
                one == other or abs(one - other) <= limit for one, other, limit in zip(mine, theirs, off, strict=True)
            ):
                cluster.append(index)
                break
        else:
            clusters.append([index])
    return clusters


def _touching(problem: Problem, members: Members, some: Sequence[int]) -> list[list[int]]:
    """Split where the ranges of sizes do not touch."""
    least, greatest = span_of(problem, members, np.array(some))[1:]
    spans = sorted(zip(zip(least.tolist(), greatest.tolist(), strict=True), some, strict=True))
    clusters: list[list[int]] = []
    reach = -math.inf
    for (low, high), index in spans:
        if not clusters or low > reach * (1 + 1e-9) + 1e-9:
            clusters.append([])
            reach = high
        clusters[-1].append(index)
        reach = max(reach, high)
    return [sorted(cluster) for cluster in clusters]


def _key(problem: Problem, members: Members, index: int) -> tuple[object, ...]:
    suspect, first, second = int(members.suspect[index]), int(members.first[index]), int(members.second[index])
    place_of, name_of = problem.single_place, problem.single_function
    wrong: tuple[object, ...] = ()
    place = -1
    if suspect >= 0:
        one = problem.suspects[suspect]
        wrong, place = (one.kind, one.role, one.ohm, one.instead_ohm, one.name, one.place < 0), one.place
    states: tuple[object, ...] = ()
    if first >= 0:
        names = tuple(sorted(name_of[single] for single in (first, second) if single >= 0))
        same = second >= 0 and place_of[first] == place_of[second]
        states = (names, same, place >= 0 and place_of[first] == place)
    return (wrong, states, int(members.count[index]), int(members.kind[index]))


def _without_alike(
    problem: Problem, members: Members, groups: Sequence[list[int]], outlook: next_step.Outlook
) -> tuple[list[list[int]], dict[int, tuple[str, ...]]]:
    """Causes that no measurement on offer tells from a likelier one go with it, in words."""
    nominal = np.concatenate([members.read[:, 0, : outlook.read.shape[2]], outlook.read[:, 0]])
    weighed = nominal.shape[1]
    # Six digits: no meter shows more.
    with np.errstate(divide="ignore", invalid="ignore"):
        power = 10.0 ** (5 - np.floor(np.log10(np.abs(nominal))))
        rounded = np.where(np.isfinite(nominal) & (nominal != 0), np.round(nominal * power) / power, nominal)
    signature = [rounded[:, index].tobytes() for index in range(weighed)]
    found: dict[frozenset[bytes], list[int]] = {}
    kept: list[list[int]] = []
    words: dict[int, tuple[str, ...]] = {}
    for some in groups:
        if max(some) >= weighed:
            kept.append(some)
            continue
        key = frozenset(signature[index] for index in some)
        if key in found:
            leader = found[key]
            words[leader[0]] = (*words.get(leader[0], ()), sentence(describe(problem, members, some)))
            members.weight[leader[0]] += members.weight[some].sum()
        else:
            found[key] = some
            kept.append(some)
    return sorted(kept, key=lambda some: -members.weight[some].sum()), words
