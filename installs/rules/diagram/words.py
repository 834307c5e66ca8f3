"""The wiring of a circuit in words: what the drawing shows, for those who cannot see it."""

from __future__ import annotations

from installs.rules.diagram.record import DrawnCircuit, DrawnDevice, WiredPart, across, in_line
from installs.rules.resistors import spoken_ohm
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


def summary(circuit: DrawnCircuit) -> str:
    """The drawing in one line."""
    count = len(circuit.devices)
    devices = "no device recorded" if not count else f"{count} device{'' if count == 1 else 's'} on one pair"
    return f"Wiring of {circuit.input_name}, {circuit.zone}: {devices}, {_end_in_short(circuit)}"


def steps(circuit: DrawnCircuit) -> tuple[str, ...]:
    """The drawing in order from the panel, one sentence or two for each device and one for the line's end."""
    return (
        f"From {circuit.input_name}, {circuit.zone}, a pair of {circuit.cable}.",
        *(_device(circuit, device) for device in circuit.devices),
        _end(circuit),
    )


def _device(circuit: DrawnCircuit, device: DrawnDevice) -> str:
    board = f" ({device.board_named})" if device.board else ""
    line = in_line(circuit, device)
    bridge = across(circuit, device)
    said = []
    if not isinstance(line.tree, Link):
        said.append("in line with the pair, " + _in_words(line, "; then "))
    if not isinstance(bridge.tree, Gap):
        said.append("across the pair, " + _in_words(bridge, ", in series with "))
    joined = "; ".join(said) or "the pair passes through, nothing of the device is wired to it"
    return f"{device.run_m:g} m of cable to {device.mark} {device.position}{board}: {joined}."


def _end(circuit: DrawnCircuit) -> str:
    last = circuit.devices[-1].mark if circuit.devices else ""
    end = circuit.end
    if isinstance(end.tree, Link):
        return f"End of line: the two cores are joined{f' at {last}' if last else ''}, no resistor."
    if isinstance(end.tree, Gap):
        return f"End of line: open{f' at {last}' if last else ''}, no resistor."
    where = f", after {last}" if last and circuit.end_stands_alone else f", at {last}" if last else ""
    return f"End of line{where}, across the pair: {_in_words(end, ', in series with ')}."


def _end_in_short(circuit: DrawnCircuit) -> str:
    end = circuit.end
    if isinstance(end.tree, Link):
        return "closed at its end without a resistor"
    if isinstance(end.tree, Gap):
        return "open at its end"
    resistor = end.resistor(EOL)
    return "end of line of no recorded value" if resistor is None else f"end of line {spoken_ohm(resistor.ohm)}"


def _in_words(part: WiredPart, between: str) -> str:
    """A tree in words; parts in series are joined by `between`."""
    match part.tree:
        case SeriesSpec(parts):
            return between.join(_in_words(WiredPart(tree, part.resistors), ", in series with ") for tree in parts)
        case ParallelSpec(parts):
            return _side_by_side(part, parts)
        case ContactSpec():
            rest = "closed" if part.tree.normally_closed else "open"
            return f"{part.tree.function} contact, normally {rest}"
        case ResistorSpec():
            return _resistor(part, part.tree)
        case Link():
            return "a plain link"
        case Gap():
            return "no connection"


def _side_by_side(part: WiredPart, parts: tuple[Tree, ...]) -> str:
    """'alarm contact, normally closed, with 4.7 kΩ across it'; more than one contact is put in brackets."""
    contacts = [tree for tree in parts if not isinstance(tree, ResistorSpec)]
    resistors = [tree for tree in parts if isinstance(tree, ResistorSpec)]
    said = [_in_words(WiredPart(tree, part.resistors), ", in series with ") for tree in (*contacts, *resistors)]
    if len(contacts) == 1 and resistors:
        first = said[0] if isinstance(contacts[0], ContactSpec) else f"({said[0]})"
        return f"{first}, with {' and '.join(said[1:])} across {'it' if first[0] != '(' else 'them'}"
    return "side by side " + " and ".join(f"({words})" for words in said)


def _resistor(part: WiredPart, leaf: ResistorSpec) -> str:
    resistor = part.resistor(leaf.role)
    if resistor is None:
        return f"a resistor ({leaf.role}) whose value is not recorded"
    where = "hand-wired" if resistor.hand_wired else "on the board"
    return f"{spoken_ohm(resistor.ohm)} ±{resistor.tolerance_percent:g} % {where}"
