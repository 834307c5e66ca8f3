"""A topology as data: how contacts and resistors of a device, and of the line's end, are joined.

The catalogue holds each topology as a JSON object, because the same name means different wirings to different
people; only the circuit itself is certain:

    {"arrangement": "series" | "parallel", "device": tree, "through": tree (parallel only, optional), "end": tree}

A tree is one of
    {"contact": "alarm" | "tamper" | "mask" | "fault", "normally": "closed" | "open"}
    {"resistor": "eol" | "alarm" | "mask" | any other role in small letters}
    {"series": [tree, ...]}   {"parallel": [tree, ...]}   "link"   "gap"

In a series arrangement the devices follow one another along the pair. In a parallel arrangement each device bridges
the pair; `through` is what it puts in line with the pair (a tamper contact, for example).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

from installs.rules import network
from installs.rules.errors import RuleError

FUNCTIONS: tuple[str, ...] = ("alarm", "tamper", "mask", "fault")
EOL = "eol"
_ROLE = re.compile(r"[a-z][a-z0-9_]{0,20}")


@dataclass(frozen=True)
class ContactSpec:
    """A contact that one function operates."""

    function: str
    normally_closed: bool


@dataclass(frozen=True)
class ResistorSpec:
    """A resistor whose value comes from the board or the hand wiring under this role."""

    role: str


@dataclass(frozen=True)
class Link:
    """A plain wire."""


@dataclass(frozen=True)
class Gap:
    """No connection."""


@dataclass(frozen=True)
class SeriesSpec:
    """Parts one after another."""

    parts: tuple[Tree, ...]


@dataclass(frozen=True)
class ParallelSpec:
    """Parts side by side."""

    parts: tuple[Tree, ...]


Tree: TypeAlias = ContactSpec | ResistorSpec | Link | Gap | SeriesSpec | ParallelSpec


@dataclass(frozen=True)
class Topology:
    """The parsed form; build it with `parse_topology`."""

    arrangement: Literal["series", "parallel"]
    device: Tree
    end: Tree
    through: Tree = field(default_factory=Link)


def parse_topology(data: Mapping[str, Any]) -> Topology:
    """Read a topology from its JSON form. Raises RuleError naming the field by its path (`device.series[1]`)."""
    if not isinstance(data, Mapping):
        raise RuleError("a topology is an object", field="topology", value=data, remedy="Give arrangement, device, end")
    for name in data:
        if name not in ("arrangement", "device", "through", "end"):
            raise RuleError(
                "is not part of a topology",
                field=str(name),
                value=data[name],
                remedy="Use arrangement, device, through and end only.",
            )
    arrangement = data.get("arrangement")
    if arrangement not in ("series", "parallel"):
        raise RuleError(
            "the arrangement is not known",
            field="arrangement",
            value=arrangement,
            remedy='Give "series" or "parallel".',
        )
    for name in ("device", "end"):
        if name not in data:
            raise RuleError("is missing", field=name, value=None, remedy='Give a tree, or "link" for a plain wire.')
    if arrangement == "series" and "through" in data:
        raise RuleError(
            "has no meaning in a series arrangement",
            field="through",
            value=data["through"],
            remedy="Put these contacts into device.",
        )
    device = _parse_tree(data["device"], "device")
    end = _parse_tree(data["end"], "end")
    through = _parse_tree(data.get("through", "link"), "through")
    for part in _leaves(end):
        if isinstance(part, ContactSpec):
            raise RuleError(
                "the line's end holds no contacts",
                field="end",
                value=data["end"],
                remedy="Put the contact into device.",
            )
    return Topology(arrangement=arrangement, device=device, end=end, through=through)


def functions(topology: Topology) -> frozenset[str]:
    """The signals (alarm, tamper, mask, fault) that devices can put on such a circuit."""
    trees = (topology.device, topology.through)
    return frozenset(leaf.function for tree in trees for leaf in _leaves(tree) if isinstance(leaf, ContactSpec))


def resistor_roles(topology: Topology, carried: frozenset[str] | None = None) -> frozenset[str]:
    """Resistor roles that the circuit needs values for, `eol` included, when its devices carry `carried`
    (by default everything that the topology can carry)."""
    wanted = functions(topology) if carried is None else carried
    trees = (topology.device, topology.through, topology.end)
    leaves = (leaf for tree in trees for leaf in _leaves(_without(tree, wanted)))
    return frozenset(leaf.role for leaf in leaves if isinstance(leaf, ResistorSpec))


def wired(tree: Tree, carried: frozenset[str]) -> Tree:
    """What of a tree is there when only `carried` functions travel on the circuit, as `build` takes it."""
    return _without(tree, carried)


def sees_short(topology: Topology) -> bool:
    """Whether a shorted pair reads differently from normal: only if the line's end holds a resistor."""
    return any(isinstance(leaf, ResistorSpec) for leaf in _leaves(topology.end))


