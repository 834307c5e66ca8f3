"""Tables as people keep them in spreadsheets: read from CSV or XLSX within bounds that no file can exceed, and written
so that no cell acts as a formula."""

from __future__ import annotations

import csv
import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from config.errors import InvalidInput

Cell = object

MOST_BYTES = 5_000_000
MOST_ROWS = 50_000
MOST_COLUMNS = 60
# A workbook is a zip archive: a small one can unpack to gigabytes.
MOST_UNPACKED_BYTES = 100_000_000
MOST_PARTS = 1_000

_SPOILT = (
    zipfile.BadZipFile, InvalidFileException, ParseError, KeyError, ValueError, TypeError, AttributeError, IndexError,
    EOFError, OSError, OverflowError, NotImplementedError, RuntimeError, zlib.error,
)
# Signs that XML 1.0 cannot hold.
_NOT_IN_A_WORKBOOK = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]|[\ud800-\udfff]")


@dataclass(frozen=True)
class Table:
    """The headings and what stands below them; each row with its number as a spreadsheet counts."""

    headings: tuple[Cell, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]


def read_table(content: bytes) -> Table:
    """The first sheet of a workbook, or a CSV file in UTF-8 or Windows-1252 with commas, semicolons or tabs.

    What a file is shows in its content, not in its name. Of formulas the values are read. Raises InvalidInput for a
    file that cannot be read or is too large.
    """
    if not content:
        raise _file("The file is empty.", "", "Choose the file with the table.")
    if len(content) > MOST_BYTES:
        raise _file(f"The file has {len(content):,} bytes.", len(content),
                    f"Split it: {MOST_BYTES:,} are read at most.")
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise _file("This is an old or locked workbook.", "", "Save it as .xlsx without a password, or as CSV.")
    lines = _workbook(content) if content.startswith(b"PK") else _csv(content)
    headings: tuple[Cell, ...] | None = None
    rows: list[tuple[int, tuple[Cell, ...]]] = []
    for number, cells in lines:
        if len(cells) > MOST_COLUMNS:
            raise _file(f"Row {number} has more than {MOST_COLUMNS} columns.", number, "Remove what does not belong.")
        if all(cell is None or (isinstance(cell, str) and not cell.strip()) for cell in cells):
            continue
        # What an export says of itself at its end is no row of the table.
        if isinstance(cells[0], str) and cells[0].startswith("#"):
            continue
        if headings is None:
            headings = cells
            continue
        if len(rows) >= MOST_ROWS:
            raise _file(f"The file has more than {MOST_ROWS:,} rows.", number, "Split it into several files.")
        rows.append((number, cells))
    if headings is None:
        raise _file("The file holds nothing.", "", "Choose the file with the table.")
    if not rows:
        raise _file("The file holds no rows below its headings.", "", "Put one on each row.")
    return Table(headings, tuple(rows))


def _csv(content: bytes) -> Iterator[tuple[int, tuple[Cell, ...]]]:
    text = _text(content)
    sign = _delimiter(text)
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=sign, strict=True)
    number = 0
    try:
        for number, cells in enumerate(lines, 1):
            yield number, tuple(cells)
    except csv.Error as error:
        raise _file(f"Row {number + 1} cannot be read: {error}.", number + 1,
                    "Look for a quotation mark without its partner, or save the file as CSV again.") from None


def _text(content: bytes) -> str:
    """UTF-8, with or without its mark; failing that Windows-1252, as spreadsheets on Windows write it."""
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise _file("The file is neither CSV in a known encoding nor a workbook.", "",
                "Save it as CSV (UTF-8) or as .xlsx.")


def _delimiter(text: str) -> str:
    """The sign that parts the headings: whichever of , ; and tab the first line has most of outside quotes."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    bare = "".join(first.split('"')[::2])
    return max(",;\t", key=bare.count)


def _workbook(content: bytes) -> Iterator[tuple[int, tuple[Cell, ...]]]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
    except _SPOILT:
        raise _spoilt() from None
    # The zip reader stops at the size that a part declares, so what is declared is what can come.
    if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > MOST_UNPACKED_BYTES:
        raise _file("The workbook unpacks to more than can be read.", "", "Copy the values alone to a fresh workbook.")
    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        sheet = book.worksheets[0]
        # The size that a sheet declares is not believed.
        sheet.reset_dimensions()
        rows: Iterable[tuple[Cell, ...]] = sheet.iter_rows(values_only=True, max_col=MOST_COLUMNS + 1)
        empty = 0
        for number, cells in enumerate(rows, 1):
            full = len(cells)
            while full and cells[full - 1] is None:
                full -= 1
            # A sheet formatted to its end has a million empty rows.
            empty = 0 if full else empty + 1
            if empty > MOST_ROWS:
                break
            yield number, tuple(cells[:full])
    except InvalidInput:
        raise
    except _SPOILT:
        raise _spoilt() from None


def _spoilt() -> InvalidInput:
    return _file("The workbook cannot be read.", "", "Open it in a spreadsheet and save it as .xlsx again, or as CSV.")


def spreadsheet_safe(text: str) -> str:
    """The text so that no spreadsheet takes it for a formula: one that could begin one gets an apostrophe before it
    (OWASP, CSV injection)."""
    return f"'{text}" if text.lstrip()[:1] in {"=", "+", "-", "@", "|", "%"} or text[:1] in {"\t", "\r", "\n"} else text


def _plain(cell: Cell) -> str | int | float:
    """A cell as a table holds it: numbers stay numbers, the rest is text that is no formula."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, (int, float)):
        return cell
    if isinstance(cell, Decimal):
        return int(cell) if cell == cell.to_integral_value() else float(cell)
    if isinstance(cell, (date, datetime)):
        return cell.isoformat()
    return spreadsheet_safe("" if cell is None else str(cell))


def csv_line(cells: Iterable[Cell]) -> str:
    """One line of CSV with its line end; text in quotation marks where it must be."""
    line = io.StringIO()
    csv.writer(line).writerow([_plain(cell) for cell in cells])
    return line.getvalue()


class Workbook:
    """A workbook of one sheet, written row by row in bounded memory."""

    def __init__(self, title: str) -> None:
        self._book = openpyxl.Workbook(write_only=True)
        self._sheet = self._book.create_sheet(title[:31])

    def add(self, cells: Iterable[Cell]) -> None:
        """Append a row."""
        self._sheet.append([
            plain if isinstance(plain := _plain(cell), (int, float)) else _NOT_IN_A_WORKBOOK.sub(" ", plain)
            for cell in cells
        ])

    def content(self) -> bytes:
        """The file, once."""
        kept = io.BytesIO()
        self._book.save(kept)
        return kept.getvalue()


def _file(message: str, value: object, remedy: str) -> InvalidInput:
    return InvalidInput(message, field="file", value=value, remedy=remedy)
