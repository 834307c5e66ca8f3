"""Taking in tables of the stores: looked over first, with everything that would change; taken in when a person says so.

Looking over writes the same records as taking in and undoes them, so the preview is what the database itself would
accept. Both are one transaction with their end state: a worker killed half-way leaves nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, cast

from django.db import DataError, IntegrityError, models, transaction
from django.utils import timezone
from django.utils.text import slugify

from config import background
from config.accounts.models import User
from config.background import CancelAsked
from config.errors import Conflict, InvalidInput
from config.tables import MOST_BYTES, Table, read_table
from stock.models import Location, Supplier, SupplierItem
from stock.models.files import TableImport
from stock.queries.table_files import IMPORT_RIGHTS
from stock.rules import table_rows
from stock.rules.import_columns import SHEETS, Sheet, doubled, read_sheet_row
from stock.rules.table_rows import Problem, shown
from stock.services.import_subjects import JUDGES, Change

TASK = "stock.take_in_table"
CHUNK = 1000
MOST_PROBLEMS = 1000
MOST_SHOWN = 200

State = TableImport.State


class _Refused(Exception):
    """Nothing may be kept; carries what is to be said."""

    def __init__(self, state: TableImport.State, values: dict[str, Any]) -> None:
        super().__init__()
        self.state, self.values = state, values


@dataclass
class _Findings:
    problems: list[Problem] = field(default_factory=list)
    bad_rows: set[int] = field(default_factory=set)
    bad_columns: int = 0
    preview: list[dict[str, Any]] = field(default_factory=list)
    added: int = 0
    changed: int = 0
    unchanged: int = 0

    def add(self, problems: Sequence[Problem]) -> None:
        self.bad_rows.update(problem.row for problem in problems)
        self.problems += problems[: max(0, MOST_PROBLEMS - len(self.problems))]

    def count(self, changes: Iterable[Change]) -> None:
        for change in changes:
            self.added += change.new
            self.changed += not change.new and change.does_something
            self.unchanged += not change.does_something
            if change.does_something and len(self.preview) < MOST_SHOWN:
                self.preview.append({"row": change.row, "label": change.label, "new": change.new,
                                     "fields": [[name, *pair] for name, pair in change.fields.items()]})

    def values(self, rows: int) -> dict[str, Any]:
        return {
            "rows": rows, "added": self.added, "changed": self.changed, "unchanged": self.unchanged,
            "bad": len(self.bad_rows), "problems": [asdict(problem) for problem in self.problems],
            "preview": self.preview,
        }


def start_import(subject: str, name: str, content: bytes, *, by: User) -> TableImport:
    """Keep the file and ask a worker to look it over. Raises InvalidInput for a file that is empty or too large, or a
    kind of table that the person may not take in."""
    right = IMPORT_RIGHTS.get(subject)
    if right is None or not by.has_right(right):
        raise InvalidInput("This kind of table is not taken in, or not by you.", field="subject", value=subject,
                           remedy="Choose one of the list.")
    if not content or len(content) > MOST_BYTES:
        raise InvalidInput(f"The file has {len(content):,} bytes.", field="file", value=name,
                           remedy=f"Choose a file of 1 to {MOST_BYTES:,} bytes; split a larger one.")
    plain = "".join(sign for sign in name if sign.isprintable()).strip()[-120:] or "unnamed"
    with transaction.atomic():
        made = TableImport.objects.create(subject=subject, name=plain, content=content, by=by)
        background.ask_worker(TASK, made.pk)
    return made


def confirm_import(found: TableImport, *, take_good_rows: bool) -> None:
    """Ask a worker to take in what was looked over. Raises Conflict when it was not looked over, or has bad rows and
    nobody said to take the good ones."""
    with transaction.atomic():
        row = TableImport.objects.select_for_update().defer("content").get(pk=found.pk)
        if row.state != State.CHECKED:
            raise Conflict("Only a file that was looked over can be taken in.", field="import", value=row.name,
                           remedy="Read its page again.")
        if row.problems and not take_good_rows:
            raise Conflict(f"{row.bad or 'Some'} of its rows or columns are bad.", field="take_good_rows", value="no",
                           remedy="Mend the file and send it again, or say that the good rows are to be taken.")
        row.state, row.confirmed, row.take_good_rows, row.progress = State.WAITING, True, take_good_rows, 0
        row.save(update_fields=["state", "confirmed", "take_good_rows", "progress"])
        background.ask_worker(TASK, row.pk)


def cancel_import(found: TableImport) -> None:
    """Give it up: at once when it only waits for a yes, else before its next rows; nothing of the file is kept.

    Raises Conflict if it ended already.
    """
    done = TableImport.objects.filter(pk=found.pk, state=State.CHECKED).update(
        state=State.CANCELLED, finished_at=timezone.now(), content=b""
    )
    if not done:
        background.cancel(found)


def run_again(found: TableImport) -> None:
    """Look the same file over once more: after a refusal, a failure, or a worker that never came back. Raises
    Conflict if it was taken in or given up."""
    with transaction.atomic():
        row = TableImport.objects.select_for_update().get(pk=found.pk)
        if row.state in {State.DONE, State.CANCELLED} and not row.content:
            raise Conflict(f"The file was {row.get_state_display().lower()} and is no longer kept.", field="import",
                           value=row.name, remedy="Send it again.")
        row.cancel_asked = False
        if row.state != State.RUNNING:
            row.state, row.confirmed, row.progress, row.finished_at = State.WAITING, False, 0, None
            row.problems, row.preview, row.error = [], [], ""
        row.save(update_fields=["cancel_asked", "state", "confirmed", "progress", "finished_at", "problems", "preview",
                                "error"])
        background.ask_worker(TASK, row.pk)


def take_in(import_id: int, *, today: date | None = None, wait_s: int = 10) -> str:
    """Look the file over, or take it in if a person has confirmed it; return the state it ends in. Safe to repeat.

    A worker's task calls this. Only one worker at a time has a file; another waits up to `wait_s` seconds and then
    leaves it alone.
    """
    with background.alone(TableImport.LOCK, import_id, wait_s=wait_s) as mine:
        found = TableImport.objects.select_related("by").filter(pk=import_id).first() if mine else None
        if found is None or found.state not in TableImport.OPEN:
            return found.state if found is not None else ""
        try:
            with transaction.atomic():
                return _take_in(found, today or timezone.localdate())
        except CancelAsked:
            return background.end(found, State.CANCELLED)
        except _Refused as refused:
            return background.end(found, refused.state, **refused.values)
        except InvalidInput as error:
            problem = Problem(1, error.field, shown(error.value), error.message, error.remedy)
            return background.end(found, State.REFUSED, problems=[asdict(problem)])
        except Exception:
            background.end(found, State.FAILED, error="The service stopped with an error; nothing was taken in.")
            raise


def _take_in(found: TableImport, today: date) -> str:
    sheet, judge = SHEETS[found.subject], JUDGES[found.subject]
    if not found.by.has_right(IMPORT_RIGHTS[found.subject]):
        raise InvalidInput("Your role does not take in such tables any more.", field="subject", value=found.subject,
                           remedy="Ask somebody who may.")
    table = read_table(bytes(found.content))
    columns, hopeless, unknown = table_rows.columns_of(
        table.headings, names=sheet.names, required=sheet.required, known=sheet.all_names
    )
    findings = _Findings(problems=[*hopeless, *unknown], bad_columns=len(hopeless) + len(unknown))
    count = len(table.rows)
    if hopeless:
        raise _Refused(State.REFUSED, findings.values(count))
    days_first = {
        column.name: table_rows.day_first(
            cells[columns[column.name]] for _, cells in table.rows if columns[column.name] < len(cells)
        )
        for column in sheet.columns if column.kind in {"day", "week"} and column.name in columns
    }
    seen: dict[tuple[Any, ...], int] = {}
    with background.progress_of(found) as report:
        for start in range(0, count, CHUNK):
            report(start * 100 // count)
            rows = _read(table, start, columns, sheet, today, days_first, findings)
            twice = doubled(rows, sheet, seen)
            findings.add(twice)
            again = {problem.row for problem in twice}
            changes, problems = judge([row for row in rows if row[0] not in again], found.by)
            findings.add(problems)
            changes, refused = write(changes)
            findings.add(refused)
            findings.count(changes)
        report(99)
    if TableImport.objects.select_for_update().values_list("cancel_asked", flat=True).get(pk=found.pk):
        raise CancelAsked
    values = findings.values(count)
    if len(findings.bad_rows) == count:
        raise _Refused(State.REFUSED, values)
    if not found.confirmed:
        raise _Refused(State.CHECKED, values)
    if findings.problems and not found.take_good_rows:
        # The world has moved since it was looked over.
        raise _Refused(State.CHECKED, values | {"confirmed": False})
    return background.end(found, State.DONE, content=b"", **values)


def _read(
    table: Table, start: int, columns: dict[str, int], sheet: Sheet, today: date,
    days_first: dict[str, bool | None], findings: _Findings,
) -> list[tuple[int, dict[str, Any]]]:
    """The rows of one chunk that read well."""
    good = []
    for number, cells in table.rows[start : start + CHUNK]:
        more = [cell for cell in cells[len(table.headings) :] if cell not in (None, "")]
        if more:
            findings.add([Problem(number, "", shown(more[0]), "the row has more values than there are headings",
                                  "Put a value with the parting sign in it in quotation marks.")])
            continue
        named = {name: cells[index] for name, index in columns.items() if index < len(cells)}
        values, problems = read_sheet_row(number, named, sheet, today=today, days_first=days_first)
        findings.add(problems)
        if values is not None:
            good.append((number, values))
    return good


def write(changes: Sequence[Change]) -> tuple[list[Change], list[Problem]]:
    """Write all of them in few statements; where the database refuses, one by one, so that the bad rows are named.

    Within the caller's transaction. Returns what was written (or needed no writing) and the problems.
    """
    wanted = [change for change in changes if change.does_something]
    try:
        with transaction.atomic():
            _write(wanted)
    except (IntegrityError, DataError):
        pass
    else:
        return list(changes), []
    written, problems = [change for change in changes if not change.does_something], []
    for change in wanted:
        if change.new:
            change.record.pk = None
        try:
            with transaction.atomic():
                _write([change])
        except (IntegrityError, DataError, ValueError) as error:
            name = getattr(getattr(error.__cause__, "diag", None), "constraint_name", None) or ""
            problems.append(Problem(
                change.row, "", change.label, _WORDS.get(name, "the database does not take this row"),
                "Compare it with the list of columns, and with what is recorded already.",
            ))
        else:
            written.append(change)
    return written, problems


_WORDS = {
    "stock_supplieritem_preferred": "another supplier of the file is preferred for this item",
    "stock_variant_supply_range": "the least supply voltage is not below the greatest",
    "stock_variant_currents": "the current at rest is above the greatest current",
    "stock_variant_mask_output": "a variant with anti-mask needs a mask output",
    "stock_item_tracking_fixed": "the item has movements, so how it is tracked is fixed",
}


def _write(changes: Sequence[Change]) -> None:
    """Suppliers first, since what they sell points at them."""
    by_model: dict[type[models.Model], list[Change]] = {}
    for change in changes:
        by_model.setdefault(type(change.record), []).append(change)
    for model in sorted(by_model, key=lambda found: found is not Supplier):
        own = by_model[model]
        new = [change.record for change in own if change.new]
        for record in new:
            if isinstance(record, Supplier):
                record.location = _place_of(record)
        if model is SupplierItem:
            _step_back([cast("SupplierItem", change.record) for change in own if "preferred" in change.names])
        for change in own:
            if isinstance(change.record, SupplierItem) and change.of is not None:
                change.record.supplier = cast("Supplier", change.of.record)
        model._default_manager.bulk_create(new, batch_size=CHUNK)
        names = sorted({name for change in own if not change.new for name in change.names})
        if names:
            model._default_manager.bulk_update(
                [change.record for change in own if not change.new], names, batch_size=CHUNK
            )


def _place_of(supplier: Supplier) -> Location:
    """The place that stands for a new supplier in the ledger."""
    code = slugify(supplier.name)[:24] or "supplier"
    taken = set(Location.objects.filter(code__startswith=code).values_list("code", flat=True))
    number = 2
    free = code
    while free in taken:
        free, number = f"{code}-{number}", number + 1
    return Location.objects.create(code=free, name=supplier.name, kind=Location.Kind.SUPPLIER)


def _step_back(offers: Sequence[SupplierItem]) -> None:
    """Who was preferred before gives way to whom the file prefers."""
    preferred = {offer.item_id: offer.pk for offer in offers if offer.preferred}
    if preferred:
        SupplierItem.objects.filter(item__in=preferred, preferred=True).exclude(
            pk__in=[pk for pk in preferred.values() if pk]
        ).update(preferred=False)