def build(
    tree: Tree,
    *,
    carried: frozenset[str],
    operated: frozenset[str],
    resistor_ohm: Mapping[str, network.Ohms],
    tolerance_percent: network.Ohms = 0.0,
    contact_ohm_max: network.Ohms = 0.0,
    owner: str = "device",
) -> network.Node:
    """The network of one device (or line's end) with the contacts of `operated` functions operated.

    Contacts of functions that are not carried are not wired: a link in place of a normally closed one, nothing in
    place of a normally open one. Raises RuleError when a resistor that matters has no value.
    """

    def node(part: Tree) -> network.Node:
        match part:
            case ContactSpec():
                closed = part.normally_closed != (part.function in operated)
                return network.Contact(closed, contact_ohm_max)
            case ResistorSpec():
                if part.role not in resistor_ohm:
                    raise RuleError(
                        f"{owner} has no {part.role} resistor, which this topology needs",
                        field=f"resistor_ohm.{part.role}",
                        value=None,
                        remedy=f"Give the value of the {part.role} resistor in ohms.",
                    )
                return network.Resistor(resistor_ohm[part.role], tolerance_percent)
            case Link():
                return network.Short()
            case Gap():
                return network.Open()
            case SeriesSpec():
                return network.Series(tuple(node(child) for child in part.parts))
            case ParallelSpec():
                return network.Parallel(tuple(node(child) for child in part.parts))

    return node(_without(tree, carried))


def _parse_tree(data: Any, path: str) -> Tree:
    if data == "link":
        return Link()
    if data == "gap":
        return Gap()
    if not isinstance(data, Mapping):
        raise RuleError(
            "is not a tree",
            field=path,
            value=data,
            remedy='Give an object with contact, resistor, series or parallel, or "link" or "gap".',
        )
    keys = set(data)
    if keys == {"contact", "normally"}:
        if data["contact"] not in FUNCTIONS:
            raise RuleError(
                "the function of the contact is not known",
                field=f"{path}.contact",
                value=data["contact"],
                remedy="Give alarm, tamper, mask or fault.",
            )
        if data["normally"] not in ("closed", "open"):
            raise RuleError(
                "the rest position of the contact is not known",
                field=f"{path}.normally",
                value=data["normally"],
                remedy='Give "closed" or "open".',
            )
        return ContactSpec(data["contact"], data["normally"] == "closed")
    if keys == {"resistor"}:
        if not isinstance(data["resistor"], str) or not _ROLE.fullmatch(data["resistor"]):
            raise RuleError(
                "is not a resistor role",
                field=f"{path}.resistor",
                value=data["resistor"],
                remedy="Give a short name in small letters, such as eol, alarm or mask.",
            )
        return ResistorSpec(data["resistor"])
    if keys in ({"series"}, {"parallel"}):
        (kind,) = keys
        parts = data[kind]
        if not isinstance(parts, list | tuple) or not parts:
            raise RuleError(
                "is not a list of trees", field=f"{path}.{kind}", value=parts, remedy="Give at least one part."
            )
        children = tuple(_parse_tree(part, f"{path}.{kind}[{index}]") for index, part in enumerate(parts))
        return SeriesSpec(children) if kind == "series" else ParallelSpec(children)
    raise RuleError(
        "is not a tree",
        field=path,
        value=dict(data),
        remedy="Give exactly one of contact (with normally), resistor, series or parallel.",
    )


