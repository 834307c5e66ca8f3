"""Rows of measured values as people keep them in spreadsheets: headings, dates, resistances; what is wrong with each.

Cells are what a file gives: text, or of a spreadsheet also numbers, dates and true or false.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, TypeVar

from installs.rules.errors import RuleError
from installs.rules.resistors import parse_ohm

GREATEST_OHM: Final = 100e6
GREATEST_CIRCUIT: Final = 32_767
EARLIEST: Final = date(1980, 1, 1)
LONGEST_NOTE: Final = 300
LONGEST_NAME: Final = 120
LONGEST_SHOWN: Final = 60

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
_RIGHT: Final[Mapping[str, bool]] = {
    "": True, "yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False,
}
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_LONG_MONTHS: Final = ("january", "february", "march", "april", "may", "june", "july", "august", "september",
                       "october", "november", "december")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?", re.ASCII)
_SHORT = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})(?: \d{1,2}:\d{2}(?::\d{2})?)?", re.ASCII)
_WORDS = re.compile(r"(\d{1,2})[ -]([a-z]{3,9})\.?[ -](\d{4})", re.ASCII | re.IGNORECASE)

HOW_TO_MEASURED: Final = "Write it as 2k2, 2.2k, 2200 or 2,2 kΩ, or 'open' for an open circuit."
HOW_TO_DATE: Final = "Write it as 2026-04-03, or as 3 Apr 2026."

Cell = object
Meaning = TypeVar("Meaning")
# What a row is made of, by column; columns that the file has not are left out.
Cells = Mapping[str, Cell]


@dataclass(frozen=True)
class Problem:
    """What is wrong in one cell. `row` counts from 1, the headings' own row, as spreadsheets do."""

    row: int
    column: str
    value: str
    problem: str
    remedy: str


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


def shown(value: Cell) -> str:
    """A cell as a report shows it: short, on one line."""
    text = "" if value is None else value.isoformat() if isinstance(value, (date, datetime)) else str(value)
    text = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…"


def spreadsheet_safe(text: str) -> str:
    """The text so that no spreadsheet takes it for a formula: one that could begin one gets an apostrophe before it."""
    return f"'{text}" if text.lstrip()[:1] in {"=", "+", "-", "@", "|", "%"} or text[:1] in {"\t", "\r", "\n"} else text


def columns_of(headings: Sequence[Cell]) -> tuple[dict[str, int], list[Problem], list[Problem]]:
    """Where each column stands; problems that leave the file unreadable, and columns that are not known.

    Headings are read in plain words: case, spaces, underscores and a unit in brackets do not matter.
    """
    found: dict[str, int] = {}
    hopeless: list[Problem] = []
    unknown: list[Problem] = []
    for index, heading in enumerate(headings):
        text = shown(heading)
        if not text:
            continue
        name = _HEADINGS.get(_plain(text))
        if name is None:
            unknown.append(Problem(
                1, text, text, "is no column that an import knows",
                f"Remove it, or name it as one of: {', '.join((*REQUIRED, *OPTIONAL))}.",
            ))
        elif name in found:
            hopeless.append(Problem(1, name, text, "stands for a column that is there already", "Keep one of the two."))
        else:
            found[name] = index
    hopeless += [
        Problem(1, name, "", "the column is missing",
                f"Put a row of headings first, with at least: {', '.join(REQUIRED)}.")
        for name in REQUIRED if name not in found
    ]
    return found, hopeless, unknown


def _plain(heading: str) -> str:
    text = re.sub(r"[(\[].*?[)\]]", " ", heading.casefold())
    return " ".join(re.sub(r"[^\w/]|_", " ", text).split())


def measured(value: Cell) -> float | None:
    """Ohms of a measured cell; None: an open circuit. Raises RuleError."""
    if isinstance(value, (date, datetime)):
        raise _error("measured", value, "is a date: the spreadsheet changed what was typed",
                     f"Give the column the format text and type it again. {HOW_TO_MEASURED}")
    if isinstance(value, bool) or value is None or not isinstance(value, (int, float, str)):
        raise _error("measured", value, "is empty" if value is None else "is not a resistance", HOW_TO_MEASURED)
    if isinstance(value, str):
        text = " ".join(value.split())
        if not text:
            raise _error("measured", value, "is empty", HOW_TO_MEASURED)
        if text.casefold() in _OPEN:
            return None
        try:
            ohm = parse_ohm(text)
        except RuleError as error:
            remedy = HOW_TO_MEASURED if error.message == "is not a resistor value" else error.remedy
            message = error.message.replace("a resistor value", "a resistance")
            raise _error("measured", value, message, remedy) from None
    else:
        # No float holds the greatest whole numbers.
        ohm = math.inf if value > 1e300 else -math.inf if value < -1e300 else float(value)
    if not 0 <= ohm <= GREATEST_OHM:
        over = ohm > GREATEST_OHM
        raise _error("measured", value, "is above 100 MΩ" if over else "is not a resistance, which is 0 Ω or more",
                     "Write 'open' for an open circuit." if over else HOW_TO_MEASURED)
    return ohm


