"""Where everything of a drawing stands, in units of which a phone shows about 300 across.

A drawing is a column of blocks, panel first, each as wide as the widest: they stack without a seam on a screen and
may break between pages. The left core carries the contacts in line, the right core comes back.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from installs.rules.diagram.record import DrawnCircuit, DrawnDevice, WiredPart, across, in_line
from installs.rules.resistors import format_ohm
from installs.rules.topology import (
    EOL,
    ContactSpec,
    Gap,
    Link,
    ParallelSpec,
    ResistorSpec,
    SeriesSpec,
    Tree,
)

FONT = 12.0
LINE = 15.0
LEAST_WIDTH = 300.0
_EDGE = 5.0  # from the drawing's edge to a device's outline
_RAIL = 34.0  # the left core
_RIGHT = 20.0  # from the right core to the drawing's edge
_BLADE = 20.0  # a contact's blade, left of its core
_BODY = 10.0  # half a resistor
_LABEL = 14.0  # from a core to the label on its right
_LEAF = 44.0
_JOIN = 10.0
_COLUMN = 10.0

_BOLD = 1.12  # how much wider bold text runs
_WIDE = frozenset("mwMWQGOD@%&Ω±")
_NARROW = frozenset("iljtfrI1.,:;'|!()[] ")


@dataclass(frozen=True)
class Text:
    """A line of text; `y` is its baseline."""

    x: float
    y: float
    words: str
    align: Literal["left", "center"] = "left"
    strong: bool = False


@dataclass(frozen=True)
class Symbol:
    """A contact or resistor on a core from `top` to `bottom`."""

    kind: Literal["closed", "open", "resistor"]
    x: float
    top: float
    bottom: float


@dataclass(frozen=True)
class Dot:
    """A joint (filled) or a terminal (hollow)."""

    x: float
    y: float
    hollow: bool = False


@dataclass(frozen=True)
class Outline:
    """A box: dashed round a device, solid for the panel."""

    left: float
    top: float
    right: float
    bottom: float
    dashed: bool


@dataclass
class Block:
    """One piece of the column, its own origin at the upper left."""

    height: float = 0.0
    wires: list[tuple[tuple[float, float], ...]] = field(default_factory=list)
    symbols: list[Symbol] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    dots: list[Dot] = field(default_factory=list)
    outlines: list[Outline] = field(default_factory=list)

    def wire(self, *points: tuple[float, float]) -> None:
        self.wires.append(points)


@dataclass(frozen=True)
class Layout:
    width: float
    blocks: tuple[Block, ...]

    @property
    def height(self) -> float:
        return sum(block.height for block in self.blocks)


@dataclass(frozen=True)
class _Room:
    """What a part needs to the left and right of its core, and along it."""

    left: float
    right: float
    height: float


def text_width(words: str) -> float:
    """Width of a line of text, rather too much than too little: fonts differ (measured against a wide sans face)."""
    return sum(
        12.2 if mark in _WIDE or ord(mark) > 0x2E7F else 4.9 if mark in _NARROW else 8.4 if mark.isupper() else 7.7
        for mark in words
    )


def wrap(words: str, width: float) -> list[str]:
    """The text in lines that fit; a single long word is broken."""
    lines: list[str] = []
    for word in words.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined) <= width:
            lines[-1] = joined
        elif text_width(word) <= width:
            lines.append(word)
        else:
            lines.extend(textwrap.wrap(word, max(1, int(width / 12.2))))
    return lines


def layout(circuit: DrawnCircuit) -> Layout:
    """Place every part of the circuit. Cannot fail: what is not recorded is drawn as not recorded."""
    parts = [part for device in circuit.devices for part in (in_line(circuit, device), circuit.end)]
    needed = [_RAIL + _room(part).right + _COLUMN + _RIGHT for part in [*parts, circuit.end]]
    for device in circuit.devices:
        part = across(circuit, device)
        if not isinstance(part.tree, Gap):
            room = _room(part)
            needed.append(_RAIL + _JOIN + 4 + room.left + room.right + _COLUMN + _RIGHT)
    width = max(LEAST_WIDTH, *needed)
    blocks = [_panel(circuit, width)]
    for index, device in enumerate(circuit.devices):
        last = index == len(circuit.devices) - 1
        blocks.append(_device(circuit, device, width, first=index == 0, ends=last and not circuit.end_stands_alone))
    if circuit.end_stands_alone:
        blocks.append(_end(circuit, width))
    return Layout(width, tuple(blocks))


def _panel(circuit: DrawnCircuit, width: float) -> Block:
    block = Block()
    name = wrap(circuit.input_name, (width - 40) / _BOLD)
    lines = [*name, *wrap(circuit.zone, width - 40)]
    bottom = LINE * len(lines) + 14
    block.outlines.append(Outline(_EDGE, 2, width - _EDGE, bottom, dashed=False))
    _lines(block, lines, width / 2, 2 + LINE, strong=len(name), align="center")
    block.height = bottom + 4
    for x in (_RAIL, width - _RIGHT):
        block.wire((x, bottom), (x, block.height))
        block.dots.append(Dot(x, bottom, hollow=True))
    return block


def _device(circuit: DrawnCircuit, device: DrawnDevice, width: float, *, first: bool, ends: bool) -> Block:
    block = Block()
    left, right = _RAIL, width - _RIGHT
    run = f"{device.run_m:g} m" + (f" of {circuit.cable}" if first else "")
    run_lines = wrap(run, right - left - 24)
    top = LINE * len(run_lines) + 16
    _lines(block, run_lines, (left + right) / 2, 8 + FONT, align="center")
    heading = wrap(f"{device.mark} {device.position}", (right - left - 2 * _LABEL) / _BOLD)
    strong = len(heading)
    if device.board:
        heading += wrap(device.board_named, right - left - 2 * _LABEL)
    y = top + 6 + LINE * len(heading) + 4
    _lines(block, heading, left + _LABEL, top + 4 + FONT, strong=strong)
    block.wire((left, 0), (left, y))
    part = in_line(circuit, device)
    y = _draw(block, part, left, y, _room(part).height)
    bridge = across(circuit, device)
    if not isinstance(bridge.tree, Gap):
        y = _bridge(block, bridge, y, right)
    if ends:
        y = _close(block, circuit, y, right)
        block.wire((right, 0), (right, y))
        bottom = y + 8
        block.height = bottom + 3
    else:
        bottom = y + 6
        block.height = bottom
        block.wire((left, y), (left, bottom))
        block.wire((right, 0), (right, bottom))
    block.outlines.append(Outline(_EDGE, top, width - _EDGE, bottom, dashed=True))
    block.dots += [Dot(x, top, hollow=True) for x in (left, right)]
    if not ends:
        block.dots += [Dot(x, bottom, hollow=True) for x in (left, right)]
        block.height += 4  # room for the terminals; the next run starts here
        for x in (left, right):
            block.wire((x, bottom), (x, block.height))
    return block


def _end(circuit: DrawnCircuit, width: float) -> Block:
    block = Block()
    left, right = _RAIL, width - _RIGHT
    block.wire((left, 0), (left, 10))
    y = _close(block, circuit, 10, right)
    block.wire((right, 0), (right, y))
    block.height = y + 4
    return block


def _close(block: Block, circuit: DrawnCircuit, y: float, right: float) -> float:
    """The line's end down the left core and back to the right one. Ends where the bottom wire lies."""
    end = circuit.end
    if isinstance(end.tree, Gap):
        block.dots += [Dot(x, y + 8, hollow=True) for x in (_RAIL, right)]
        block.wire((_RAIL, y), (_RAIL, y + 8))
        block.texts.append(Text(_RAIL + _LABEL, y + 12, "the line ends open"))
        return y + 8
    if isinstance(end.tree, Link):
        block.texts.append(Text(_RAIL + _LABEL, y + 4 + FONT, "the two cores are joined"))
        block.wire((_RAIL, y), (_RAIL, y + 26), (right, y + 26))
        return y + 26
    bottom = _draw(block, end, _RAIL, y, _room(end).height)
    block.wire((_RAIL, bottom), (_RAIL, bottom + 4), (right, bottom + 4))
    return bottom + 4