def _leaves(tree: Tree) -> Iterator[Tree]:
    if isinstance(tree, SeriesSpec | ParallelSpec):
        for part in tree.parts:
            yield from _leaves(part)
    else:
        yield tree


def _without(tree: Tree, carried: frozenset[str]) -> Tree:
    """The tree without contacts of functions that are not carried, and without what those would have bridged."""
    match tree:
        case ContactSpec() if tree.function not in carried:
            return Link() if tree.normally_closed else Gap()
        case SeriesSpec():
            parts = [_without(part, carried) for part in tree.parts]
            if any(isinstance(part, Gap) for part in parts):
                return Gap()
            return _joined([part for part in parts if not isinstance(part, Link)], SeriesSpec, Link())
        case ParallelSpec():
            parts = [_without(part, carried) for part in tree.parts]
            if any(isinstance(part, Link) for part in parts):
                return Link()
            return _joined([part for part in parts if not isinstance(part, Gap)], ParallelSpec, Gap())
        case _:
            return tree


def _joined(parts: Sequence[Tree], kind: type[SeriesSpec] | type[ParallelSpec], empty: Tree) -> Tree:
    if not parts:
        return empty
    return parts[0] if len(parts) == 1 else kind(tuple(parts))


def _nc(function: str) -> dict[str, str]:
    return {"contact": function, "normally": "closed"}


def _closed_loop(function: str) -> dict[str, Any]:
    return {"arrangement": "series", "device": _nc(function), "end": "link"}


def _single_eol(function: str) -> dict[str, Any]:
    return {"arrangement": "series", "device": _nc(function), "end": {"resistor": EOL}}


_ALARM_PART = {"parallel": [_nc("alarm"), {"resistor": "alarm"}]}
# Mask and fault commonly share one resistor: either contact brings it into the loop (common practice, no source).
_MASK_PART = {"parallel": [{"series": [_nc("mask"), _nc("fault")]}, {"resistor": "mask"}]}

STANDARD_TOPOLOGIES: dict[str, dict[str, Any]] = {
    "closed-loop": _closed_loop("alarm"),
    "closed-loop-tamper": _closed_loop("tamper"),
    "closed-loop-mask": _closed_loop("mask"),
    "closed-loop-fault": _closed_loop("fault"),
    "single-eol": _single_eol("alarm"),
    "single-eol-tamper": _single_eol("tamper"),
    "single-eol-mask": _single_eol("mask"),
    "single-eol-fault": _single_eol("fault"),
    "single-eol-open": {
        "arrangement": "parallel",
        "device": {"contact": "alarm", "normally": "open"},
        "end": {"resistor": EOL},
    },
    "double-eol": {
        "arrangement": "series",
        "device": {"series": [_nc("tamper"), _ALARM_PART]},
        "end": {"resistor": EOL},
    },
    # The tamper pair of a four-wire installation when mask shares it.
    "double-eol-tamper-mask": {
        "arrangement": "series",
        "device": {"series": [_nc("tamper"), _MASK_PART]},
        "end": {"resistor": EOL},
    },
    "triple-eol": {
        "arrangement": "series",
        "device": {"series": [_nc("tamper"), _ALARM_PART, _MASK_PART]},
        "end": {"resistor": EOL},
    },
}
STANDARD_NAMES: dict[str, str] = {
    "closed-loop": "Closed loop, no resistor",
    "closed-loop-tamper": "Closed tamper loop, no resistor",
    "closed-loop-mask": "Closed mask loop, no resistor",
    "closed-loop-fault": "Closed fault loop, no resistor",
    "single-eol": "Single EOL, contact normally closed, resistor in series",
    "single-eol-tamper": "Single EOL tamper loop, resistor in series",
    "single-eol-mask": "Single EOL mask loop, resistor in series",
    "single-eol-fault": "Single EOL fault loop, resistor in series",
    "single-eol-open": "Single EOL, contact normally open, resistor in parallel",
    "double-eol": "Double EOL, alarm and tamper on one pair",
    "double-eol-tamper-mask": "Double EOL, tamper and mask on one pair",
    "triple-eol": "Triple EOL, alarm, tamper and mask on one pair",
}
