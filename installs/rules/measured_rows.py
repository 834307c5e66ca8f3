"""Rows of measured values as people keep them in spreadsheets: headings, dates, resistances; what is wrong with each.

Cells are what a file gives: text, or of a spreadsheet also numbers, dates and true or false.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, TypeVar

from installs.rules.errors import RuleError
from installs.rules.resistors import parse_ohm
from stock.rules import table_rows
from stock.rules.table_rows import (
    EARLIEST,
    YES_OR_NO,
    Cell,
    Cells,
    Problem,
    cell_error,
    day,
    shown,
    whole_text,
)

GREATEST_OHM: Final = 100e6
GREATEST_CIRCUIT: Final = 32_767
LONGEST_NOTE: Final = 300
LONGEST_NAME: Final = 120

REQUIRED: Final = ("site", "circuit", "date", "measured")
OPTIONAL: Final = ("system", "panel", "place", "at rest", "note")
_HEADINGS: Final[Mapping[str, str]] = {
    **{name: name for name in (*REQUIRED, *OPTIONAL)},
    "site reference": "site", "site ref": "site", "reference": "site",
    "circuit number": "circuit", "circuit no": "circuit",
    "system name": "system", "panel place": "panel", "panel serial number": "panel",
    "measured on": "date", "date measured": "date", "day": "date",
    "measured value": "measured", "measured resistance": "measured", "loop resistance": "measured",
    "resistance": "measured", "value": "measured", "ohm": "measured", "ohms": "measured",
    "measured at": "place", "where": "place", "end": "place",
    "devices at rest": "at rest", "all at rest": "at rest",
    "notes": "note", "remark": "note", "remarks": "note", "comment": "note", "comments": "note",
}
_OPEN: Final = frozenset({"open", "open circuit", "o/c", "oc", "∞", "ol", "o.l", "o.l."})
_PLACES: Final[Mapping[str, str]] = {
    "": "panel", "panel": "panel", "at the panel": "panel", "at panel": "panel",
    "far end": "far end", "at the far end": "far end", "far": "far end", "end of line": "far end",
}

HOW_TO_MEASURED: Final = "Write it as 2k2, 2.2k, 2200 or 2,2 kΩ, or 'open' for an open circuit."

Meaning = TypeVar("Meaning")


@dataclass(frozen=True)
class MeasuredRow:
    """One measured value; `ohm` None is an open circuit. Empty `system` and `panel` leave the choice open."""

    row: int
    site: str
    system: str
    panel: str
    circuit: int
    day: date
    ohm: float | None
    place: str
    at_rest: bool
    note: str


def columns_of(headings: Sequence[Cell]) -> tuple[dict[str, int], list[Problem], list[Problem]]:
    """Where each column stands; problems that leave the file unreadable, and columns that are not known."""
    return table_rows.columns_of(headings, names=_HEADINGS, required=REQUIRED, known=(*REQUIRED, *OPTIONAL))


def measured(value: Cell) -> float | None:
    """Ohms of a measured cell; None: an open circuit. Raises RuleError."""
    if isinstance(value, (date, datetime)):
        raise cell_error("measured", value, "is a date: the spreadsheet changed what was typed",
                     f"Give the column the format text and type it again. {HOW_TO_MEASURED}")
    if isinstance(value, bool) or value is None or not isinstance(value, (int, float, str)):
        raise cell_error("measured", value, "is empty" if value is None else "is not a resistance", HOW_TO_MEASURED)
    if isinstance(value, str):
        text = " ".join(value.split())
        if not text:
            raise cell_error("measured", value, "is empty", HOW_TO_MEASURED)
        if text.casefold() in _OPEN:
            return None
        try:
            ohm = parse_ohm(text)
        except RuleError as error:
            remedy = HOW_TO_MEASURED if error.message == "is not a resistor value" else error.remedy
            message = error.message.replace("a resistor value", "a resistance")
            raise cell_error("measured", value, message, remedy) from None
    else:
        # No float holds the greatest whole numbers.
        ohm = math.inf if value > 1e300 else -math.inf if value < -1e300 else float(value)
    if not 0 <= ohm <= GREATEST_OHM:
        over = ohm > GREATEST_OHM
        raise cell_error("measured", value, "is above 100 MΩ" if over else "is not a resistance, which is 0 Ω or more",
                     "Write 'open' for an open circuit." if over else HOW_TO_MEASURED)
    return ohm


def read_row(
    row: int, cells: Cells, *, today: date, column_day_first: bool | None = None
) -> tuple[MeasuredRow | None, list[Problem]]:
    """The row as a measured value, or every problem that it has."""
    problems: list[Problem] = []

    def note(error: RuleError) -> None:
        value = cells.get(error.field)
        problems.append(Problem(row, error.field, shown(value), error.message, error.remedy))

    ohm: float | None = None
    on, circuit, place, at_rest = EARLIEST, 0, "panel", True
    texts: dict[str, str] = {}
    try:
        ohm = measured(cells.get("measured"))
    except RuleError as error:
        note(error)
    try:
        on = day(cells.get("date"), today=today, column_day_first=column_day_first)
    except RuleError as error:
        note(error)
    try:
        circuit = _circuit(cells.get("circuit"))
    except RuleError as error:
        note(error)
    try:
        place = _one_of("place", cells.get("place"), _PLACES, "Write panel or far end; empty means panel.")
    except RuleError as error:
        note(error)
    try:
        at_rest = _one_of("at rest", cells.get("at rest"), {"": True, **YES_OR_NO}, "Write yes or no; empty means yes.")
    except RuleError as error:
        note(error)
    for name, longest in (("site", 20), ("system", LONGEST_NAME), ("panel", LONGEST_NAME), ("note", LONGEST_NOTE)):
        try:
            texts[name] = _text(name, cells.get(name), longest)
        except RuleError as error:
            note(error)
    if problems:
        order = (*REQUIRED, *OPTIONAL)
        return None, sorted(problems, key=lambda problem: order.index(problem.column))
    return MeasuredRow(row=row, circuit=circuit, day=on, ohm=ohm, place=place, at_rest=at_rest, **texts), []


def _circuit(value: Cell) -> int:
    text = whole_text(value)
    if re.fullmatch(r"\d{1,6}", text, re.ASCII) and 0 <= int(text) <= GREATEST_CIRCUIT:
        return int(text)
    raise cell_error("circuit", value, "is empty" if not text else "is not a circuit's number",
                 "Give the number of the circuit, for example 3.")


def _one_of(name: str, value: Cell, words: Mapping[str, Meaning], remedy: str) -> Meaning:
    text = " ".join(whole_text(value).casefold().split())
    if text in words:
        return words[text]
    raise cell_error(name, value, "is not one of the words for it", remedy)


def _text(name: str, value: Cell, longest: int) -> str:
    text = " ".join("".join(sign if sign.isprintable() else " " for sign in whole_text(value)).split())
    if name == "site" and not text:
        raise cell_error(name, value, "is empty", "Give the site's reference.")
    if len(text) > longest:
        raise cell_error(name, value, f"is longer than {longest} characters", "Shorten it.")
    return text
