"""Causes in the words of the trade."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from installs.rules.diagnosis.circuit import Array, Whole
from installs.rules.diagnosis.evidence import Members
from installs.rules.diagnosis.suppositions import SIZED, Problem
from installs.rules.resistors import spoken_ohm

DONE = {"alarm": "in alarm", "tamper": "in tamper", "mask": "masked", "fault": "in fault"}
# More places than this are named by the first and the last.
_NAMED = 4


def kind_of(problem: Problem, members: Members, index: int) -> str:
    """The short name of a supposition's kind; '+active' when a function operated elsewhere goes with a fault."""
    suspect, first = int(members.suspect[index]), int(members.first[index])
    if members.count[index] >= 0:
        return "many-active"
    if members.kind[index] >= 0:
        kind = SIZED[int(members.kind[index])]
    elif suspect >= 0:
        kind = problem.suspects[suspect].kind
        if suspect in problem.hidden:
            return kind
    elif members.second[index] >= 0:
        return "two-active"
    else:
        return "active" if first >= 0 else "healthy"
    return f"{kind}+active" if first >= 0 else kind


def places_of(problem: Problem, members: Members, which: Sequence[int]) -> tuple[int, ...]:
    """The devices that these suppositions concern, from the panel."""
    found: set[int] = set()
    for index in which:
        suspect, run, count = int(members.suspect[index]), int(members.run[index]), int(members.count[index])
        if suspect >= 0 and problem.suspects[suspect].place >= 0:
            found.add(problem.suspects[suspect].place)
        if run >= 0:
            found.add(run)
        if count >= 0:
            found.update(problem.counts[count].places())
        if suspect < 0 and run < 0:
            for single in (int(members.first[index]), int(members.second[index])):
                if single >= 0:
                    found.add(int(problem.single_place[single]))
    return tuple(sorted(found))


def describe(problem: Problem, members: Members, which: Sequence[int]) -> str:
    """These suppositions, all of one kind, in words that fit into a sentence."""
    labels = [device.label for device in problem.loop.devices]
    leader = which[0]
    count, suspect, kind = int(members.count[leader]), int(members.suspect[leader]), int(members.kind[leader])
    if count >= 0:
        some = problem.counts[count]
        places = some.places()
        number = sum(some.chosen)
        who = _all_of(labels, places) if number == len(places) else f"{number} of {_range(labels, places)}"
        return f"{who} {DONE[some.function]}"
    state = _state(problem, members, which, labels)
    if kind < 0 and suspect < 0:
        return state or "healthy and at rest"
    if kind >= 0:
        what = _sized(problem, members, which, labels, SIZED[kind])
    else:
        what = _suspect(problem, [int(members.suspect[index]) for index in which], labels)
        if state and suspect in problem.hidden:
            single = int(members.first[leader])
            return f"{what}, that device {DONE[problem.single_function[single]]}"
    return f"{what}, and {state}" if state else what


def _state(problem: Problem, members: Members, which: Sequence[int], labels: Sequence[str]) -> str:
    singles = [(int(members.first[index]), int(members.second[index])) for index in which]
    if singles[0][0] < 0:
        return ""
    first_done = DONE[problem.single_function[singles[0][0]]]
    firsts = sorted({int(problem.single_place[first]) for first, _ in singles})
    if singles[0][1] < 0:
        return f"{one_of(labels, firsts)} {first_done}"
    second_done = DONE[problem.single_function[singles[0][1]]]
    pairs = sorted({(int(problem.single_place[one]), int(problem.single_place[other])) for one, other in singles})
    if all(one == other for one, other in pairs):
        return f"{one_of(labels, firsts)} {first_done} and {second_done}"
    if len(pairs) == 1:
        one, other = pairs[0]
        if first_done == second_done:
            return f"{labels[one]} and {labels[other]} both {first_done}"
        return f"{labels[one]} {first_done} and {labels[other]} {second_done}"
    everyone = sorted({place for pair in pairs for place in pair})
    if first_done == second_done:
        return f"two of {_range(labels, everyone)} {first_done}"
    return f"one device {first_done} and another {second_done}, among {_range(labels, everyone)}"