def day_first(cells: Iterable[Cell]) -> bool | None:
    """Whether dates like 03/04/2026 in one column have the day first, as one with a day above 12 shows.

    None: none shows it, or some show one thing and some the other.
    """
    shows = set()
    for cell in cells:
        match = _SHORT.fullmatch(cell.strip()) if isinstance(cell, str) else None
        if match and match[2] != ".":
            first, second = int(match[1]), int(match[3])
            if first > 12 >= second:
                shows.add(True)
            elif second > 12 >= first:
                shows.add(False)
    return shows.pop() if len(shows) == 1 else None


def day(value: Cell, *, today: date, column_day_first: bool | None = None) -> date:
    """The date of a cell: a spreadsheet's own date, ISO 8601, or day first. Raises RuleError.

    03/04/2026 could be either way round, so it is refused unless the column shows that its days come first. With
    points, as in 03.04.2026, the day always comes first.
    """
    found: date | None = None
    if isinstance(value, datetime):
        found = value.date()
    elif isinstance(value, date):
        found = value
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        raise _error("date", value, "is a number", f"Give the column the format date. {HOW_TO_DATE}")
    elif not isinstance(value, str) or not value.strip():
        raise _error("date", value, "is empty", HOW_TO_DATE)
    else:
        found = _day_of(" ".join(value.split()), column_day_first)
    if found is None:
        raise _error("date", value, "is not a date", HOW_TO_DATE)
    if found > today:
        raise _error("date", value, "has not come yet", "Give the day on which it was measured.")
    if found < EARLIEST:
        raise _error("date", value, "is before 1980", "Give the day on which it was measured.")
    return found


def _day_of(text: str, column_day_first: bool | None) -> date | None:
    if match := _ISO.fullmatch(text):
        return _date(match[1], match[2], match[3])
    if match := _WORDS.fullmatch(text):
        word = match[2].lower()
        if word in _MONTHS or word in _LONG_MONTHS:
            return _date(match[3], str(_MONTHS.index(word[:3]) + 1), match[1])
        return None
    match = _SHORT.fullmatch(text)
    if match is None:
        return None
    if match[2] != "." and not column_day_first:
        first, second = int(match[1]), int(match[3])
        if first <= 12 and second <= 12 and first != second:
            raise _error("date", text, "could be day first or month first", HOW_TO_DATE)
        if second > 12 >= first:
            raise _error("date", text, "has the month first", HOW_TO_DATE)
    return _date(match[4], match[3], match[1])


def _date(year: str, month: str, day_of_month: str) -> date | None:
    try:
        return date(int(year), int(month), int(day_of_month))
    except ValueError:
        return None


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
        at_rest = _one_of("at rest", cells.get("at rest"), _RIGHT, "Write yes or no; empty means yes.")
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
    text = _whole(value)
    if re.fullmatch(r"\d{1,6}", text, re.ASCII) and 0 <= int(text) <= GREATEST_CIRCUIT:
        return int(text)
    raise _error("circuit", value, "is empty" if not text else "is not a circuit's number",
                 "Give the number of the circuit, for example 3.")


def _one_of(name: str, value: Cell, words: Mapping[str, Meaning], remedy: str) -> Meaning:
    text = " ".join(_whole(value).casefold().split())
    if text in words:
        return words[text]
    raise _error(name, value, "is not one of the words for it", remedy)


def _text(name: str, value: Cell, longest: int) -> str:
    text = " ".join("".join(sign if sign.isprintable() else " " for sign in _whole(value)).split())
    if name == "site" and not text:
        raise _error(name, value, "is empty", "Give the site's reference.")
    if len(text) > longest:
        raise _error(name, value, f"is longer than {longest} characters", "Shorten it.")
    return text


def _whole(value: Cell) -> str:
    """A cell as text; a spreadsheet gives the number 3 as 3.0."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else str(value).strip()


def _error(field: str, value: Cell, message: str, remedy: str) -> RuleError:
    return RuleError(message, field=field, value=value, remedy=remedy)
