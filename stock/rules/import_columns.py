"""The tables that stores keep in spreadsheets: which columns each has, and how a cell of each is read.

An empty cell leaves the value as it is; a new record then gets the usual value, or the column is asked for.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any, Final, Literal

from stock.rules import table_rows
from stock.rules.errors import RuleError
from stock.rules.table_rows import YES_OR_NO, Cell, Cells, Problem, cell_error, shown, whole_text

Kind = Literal["text", "lines", "code", "whole", "number", "choice", "yes or no", "day", "week", "list", "json"]
MOST: Final = 1_000_000


@dataclass(frozen=True)
class Column:
    """One column: its name in plain words, how it is read, and what a person should write in it."""

    name: str
    kind: Kind = "text"
    help: str = ""
    required: bool = False
    also: tuple[str, ...] = ()
    longest: int = 120
    least: Decimal = Decimal(0)
    most: Decimal = Decimal(MOST)
    choices: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Sheet:
    """One kind of table. `key`: the columns that together say which record a row is of."""

    columns: tuple[Column, ...]
    key: tuple[str, ...]

    @property
    def names(self) -> dict[str, str]:
        """Heading in plain words to column."""
        return {
            table_rows.plain_heading(text): column.name
            for column in self.columns for text in (column.name, *column.also)
        }

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns if column.required)

    @property
    def all_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


_KINDS = {
    "cover": "cover", "backplate": "backplate", "board": "board", "end-of-line board": "board", "insert": "insert",
    "cable": "cable", "spare": "spare", "spare part": "spare",
}
_TRACKING = {
    "serial": "serial", "by serial number": "serial", "batch": "batch", "by batch": "batch", "none": "none",
    "quantity": "none", "by quantity": "none",
}
_TECHNOLOGY = {"pir": "pir", "pir-mw": "pir-mw", "pir with microwave": "pir-mw"}
_CLASSES = {"1": 1, "i": 1, "class i": 1, "2": 2, "ii": 2, "class ii": 2, "3": 3, "iii": 3, "class iii": 3,
            "4": 4, "iv": 4, "class iv": 4}
_SKU = Column("stock number", "code", "the firm's own stock number", required=True, also=("sku", "item"), longest=30)
_PLACE = Column("location", "code", "the code of a store, van or quarantine", required=True,
                also=("location code", "place"), longest=30)

SHEETS: Final[Mapping[str, Sheet]] = {
    "items": Sheet(
        (
            _SKU,
            Column("name", help="what it is called"),
            Column("kind", "choice", "cover, backplate, board, insert, cable or spare", choices=_KINDS),
            Column("family", "code", "the code of its family, where it has one", longest=20),
            Column("tracking", "choice", "serial, batch or none; fixed once it has moved", choices=_TRACKING),
            Column("unit", help="pc, m and the like", longest=8),
        ),
        ("stock number",),
    ),
    "variants": Sheet(
        (
            Column("variant", "code", "the code of the variant", required=True, also=("code",), longest=30),
            Column("name", help="what it is called"),
            Column("family", "code", "the code of its family", longest=20),
            Column("cover", "code", "the stock number of its cover", also=("cover stock number",), longest=30),
            Column("technology", "choice", "pir or pir-mw", choices=_TECHNOLOGY),
            Column("grade", "whole", "1 to 4", least=Decimal(1), most=Decimal(4)),
            Column("class", "choice", "environmental class I to IV", also=("environmental class",), choices=_CLASSES),
            Column("anti-mask", "yes or no", "yes or no", also=("anti mask",)),
            Column("outputs", "list", "alarm, tamper, mask, fault; parted by spaces"),
            Column("backplate generations", "list", "numbers parted by spaces"),
            Column("supply min", "number", "volts", also=("least supply",), most=Decimal(99)),
            Column("supply max", "number", "volts", also=("greatest supply",), most=Decimal(99)),
            Column("quiescent", "number", "milliamperes at rest", also=("current at rest",), most=Decimal(9999)),
            Column("maximum", "number", "milliamperes at most", also=("greatest current",), most=Decimal(9999)),
            Column("discontinued on", "day", "the day from which it is no longer made"),
            Column("successor", "code", "the code of the variant that follows it", longest=30),
            Column("settings schema", "json", "JSON Schema 2020-12 of its settings", longest=200_000),
            Column("factory settings", "json", "the settings it leaves the works with, as JSON", longest=20_000),
        ),
        ("variant",),
    ),
    "levels": Sheet(
        (
            _SKU, _PLACE,
            Column("minimum", "whole", "the least to hold", required=True, also=("least",)),
            Column("target", "whole", "what it is filled up to", required=True, also=("fill up to",)),
        ),
        ("stock number", "location"),
    ),
    "suppliers": Sheet(
        (
            Column("supplier", help="its name", required=True, longest=80),
            Column("stock number", "code", "left empty in a row about the supplier itself", also=("sku", "item"),
                   longest=30),
            Column("supplier's code", help="the supplier's own number for the item", also=("suppliers code",),
                   longest=40),
            Column("unit price", "number", "in the supplier's currency", also=("price",), most=Decimal(9_999_999)),
            Column("minimum order", "whole", "least quantity of one order", least=Decimal(1)),
            Column("pack size", "whole", "sold in multiples of this", also=("pack",), least=Decimal(1)),
            Column("lead time", "whole", "days; with a stock number of that item alone", also=("lead time days",),
                   most=Decimal(1000)),
            Column("preferred", "yes or no", "yes: order the item here"),
            Column("currency", "code", "three letters, for example GBP", longest=3),
            Column("e-mail", help="where orders are sent", also=("email",), longest=254),
            Column("address", "lines", "as on the order", longest=400),
        ),
        ("supplier", "stock number"),
    ),
    "bins": Sheet(
        (_SKU, _PLACE, Column("bin", help="as written on the shelf, for example A-03-2", required=True, longest=20)),
        ("stock number", "location"),
    ),
    "demand": Sheet(
        (
            _SKU, _PLACE,
            Column("week", "week", "any day of the week, for example 2025-03-10", required=True,
                   also=("date", "day", "week of")),
            Column("quantity", "whole", "used in that week", required=True, also=("used", "demand")),
        ),
        ("stock number", "location", "week"),
    ),
}


def read_sheet_row(
    row: int, cells: Cells, sheet: Sheet, *, today: date, days_first: Mapping[str, bool | None]
) -> tuple[dict[str, Any] | None, list[Problem]]:
    """The values of one row by column, or every problem that it has. Empty cells are left out of the values.

    `days_first`: for each column of days, whether its days come before its months, as far as the file shows it.
    """
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for column in sheet.columns:
        cell = cells.get(column.name)
        if not whole_text(cell):
            if column.required:
                problems.append(Problem(row, column.name, "", "is empty", f"Write {column.help}."))
            continue
        try:
            values[column.name] = _read(column, cell, today, days_first.get(column.name))
        except RuleError as error:
            problems.append(Problem(row, column.name, shown(cell), error.message, error.remedy))
    return (None, problems) if problems else (values, [])


def _read(column: Column, cell: Cell, today: date, day_first: bool | None) -> Any:
    remedy = f"Write {column.help}." if column.help else "Write it anew."
    if column.kind in {"day", "week"}:
        week = column.kind == "week"
        found = table_rows.day(
            cell, today=today if week else None, column_day_first=day_first, field=column.name,
            wanted="Give a day of a week that is over." if week else "Give a day from 1980 on.",
        )
        return found - timedelta(days=found.weekday()) if week else found
    text = _text(cell, lines=column.kind == "lines")
    if column.kind in {"whole", "number"}:
        return _number(column, cell, text, remedy)
    if column.kind == "choice" or column.kind == "yes or no":
        known = YES_OR_NO if column.kind == "yes or no" else column.choices
        if text.casefold() not in known:
            raise cell_error(column.name, cell, "is not one of the words for it", remedy)
        return known[text.casefold()]
    if column.kind == "list":
        return text.replace(",", " ").replace(";", " ").split()
    if len(text) > column.longest:
        raise cell_error(column.name, cell, f"is longer than {column.longest} characters", "Shorten it.")
    if column.kind == "json":
        return _json(column, text)
    return text


def _text(cell: Cell, *, lines: bool) -> str:
    """The cell on one line (or its lines, each without spaces round it), without the apostrophe by which an export
    keeps a text from being taken for a formula."""
    parts = [
        " ".join("".join(sign if sign.isprintable() else " " for sign in line).split())
        for line in whole_text(cell).splitlines()
    ]
    text = ("\n" if lines else " ").join(part for part in parts if part)
    return text[1:] if text[:1] == "'" and text[1:2] in set("=+-@|%") else text


def _number(column: Column, cell: Cell, text: str, remedy: str) -> int | Decimal:
    try:
        # A comma is taken for a decimal point only where it cannot part thousands.
        found = Decimal(text.replace(",", ".") if text.count(",") == 1 and len(text.split(",")[1]) != 3 else text)
    except InvalidOperation:
        raise cell_error(column.name, cell, "is not a number", remedy) from None
    if not found.is_finite() or not column.least <= found <= column.most:
        raise cell_error(column.name, cell, f"is not from {column.least:,} to {column.most:,}", remedy)
    if column.kind == "whole":
        if found != found.to_integral_value():
            raise cell_error(column.name, cell, "is not a whole number", remedy)
        return int(found)
    if found != found.quantize(Decimal("0.0001")):
        raise cell_error(column.name, cell, "has more than four decimal places", "Round it.")
    return found


def _json(column: Column, text: str) -> Any:
    try:
        found = json.loads(text)
    except ValueError:
        raise cell_error(column.name, text, "is not JSON", "Copy it from an export, or leave it empty.") from None
    if not isinstance(found, dict):
        raise cell_error(column.name, text, "is not a JSON object", "Begin it with { and end it with }.")
    return found


def doubled(rows: Sequence[tuple[int, Mapping[str, Any]]], sheet: Sheet, seen: dict[tuple[Any, ...], int]) -> list[
    Problem
]:
    """Rows that are of the same record as an earlier one; `seen` carries keys to their rows from part to part."""
    problems = []
    for number, values in rows:
        key = tuple(_folded(values.get(name, "")) for name in sheet.key)
        first = seen.setdefault(key, number)
        if first != number:
            said = ", ".join(shown(values.get(name, "")) for name in sheet.key)
            problems.append(Problem(
                number, sheet.key[0], said, f"stands in row {first} already", "Keep one of the two rows.",
            ))
    return problems


def _folded(value: Any) -> Any:
    return value.casefold() if isinstance(value, str) else value