def _suspect(problem: Problem, numbers: Sequence[int], labels: Sequence[str]) -> str:
    one = problem.suspects[numbers[0]]
    where = one_of(labels, sorted({problem.suspects[number].place for number in numbers}))
    part = "end-of-line resistor" if one.place < 0 else f"{one.role} resistor at {where}"
    match one.kind:
        case "cut":
            return f"cable cut or terminal open before {where}"
        case "eol-missing":
            return "end-of-line resistor missing or open"
        case "eol-shorted":
            return "end-of-line resistor shorted or bridged"
        case "eol-doubled":
            return f"end-of-line resistor doubled, {one.name}"
        case "eol-early":
            return f"another end-of-line resistor fitted at {where}, {one.name}"
        case "wrong-board":
            return f"board {one.name} fitted at {where}"
        case "resistor-missing":
            return f"{part} missing or open"
        case "resistor-shorted":
            return f"{part} shorted or bridged"
    return f"{part} is {spoken_ohm(one.ohm)} in place of {spoken_ohm(one.instead_ohm)}"


def _sized(problem: Problem, members: Members, which: Sequence[int], labels: Sequence[str], kind: str) -> str:
    places = sorted({int(members.run[index]) for index in which})
    size, least, greatest = size_of(problem, members, which)
    if kind == "short":
        wide = greatest - least > max(3.0, 0.2 * size)
        where = f"between {least:.0f} m and {greatest:.0f} m" if wide else f"about {size:.0f} m"
        if greatest == 0:
            where = "0 m"
        return f"cable shorted {where} from the panel, before {one_of(labels, places)}"
    wide = greatest > 2 * least
    ohm = f"{_round(least)} to {_round(greatest)}" if wide else f"about {_round(size)}"
    if kind == "joint":
        return f"bad joint of {ohm} before {one_of(labels, places)}"
    return f"leak of {ohm} between the cores (damp) before {one_of(labels, places)}"


def size_of(problem: Problem, members: Members, which: Sequence[int]) -> tuple[float, float, float]:
    """Likely, least and greatest size: ohms, or metres of cable from the panel to a short."""
    some = np.array(which)
    size = span_of(problem, members, some)
    likely = float(np.average(size[0], weights=members.weight[some]))
    return likely, float(size[1].min()), float(size[2].max())


def span_of(problem: Problem, members: Members, some: Whole) -> Array:
    """Likely, least and greatest size of each of these, all of one kind, in ohms or in metres from the panel."""
    size: Array = members.size[:, some]
    if members.kind[some[0]] != SIZED.index("short"):
        return size
    runs = members.run[some]
    before = np.concatenate([[0.0], np.cumsum(problem.tables.run_m)])
    metres: Array = before[runs] + size * problem.tables.run_m[runs]
    return metres


def one_of(labels: Sequence[str], places: Sequence[int]) -> str:
    """'D2', 'D2, D3 or D5', 'one of D1 to D10', 'D1, D2, D4 or one of 5 others'."""
    if len(places) == 1:
        return labels[places[0]]
    if len(places) <= _NAMED:
        return f"{', '.join(labels[place] for place in places[:-1])} or {labels[places[-1]]}"
    return f"one of {_range(labels, places)}"


def _all_of(labels: Sequence[str], places: Sequence[int]) -> str:
    if len(places) <= _NAMED:
        return f"{', '.join(labels[place] for place in places[:-1])} and {labels[places[-1]]}"
    return f"all of {_range(labels, places)}"


def _range(labels: Sequence[str], places: Sequence[int]) -> str:
    if places[-1] - places[0] == len(places) - 1 and len(places) > 2:
        return f"{labels[places[0]]} to {labels[places[-1]]}"
    if len(places) <= 2 * _NAMED:
        return f"{', '.join(labels[place] for place in places[:-1])} and {labels[places[-1]]}"
    named = ", ".join(labels[place] for place in places[:_NAMED])
    return f"{named} and {len(places) - _NAMED} more up to {labels[places[-1]]}"


def _round(ohm: float) -> str:
    """An estimate to two digits."""
    if ohm <= 0 or math.isinf(ohm):
        return spoken_ohm(ohm)
    power = 10.0 ** (math.floor(math.log10(ohm)) - 1)
    return spoken_ohm(round(ohm / power) * power)


def sentence(words: str) -> str:
    """With a capital letter in front."""
    return words[:1].upper() + words[1:]
