"""The layout as SVG, drawn by the schematic library with the symbols of IEC 60617.

The library's switches without terminals are that standard's make contact (07-02-01) and break contact (07-02-03).
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree as ET

from schemdraw import Drawing
from schemdraw import elements as library
from schemdraw.backends import svg as svg_backend
from schemdraw.segments import Segment, SegmentText

from installs.rules.diagram.layout import FONT, Block, Text, layout
from installs.rules.diagram.record import DrawnCircuit

elements: Any = library  # its constructors are not typed
# To be raised when the same record would be drawn otherwise: kept pictures are found by it.
EDITION: Final = 1
_UNIT = 32.0  # of the layout to one of the library, in which a resistor is one long and half as wide
_SVG = "{http://www.w3.org/2000/svg}svg"
_STYLE = re.compile(r"([a-z-]+):([^;]*);")
_DEFAULTS = {"stroke": "currentColor", "stroke-width": "1.5", "fill": "none", "stroke-linecap": "round",
             "stroke-linejoin": "round"}


@dataclass(frozen=True)
class Picture:
    """A drawing as pieces of SVG, one below the other; `width` and `height` of all together in units of the layout,
    of which text is 12 high."""

    width: float
    height: float
    parts: tuple[str, ...]


def draw(circuit: DrawnCircuit) -> Picture:
    """The circuit as it is wired, as SVG without scripts, styles or addresses; every name in it is plain text."""
    # The library's other way of writing, as paths, depends on fonts that happen to be installed.
    svg_backend.config.text = "text"
    placed = layout(circuit)
    return Picture(
        width=placed.width,
        height=placed.height,
        parts=tuple(_svg(block, placed.width) for block in placed.blocks),
    )


def plain(words: str) -> str:
    """Text without what cannot stand in a picture: control signs, and line ends of any kind."""
    kept = "".join(" " if unicodedata.category(mark) in {"Cc", "Zl", "Zp"} else mark for mark in words)
    return " ".join("".join(mark for mark in kept if unicodedata.category(mark) not in {"Cs", "Cn"}).split())


def _svg(block: Block, width: float) -> str:
    drawing = Drawing(canvas="svg", show=False, inches_per_unit=_UNIT / 72, lw=1.5, margin=0, color="black")
    drawing.add(_paths([[_at(*point) for point in wire] for wire in block.wires]))
    for dashed in (True, False):
        boxes = [
            [_at(x, y) for x, y in ((o.left, o.top), (o.right, o.top), (o.right, o.bottom), (o.left, o.bottom),
                                    (o.left, o.top))]
            for o in block.outlines if o.dashed == dashed
        ]
        if boxes:
            drawing.add(_paths(boxes, ls="--" if dashed else "-", lw=1.0 if dashed else 1.5))
    for symbol in block.symbols:
        element: Any
        if symbol.kind == "resistor":
            element = elements.ResistorIEC()
        else:
            element = elements.Switch(contacts=False, nc=symbol.kind == "closed").flip()
        drawing.add(element.endpoints(_at(symbol.x, symbol.top), _at(symbol.x, symbol.bottom)))
    for dot in block.dots:
        drawing.add(elements.Dot(open=dot.hollow, radius=0.09).at(_at(dot.x, dot.y)))
    drawing.add(_words(block.texts))
    tree: ET.Element = drawing.draw(show=False).getsvg()
    return _clean(tree, block, width)


def _paths(paths: list[list[tuple[float, float]]], **style: Any) -> Any:
    """All wires or outlines of one style as one element: the library places elements slowly, segments fast."""
    element = elements.Element(at=(0, 0), theta=0, **style)
    element.segments.extend(Segment(path) for path in paths)
    return element


def _words(texts: list[Text]) -> Any:
    element = elements.Element(at=(0, 0), theta=0)
    for text in texts:
        element.segments.append(
            SegmentText(_at(text.x, text.y), _escaped(text.words), align=(text.align, "base"), fontsize=FONT)
        )
    return element


def _clean(tree: ET.Element, block: Block, width: float) -> str:
    """The library's SVG in the page's ink and type, without inline styles, for pages that forbid them."""
    root = ET.Element(_SVG, {
        "viewBox": f"0 0 {width:g} {block.height:g}", "aria-hidden": "true", "focusable": "false", **_DEFAULTS,
    })
    strong = iter([text.strong for text in block.texts])
    for shape in tree:
        if shape.tag == "text":
            root.append(_text(shape, strong=next(strong)))
            continue
        for name, value in _STYLE.findall(shape.attrib.pop("style", "")):
            ink = {"black": "currentColor", "bg": "white"}.get(value, value)
            solid = (name, ink) == ("stroke-dasharray", "-")
            if name in {*_DEFAULTS, "stroke-dasharray"} and ink != _DEFAULTS.get(name) and not solid:
                shape.set(name, ink)
        root.append(shape)
    return ET.tostring(root, encoding="unicode")


def _text(shape: ET.Element, *, strong: bool) -> ET.Element:
    line = shape[0]
    text = ET.Element("text", {
        "x": f"{float(line.get('x', 0)):g}", "y": f"{float(shape.get('y', 0)) + float(line.get('dy', 0)):g}",
        "font-size": f"{FONT:g}", "fill": "currentColor", "stroke": "none",
    })
    if shape.get("text-anchor") == "middle":
        text.set("text-anchor", "middle")
    if strong:
        text.set("font-weight", "bold")
    text.text = "".join(line.itertext())
    return text


def _at(x: float, y: float) -> tuple[float, float]:
    return x / _UNIT, -y / _UNIT


def _escaped(words: str) -> str:
    """For the library, which reads $...$ as mathematics and & as the start of an entity."""
    return plain(words).replace("&", "&amp;").replace("$", "&#36;") or "-"
