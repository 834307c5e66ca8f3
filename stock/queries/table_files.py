"""Imports and exports of a person, and what came of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django.db.models import QuerySet

from config import keyset
from config.accounts.models import User
from config.accounts.rights import Right
from config.keyset import KeysetPage
from config.tables import csv_line
from stock.models.files import TableExport, TableImport
from stock.queries.export_lists import LISTS
from stock.rules.import_columns import SHEETS, Sheet

Subject = TableImport.Subject
# Who may take in what.
IMPORT_RIGHTS: Mapping[str, Right] = {
    Subject.ITEMS: Right.EDIT_CATALOGUE, Subject.VARIANTS: Right.EDIT_CATALOGUE, Subject.LEVELS: Right.ORDER_STOCK,
    Subject.SUPPLIERS: Right.ORDER_STOCK, Subject.BINS: Right.ORDER_STOCK, Subject.DEMAND: Right.ORDER_STOCK,
}
TONES = {"done": "ok", "refused": "bad", "failed": "bad", "cancelled": "warn", "checked": "info"}
SIZE = 30


def subjects_of(user: User) -> list[tuple[str, str]]:
    """The kinds of table that the person may take in."""
    return [(key, label) for key, label in TableImport.Subject.choices if user.has_right(IMPORT_RIGHTS[key])]


def sheets_of(user: User) -> Sequence[tuple[str, str, Sheet]]:
    """The same with their columns."""
    return [(key, label, SHEETS[key]) for key, label in subjects_of(user)]


def imports_of(user: User) -> QuerySet[TableImport]:
    """The person's own imports, without their files."""
    return TableImport.objects.filter(by=user).defer("content")


def import_page(user: User, *, cursor: str | None) -> KeysetPage[TableImport]:
    """The person's own imports, latest first. One statement."""
    found = imports_of(user).defer("content", "problems", "preview")
    return keyset.page(found, ("-id",), cursor=cursor, size=SIZE)


def exports_of(user: User) -> QuerySet[TableExport]:
    """The person's own exports, without their files; an administrator sees everybody's in the administration."""
    return TableExport.objects.filter(by=user).defer("content")


def export_page(user: User, *, cursor: str | None) -> KeysetPage[TableExport]:
    """The person's own exports, latest first. One statement."""
    return keyset.page(exports_of(user), ("-id",), cursor=cursor, size=SIZE)


def export_title(found: TableExport) -> str:
    """The list in words."""
    known = LISTS.get(found.subject)
    return known.title if known else found.subject


def problems_csv(found: TableImport) -> str:
    """The problems of an import as CSV; no cell begins a formula, whatever the file held."""
    names = ("row", "column", "value", "problem", "remedy")
    lines = [csv_line(names)] + [csv_line([problem[name] for name in names]) for problem in found.problems]
    return "\N{ZERO WIDTH NO-BREAK SPACE}" + "".join(lines)


def headings_csv(sheet: Sheet) -> str:
    """An empty table with the headings that an import knows."""
    return "\N{ZERO WIDTH NO-BREAK SPACE}" + csv_line(sheet.all_names)
