"""Drawings of circuits: every part is there, nothing overlaps, names stay text, and the words say the same."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from schemdraw.backends.svgtext import string_width

from installs.rules.diagram.picture import Picture, draw
from installs.rules.diagram.record import DrawnCircuit, DrawnDevice, DrawnResistor
from installs.rules.diagram.words import steps, summary
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology

NS = "{http://www.w3.org/2000/svg}"
# The library estimates a narrow face; the widest that browsers take for sans-serif is about an eighth wider, and bold
# another tenth.
WIDER = 1.125
POSITIONS = (
    "Hall, high in the corner", "Kitchen window left, above the worktop by the back door", "Loft",
    "Landing WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW",
)


def resistors(*, hand_wired: bool = False) -> tuple[DrawnResistor, ...]:
    return tuple(
        DrawnResistor(role, ohm, 1.0, hand_wired) for role, ohm in (("eol", 4700), ("alarm", 4700), ("mask", 2200))
    )


def circuit(data: dict[str, Any], count: int, *, carried: tuple[str, ...] | None = None, **fields: Any) -> DrawnCircuit:
    topology = parse_topology(data)
    signals = tuple(sorted(functions(topology))) if carried is None else carried
    devices = tuple(
        DrawnDevice(
            mark=f"D{place}", position=POSITIONS[place % len(POSITIONS)], functions=signals, resistors=resistors(),
            run_m=12.5 + place, board="EOL board 4k7 and 4k7, 1 %",
        )
        for place in range(1, count + 1)
    )
    return DrawnCircuit(
        **{"input_name": "Panel input 3", "zone": "Ground floor day rooms", "topology": topology,
           "cable": "6-core 7/0.2 mm alarm cable", "devices": devices} | fields
    )


@dataclass(frozen=True)
class Box:
    words: str
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        return (self.left < other.right and other.left < self.right
                and self.top < other.bottom and other.top < self.bottom)


def pieces(picture: Picture) -> Iterator[tuple[float, ET.Element]]:
    """Each piece of SVG with the height at which it starts."""
    top = 0.0
    for part in picture.parts:
        root = ET.fromstring(part)
        yield top, root
        top += float(root.attrib["viewBox"].split()[3])


def text_boxes(picture: Picture) -> list[Box]:
    boxes = []
    for above, root in pieces(picture):
        for text in root.iter(f"{NS}text"):
            size = float(text.attrib["font-size"])
            width = string_width(text.text or "", size) * WIDER * (1.1 if "font-weight" in text.attrib else 1)
            left = float(text.attrib["x"]) - (width / 2 if "text-anchor" in text.attrib else 0)
            line = above + float(text.attrib["y"])
            boxes.append(Box(text.text or "", left, line - 0.75 * size, left + width, line + 0.2 * size))
    return boxes


def strokes(picture: Picture) -> list[Box]:
    """Straight lines of wires, symbols and outlines, as boxes."""
    found = []
    for above, root in pieces(picture):
        for path in root.iter(f"{NS}path"):
            for run in path.attrib["d"].split("M")[1:]:
                numbers = [float(number) for number in re.findall(r"-?[\d.]+", run)]
                points = list(zip(numbers[::2], numbers[1::2], strict=True))
                found += [
                    Box("line", min(x, u), above + min(y, v), max(x, u), above + max(y, v))
                    for (x, y), (u, v) in pairwise(points)
                ]
    return found


def words_of(picture: Picture) -> list[str]:
    return [box.words for box in text_boxes(picture)]


def no_overlap(picture: Picture) -> None:
    boxes = text_boxes(picture)
    assert [(a.words, b.words) for a, b in combinations(boxes, 2) if a.meets(b)] == []
    lines = strokes(picture)
    assert lines
    assert [(a.words, line) for a in boxes for line in lines if a.meets(line)] == []
    assert [box.words for box in boxes if box.left < 0 or box.right > picture.width or box.top < 0
            or box.bottom > picture.height] == []


@pytest.mark.parametrize("count", [1, 3, 8, 20])
@pytest.mark.parametrize("code", sorted(STANDARD_TOPOLOGIES))
def test_nothing_overlaps_and_it_fits_a_phone(code: str, count: int) -> None:
    drawn = circuit(STANDARD_TOPOLOGIES[code], count)
    for one in (drawn, replace(drawn, hand_wired_eol=DrawnResistor("eol", 4700, 1, hand_wired=True))):
        picture = draw(one)
        no_overlap(picture)
        # A phone of 390 px leaves 330 px to the drawing: text of 12 units is then at least 11 px high.
        assert 12 * 330 / picture.width >= 11
        assert sum(bool(re.match(r"D\d+ ", word)) for word in words_of(picture)) == count


@pytest.mark.parametrize("count", [1, 4])
def test_every_part_is_drawn_once_for_each_device(count: int) -> None:
    picture = draw(circuit(STANDARD_TOPOLOGIES["triple-eol"], count))
    words = words_of(picture)
    assert [words.count(f"{name} NC") for name in ("alarm", "tamper", "mask", "fault")] == [count] * 4
    assert (words.count("4k7 ±1 %"), words.count("2k2 ±1 %"), words.count("end of line")) == (count + 1, count, 1)
    assert words.count("on board") == 2 * count + 1


def test_a_signal_that_travels_elsewhere_is_not_drawn() -> None:
    words = words_of(draw(circuit(STANDARD_TOPOLOGIES["triple-eol"], 1, carried=("alarm",))))
    assert [word for word in words if word.endswith(" NC")] == ["alarm NC"]
    assert "2k2 ±1 %" not in words


def test_a_device_that_carries_nothing_lets_the_pair_pass() -> None:
    drawn = circuit(STANDARD_TOPOLOGIES["double-eol"], 1, carried=())
    assert [word for word in words_of(draw(drawn)) if word.endswith(" NC")] == []
    assert "the pair passes through, nothing of the device is wired to it" in steps(drawn)[1]


def test_the_end_stands_where_it_is() -> None:
    on_board = circuit(STANDARD_TOPOLOGIES["double-eol"], 2)
    by_hand = replace(on_board, hand_wired_eol=DrawnResistor("eol", 5600, 1, hand_wired=True))
    assert (len(draw(on_board).parts), len(draw(by_hand).parts)) == (3, 4)  # the panel, two devices, the end
    assert steps(on_board)[-1] == "End of line, at D2, across the pair: 4.7 kΩ ±1 % on the board."
    assert steps(by_hand)[-1] == "End of line, after D2, across the pair: 5.6 kΩ ±1 % hand-wired."
    last = ET.fromstring(draw(by_hand).parts[-1])
    assert [text.text for text in last.iter(f"{NS}text")] == ["end of line", "5k6 ±1 %", "hand-wired"]


def test_a_value_that_is_not_recorded_is_said() -> None:
    drawn = circuit(STANDARD_TOPOLOGIES["double-eol"], 1)
    bare = replace(drawn, devices=(replace(drawn.devices[0], resistors=()),))
    assert words_of(draw(bare)).count("value not") == 2
    no_overlap(draw(bare))
    assert "a resistor (alarm) whose value is not recorded" in steps(bare)[1]
    assert summary(bare).endswith("end of line of no recorded value")


def test_a_circuit_without_devices() -> None:
    drawn = circuit(STANDARD_TOPOLOGIES["single-eol"], 0)
    assert words_of(draw(drawn))[:2] == ["Panel input 3", "Ground floor day rooms"]
    assert summary(drawn) == (
        "Wiring of Panel input 3, Ground floor day rooms: no device recorded, end of line of no recorded value"
    )


def test_devices_wired_otherwise_than_the_circuit() -> None:
    drawn = circuit(STANDARD_TOPOLOGIES["single-eol"], 2)
    across_it = parse_topology(STANDARD_TOPOLOGIES["single-eol-open"])
    mixed = replace(drawn, devices=(drawn.devices[0], replace(drawn.devices[1], topology=across_it)))
    assert [word for word in words_of(draw(mixed)) if word[-3:] in (" NC", " NO")] == ["alarm NC", "alarm NO"]
    no_overlap(draw(mixed))
    assert "in line with the pair, alarm contact, normally closed" in steps(mixed)[1]
    assert "across the pair, alarm contact, normally open" in steps(mixed)[2]


def test_the_words_say_how_it_is_wired() -> None:
    drawn = circuit(STANDARD_TOPOLOGIES["triple-eol"], 1)
    assert steps(drawn) == (
        "From Panel input 3, Ground floor day rooms, a pair of 6-core 7/0.2 mm alarm cable.",
        "13.5 m of cable to D1 Kitchen window left, above the worktop by the back door "
        "(EOL board 4k7 and 4k7, 1 %): in line with the pair, tamper contact, normally closed; then alarm "
        "contact, normally closed, with 4.7 kΩ ±1 % on the board across it; then (mask contact, normally closed, in "
        "series with fault contact, normally closed), with 2.2 kΩ ±1 % on the board across them.",
        "End of line, at D1, across the pair: 4.7 kΩ ±1 % on the board.",
    )
    assert summary(drawn) == "Wiring of Panel input 3, Ground floor day rooms: 1 device on one pair, end of line 4.7 kΩ"
    closed = circuit(STANDARD_TOPOLOGIES["closed-loop"], 1)
    assert steps(closed)[-1] == "End of line: the two cores are joined at D1, no resistor."


def test_a_parallel_device_with_a_contact_in_line_draws_itself() -> None:
    drawn = circuit(
        {
            "arrangement": "parallel",
            "device": {"series": [{"contact": "alarm", "normally": "open"}, {"resistor": "alarm"}]},
            "through": {"contact": "tamper", "normally": "closed"},
            "end": {"resistor": "eol"},
        },
        3,
    )
    no_overlap(draw(drawn))
    assert [word for word in words_of(draw(drawn)) if word.endswith((" NC", " NO"))] == ["tamper NC", "alarm NO"] * 3
    assert "in line with the pair, tamper contact, normally closed; across the pair, alarm contact, normally open, " \
        "in series with 4.7 kΩ ±1 % on the board" in steps(drawn)[1]


HOSTILE = '<script>alert(1)</script> & "quoted" $x^2$ </text></svg> \x00\x0b\u2028 \ud800'


def test_names_come_out_as_text() -> None:
    drawn = circuit(STANDARD_TOPOLOGIES["double-eol"], 1, zone=HOSTILE, cable=HOSTILE, input_name=HOSTILE)
    drawn = replace(drawn, devices=(replace(drawn.devices[0], position=HOSTILE, mark="<b>", board=HOSTILE),))
    picture = draw(drawn)
    for part in picture.parts:
        root = ET.fromstring(part)  # it is well-formed
        assert {element.tag for element in root.iter()} <= {f"{NS}{tag}" for tag in ("svg", "text", "path", "circle")}
    assert "<script" not in "".join(picture.parts)
    joined = " ".join(words_of(picture))
    assert "&lt;" not in joined
    for name in ("<script>alert(1)</script>", "$x^2$", '"quoted"', "&"):
        assert joined.count(name) == 5, name
    no_overlap(picture)


def test_no_inline_style_and_no_colour_of_its_own() -> None:
    both = "".join(draw(circuit(STANDARD_TOPOLOGIES["triple-eol"], 2)).parts)
    assert "style=" not in both
    assert set(re.findall(r'(?:stroke|fill)="([^"]*)"', both)) == {"currentColor", "none", "white"}


FUNCTION = st.sampled_from(["alarm", "tamper", "mask", "fault"])
LEAF = st.one_of(
    st.builds(lambda name, rest: {"contact": name, "normally": rest}, FUNCTION, st.sampled_from(["closed", "open"])),
    st.builds(lambda role: {"resistor": role}, st.sampled_from(["alarm", "mask", "other"])),
    st.sampled_from(["link", "gap"]),
)
TREE = st.recursive(
    LEAF,
    lambda inner: st.builds(
        lambda kind, parts: {kind: parts},
        st.sampled_from(["series", "parallel"]),
        st.lists(inner, min_size=1, max_size=3),
    ),
    max_leaves=6,
)


@settings(max_examples=80, deadline=None)
@given(device=TREE, through=TREE, arrangement=st.sampled_from(["series", "parallel"]), carried=st.sets(FUNCTION))
def test_any_topology_draws_itself(device: Any, through: Any, arrangement: str, carried: set[str]) -> None:
    data = {"arrangement": arrangement, "device": device, "end": {"resistor": "eol"}}
    if arrangement == "parallel":
        data["through"] = through
    drawn = circuit(data, 2, carried=tuple(sorted(carried & functions(parse_topology(data)))))
    no_overlap(draw(drawn))
    assert len(steps(drawn)) == 4
