"""Taking lists out as files: asked for on a page, written by a worker, with the name of whoever took them."""

from __future__ import annotations

import json
from collections.abc import Mapping

from django.core.exceptions import FieldError
from django.db import transaction
from django.utils import timezone

from config import background
from config.accounts.models import User
from config.background import CancelAsked
from config.errors import InvalidInput
from config.tables import Workbook, csv_line
from stock.models.files import TableExport
from stock.queries.export_lists import LISTS

TASK = "stock.write_export"
CHUNK = 2000
MOST_ROWS = 1_000_000  # a sheet of a workbook holds no more
MOST_FILTERS = 1000  # characters
Format = TableExport.Format
State = TableExport.State


def start_export(subject: str, filters: Mapping[str, str], form: str, *, by: User) -> TableExport:
    """Ask a worker for a list as it is filtered. The row stays as the record of who took what.

    Raises InvalidInput for a list that there is not or that the person may not take out, or another format.
    """
    found = LISTS.get(subject)
    if found is None or not by.has_right(found.right):
        raise InvalidInput("There is no such list for you.", field="subject", value=subject,
                           remedy="Choose one of the list.")
    if form not in Format.values:
        raise InvalidInput("This kind of file is not written.", field="format", value=form,
                           remedy=f"Choose one of: {', '.join(Format.values)}.")
    kept = {name: filters[name] for name in found.filters if filters.get(name)}
    if len(json.dumps(kept)) > MOST_FILTERS:
        raise InvalidInput("The filters are too long.", field="filters", value=len(json.dumps(kept)),
                           remedy="Filter by fewer or shorter words.")
    with transaction.atomic():
        made = TableExport.objects.create(subject=subject, filters=kept, format=form, by=by)
        background.ask_worker(TASK, made.pk)
    return made


def write_export(export_id: int, *, wait_s: int = 10) -> str:
    """Write the file; return the state it ends in. A worker's task calls this; safe to kill and to repeat."""
    with background.alone(TableExport.LOCK, export_id, wait_s=wait_s) as mine:
        found = TableExport.objects.select_related("by").filter(pk=export_id).first() if mine else None
        if found is None or found.state not in TableExport.OPEN:
            return found.state if found is not None else ""
        try:
            with transaction.atomic():
                return _write(found)
        except CancelAsked:
            return background.end(found, State.CANCELLED)
        except (InvalidInput, FieldError, ValueError) as error:
            said = error.message if isinstance(error, InvalidInput) else "The filters cannot be used."
            return background.end(found, State.REFUSED, error=said[:300])
        except Exception:
            background.end(found, State.FAILED, error="The service stopped with an error; ask for the list again.")
            raise


def _write(found: TableExport) -> str:
    wanted = LISTS[found.subject]
    if not found.by.has_right(wanted.right):
        raise InvalidInput("Your role does not take out this list any more.", field="subject", value=found.subject,
                           remedy="Ask somebody who may.")
    rows = wanted.rows(found.by, found.filters)
    count = rows.count()
    if count > MOST_ROWS:
        raise InvalidInput(f"The list has {count:,} rows; a file holds {MOST_ROWS:,}.", field="filters", value=count,
                           remedy="Filter it.")
    book = Workbook(wanted.title) if found.format == Format.XLSX else None
    lines: list[str] = []
    written = 0

    def add(cells: tuple[object, ...]) -> None:
        if book is None:
            lines.append(csv_line(cells))
        else:
            book.add(cells)

    add(wanted.headings)
    with background.progress_of(found) as report:
        report(0)
        for row in rows.iterator(chunk_size=CHUNK):
            add(wanted.line(row))
            written += 1
            if written % CHUNK == 0:
                report(written * 100 // max(count, written))
        report(99)
    # Who took it stands in the file; an import passes over such a line.
    add((_foot(found),))
    content = book.content() if book else ("\N{ZERO WIDTH NO-BREAK SPACE}" + "".join(lines)).encode()
    return background.end(found, State.DONE, content=content, rows=written)


def _foot(found: TableExport) -> str:
    when = timezone.localtime(found.at)
    filters = "".join(f", {name} {value}" for name, value in found.filters.items())
    title = LISTS[found.subject].title
    return f"# Export {found.pk}: {title}{filters}; taken by {found.by.name} on {when:%Y-%m-%d %H:%M}"


def cancel_export(found: TableExport) -> None:
    """Give it up before its next rows. Raises Conflict if it ended already."""
    background.cancel(found)
