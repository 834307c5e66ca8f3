"""Rows as people keep them in spreadsheets: headings in plain words, cells of every kind, and what is wrong with each.

Cells are what a file gives: text, or of a spreadsheet also numbers, dates and true or false.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from stock.rules.errors import RuleError

_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_LONG_MONTHS: Final = ("january", "february", "march", "april", "may", "june", "july", "august", "september",
                       "october", "november", "december")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?", re.ASCII)
_SHORT = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})(?: \d{1,2}:\d{2}(?::\d{2})?)?", re.ASCII)
_WORDS = re.compile(r"(\d{1,2})[ -]([a-z]{3,9})\.?[ -](\d{4})", re.ASCII | re.IGNORECASE)
EARLIEST: Final = date(1980, 1, 1)
LONGEST_SHOWN: Final = 60
HOW_TO_DATE: Final = "Write it as 2026-04-03, or as 3 Apr 2026."
YES_OR_NO: Final[Mapping[str, bool]] = {
    "yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False,
}

Cell = object
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


def shown(value: Cell) -> str:
    """A cell as a report shows it: short, on one line."""
    text = "" if value is None else value.isoformat() if isinstance(value, (date, datetime)) else str(value)
    text = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…"


def columns_of(
    headings: Sequence[Cell], *, names: Mapping[str, str], required: Sequence[str], known: Sequence[str]
) -> tuple[dict[str, int], list[Problem], list[Problem]]:
    """Where each column stands; problems that leave the file unreadable, and columns that are not known.

    `names` maps headings in plain words to columns: case, spaces, underscores and a unit in brackets do not matter.
    `required` must be there; `known` are all, as a message lists them.
    """
    found: dict[str, int] = {}
    hopeless: list[Problem] = []
    unknown: list[Problem] = []
    for index, heading in enumerate(headings):
        text = shown(heading)
        if not text:
            continue
        name = names.get(plain_heading(text))
        if name is None:
            unknown.append(Problem(
                1, text, text, "is no column that an import knows",
                f"Remove it, or name it as one of: {', '.join(known)}.",
            ))
        elif name in found:
            hopeless.append(Problem(1, name, text, "stands for a column that is there already", "Keep one of the two."))
        else:
            found[name] = index
    hopeless += [
        Problem(1, name, "", "the column is missing",
                f"Put a row of headings first, with at least: {', '.join(required)}.")
        for name in required if name not in found
    ]
    return found, hopeless, unknown


def plain_heading(heading: str) -> str:
    """A heading without case, units in brackets, underscores and double spaces."""
    text = re.sub(r"[(\[].*?[)\]]", " ", heading.casefold())
    return " ".join(re.sub(r"[^\w/]|_", " ", text).split())


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


def day(
    value: Cell, *, today: date | None, column_day_first: bool | None = None, field: str = "date",
    wanted: str = "Give the day on which it was measured.",
) -> date:
    """The date of a cell: a spreadsheet's own date, ISO 8601, or day first. Not after `today`, if given.

    Raises RuleError that names `field` and, for a day out of range, asks for what is `wanted`.

    03/04/2026 could be either way round, so it is refused unless the column shows that its days come first. With
    points, as in 03.04.2026, the day always comes first.
    """
    found: date | None = None
    if isinstance(value, datetime):
        found = value.date()
    elif isinstance(value, date):
        found = value
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        raise cell_error(field, value, "is a number", f"Give the column the format date. {HOW_TO_DATE}")
    elif not isinstance(value, str) or not value.strip():
        raise cell_error(field, value, "is empty", HOW_TO_DATE)
    else:
        found = _day_of(" ".join(value.split()), column_day_first, field)
    if found is None:
        raise cell_error(field, value, "is not a date", HOW_TO_DATE)
    if today is not None and found > today:
        raise cell_error(field, value, "has not come yet", wanted)
    if found < EARLIEST:
        raise cell_error(field, value, "is before 1980", wanted)
    return found


def _day_of(text: str, column_day_first: bool | None, field: str) -> date | None:
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
            raise cell_error(field, text, "could be day first or month first", HOW_TO_DATE)
        if second > 12 >= first:
            raise cell_error(field, text, "has the month first", HOW_TO_DATE)
    return _date(match[4], match[3], match[1])


def _date(year: str, month: str, day_of_month: str) -> date | None:
    try:
        return date(int(year), int(month), int(day_of_month))
    except ValueError:
        return None


def whole_text(value: Cell) -> str:
    """A cell as text; a spreadsheet gives the number 3 as 3.0."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else str(value).strip()


def cell_error(field: str, value: Cell, message: str, remedy: str) -> RuleError:
    """What is wrong with one cell."""
    return RuleError(message, field=field, value=value, remedy=remedy)