def _bridge(block: Block, part: WiredPart, y: float, right: float) -> float:
    """A device across the pair, from a joint on the left core to one on the right. Ends below it."""
    room = _room(part)
    rail = _RAIL + _JOIN + 4 + room.left
    top = y + _JOIN
    block.wire((_RAIL, top), (rail, top))
    bottom = _draw(block, part, rail, top, room.height)
    block.wire((rail, bottom), (right, bottom))
    block.dots += [Dot(_RAIL, top), Dot(right, bottom)]
    block.wire((_RAIL, y), (_RAIL, bottom + _JOIN))
    return bottom + _JOIN


def _lines(
    block: Block, lines: Iterable[str], x: float, y: float, strong: int = 0, align: Literal["left", "center"] = "left"
) -> None:
    for index, words in enumerate(lines):
        block.texts.append(Text(x, y + LINE * index, words, align, strong=index < strong))


def _labels(part: WiredPart, leaf: Tree) -> list[str]:
    if isinstance(leaf, ContactSpec):
        return [f"{leaf.function} {'NC' if leaf.normally_closed else 'NO'}"]
    if not isinstance(leaf, ResistorSpec):
        return []
    name = ["end of line"] if leaf.role == EOL else []
    resistor = part.resistor(leaf.role)
    if resistor is None:
        return [*name, "value not", "recorded"]
    return [
        *name,
        f"{format_ohm(resistor.ohm)} ±{resistor.tolerance_percent:g} %",
        "hand-wired" if resistor.hand_wired else "on board",
    ]


def _room(part: WiredPart) -> _Room:
    match part.tree:
        case SeriesSpec(parts):
            rooms = [_room(WiredPart(tree, part.resistors)) for tree in parts]
            return _Room(max(r.left for r in rooms), max(r.right for r in rooms), sum(r.height for r in rooms))
        case ParallelSpec(parts):
            rooms = [_room(WiredPart(tree, part.resistors)) for tree in parts]
            right = sum(a.right + _COLUMN + b.left for a, b in pairwise(rooms)) + rooms[-1].right
            return _Room(rooms[0].left, right, max(r.height for r in rooms) + 2 * _JOIN)
        case Link():
            return _Room(2, 2, 10)
        case Gap():
            return _Room(4, _LABEL + text_width("not joined"), 34)
        case leaf:
            labels = _labels(part, leaf)
            left = _BLADE if isinstance(leaf, ContactSpec) else _BODY
            return _Room(left, _LABEL + max(map(text_width, labels)), max(_LEAF, LINE * len(labels) + 6))


def _draw(block: Block, part: WiredPart, x: float, y: float, height: float) -> float:
    """The part down its core at `x`, stretched over `height`. Returns where it ends."""
    bottom = y + height
    match part.tree:
        case SeriesSpec(parts):
            for tree in parts:
                child = WiredPart(tree, part.resistors)
                y = _draw(block, child, x, y, _room(child).height)
            if y < bottom:
                block.wire((x, y), (x, bottom))
        case ParallelSpec(parts):
            _side_by_side(block, [WiredPart(tree, part.resistors) for tree in parts], x, y, bottom)
        case Link():
            block.wire((x, y), (x, bottom))
        case Gap():
            middle = (y + bottom) / 2
            block.wire((x, y), (x, middle - 8))
            block.wire((x, middle + 8), (x, bottom))
            block.dots += [Dot(x, middle - 8, hollow=True), Dot(x, middle + 8, hollow=True)]
            block.texts.append(Text(x + _LABEL, middle + 4, "not joined"))
        case leaf:
            kind: Literal["closed", "open", "resistor"] = "resistor"
            if isinstance(leaf, ContactSpec):
                kind = "closed" if leaf.normally_closed else "open"
            block.symbols.append(Symbol(kind, x, y, bottom))
            labels = _labels(part, leaf)
            first = (y + bottom) / 2 - LINE * (len(labels) - 1) / 2 + 4
            _lines(block, labels, x + _LABEL, first)
    return bottom


def _side_by_side(block: Block, parts: list[WiredPart], x: float, y: float, bottom: float) -> None:
    rooms = [_room(part) for part in parts]
    rails = [x]
    for before, after in pairwise(rooms):
        rails.append(rails[-1] + before.right + _COLUMN + after.left)
    top, foot = y + _JOIN, bottom - _JOIN
    for part, rail in zip(parts, rails, strict=True):
        _draw(block, part, rail, top, foot - top)
    block.wire((x, y), (x, top), (rails[-1], top))
    block.wire((rails[-1], foot), (x, foot), (x, bottom))
    # Where three or more wires meet.
    block.dots += [Dot(rail, end) for rail in rails[:-1] for end in (top, foot)]
