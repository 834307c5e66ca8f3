"""Taking in files of measured values: asked for on a page, done by a worker, all rows in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.utils import timezone

from config.background import CancelAsked, alone, ask_worker, cancel, end, progress_of
from config.errors import Conflict, InvalidInput
from config.tables import MOST_BYTES, Table, read_table
from installs.models import LoopMeasurement, MeasurementImport, Site
from installs.rules import measured_rows
from installs.rules.measured_rows import MeasuredRow
from stock.rules.table_rows import Problem, day_first, shown

if TYPE_CHECKING:
    from config.accounts.models import User

CHUNK = 1000
MOST_PROBLEMS = 1000
TASK = "installs.take_in_measurements"

State = MeasurementImport.State


class _Refused(Exception):
    """Rows are bad, so that nothing may be kept; carries the counts."""

    def __init__(self, counts: dict[str, Any]) -> None:
        super().__init__()
        self.counts = counts


@dataclass
class _Findings:
    """What came of the rows so far."""

    problems: list[Problem] = field(default_factory=list)
    bad_rows: set[int] = field(default_factory=set)
    bad_columns: int = 0

    def add(self, problems: Sequence[Problem]) -> None:
        self.bad_rows.update(problem.row for problem in problems)
        self.problems += problems[: max(0, MOST_PROBLEMS - len(self.problems))]

    def columns(self, problems: Sequence[Problem]) -> None:
        self.bad_columns += len(problems)
        self.problems += problems

    @property
    def spotless(self) -> bool:
        return not self.bad_rows and not self.bad_columns


def start_import(name: str, content: bytes, *, take_good_rows: bool, by: User) -> MeasurementImport:
    """Keep the file and ask a worker to take it in. Raises InvalidInput for a file that is empty or too large."""
    if not content or len(content) > MOST_BYTES:
        raise InvalidInput(
            f"The file has {len(content):,} bytes.", field="file", value=name,
            remedy=f"Choose a file of 1 to {MOST_BYTES:,} bytes; split a larger one.",
        )
    plain = "".join(sign for sign in name if sign.isprintable()).strip()[-120:] or "unnamed"
    with transaction.atomic():
        made = MeasurementImport.objects.create(name=plain, content=content, take_good_rows=take_good_rows, by=by)
        ask_worker(TASK, made.pk)
    return made


def cancel_import(found: MeasurementImport) -> None:
    """Ask for an end: honoured before the next chunk, and nothing of the file is kept. Raises Conflict if it ended."""
    try:
        cancel(found)
    except Conflict as error:
        raise Conflict("The import has ended already.", field="import", value=found.name,
                       remedy="What was taken in stays: measured values are never deleted.") from error


def run_again(found: MeasurementImport, *, take_good_rows: bool) -> None:
    """Ask a worker once more, with the same file: after a refusal, a failure, or a worker that never came back.

    Raises Conflict if the file was taken in.
    """
    with transaction.atomic():
        row = MeasurementImport.objects.select_for_update().defer("content").get(pk=found.pk)
        if row.state == State.DONE:
            raise Conflict("The file was taken in.", field="import", value=row.name,
                           remedy="Send the file anew if it has changed; rows recorded already are left as they are.")
        row.take_good_rows = take_good_rows
        row.cancel_asked = False
        if row.state != State.RUNNING:
            row.state, row.progress, row.finished_at = State.WAITING, 0, None
            row.rows = row.taken = row.known = row.bad = 0
            row.problems = []
        row.save(update_fields=["take_good_rows", "cancel_asked", "state", "progress", "finished_at", "rows", "taken",
                                "known", "bad", "problems"])
        ask_worker(TASK, row.pk)


def take_in(import_id: int, *, today: date | None = None, wait_s: int = 10) -> str:
    """Take the file in and return the state it ends in; a worker's task calls this.

    Every row is checked and every problem kept (the first 1,000 in words). The values are written in one transaction
    together with the end of the import, so a worker killed half-way leaves nothing, and a second run comes to the same
    end. Progress goes through a connection of its own, so that it shows meanwhile. Only one worker takes in a file;
    another waits up to `wait_s` seconds for it and then leaves it alone. A repeat of an import that has ended
    changes nothing.
    """
    with alone(MeasurementImport.LOCK, import_id, wait_s=wait_s) as mine:
        found = MeasurementImport.objects.select_related("by").filter(pk=import_id).first() if mine else None
        if found is None or found.state not in MeasurementImport.OPEN:
            return found.state if found is not None else ""
        try:
            with transaction.atomic():
                return _take_in(found, today or timezone.localdate())
        except CancelAsked:
            return end(found, State.CANCELLED)
        except _Refused as refused:
            return end(found, State.REFUSED, **refused.counts)
        except InvalidInput as error:
            problem = Problem(1, error.field, shown(error.value), error.message, error.remedy)
            return end(found, State.REFUSED, problems=[asdict(problem)], bad=0)
        except Exception:
            problem = Problem(0, "", "", "the service stopped with an error", "Run it again; nothing was taken in.")
            end(found, State.FAILED, problems=[asdict(problem)])
            raise


def _take_in(found: MeasurementImport, today: date) -> str:
    table = read_table(bytes(found.content))
    columns, hopeless, unknown = measured_rows.columns_of(table.headings)
    findings = _Findings()
    findings.columns([*hopeless, *unknown])
    if hopeless:
        return end(found, State.REFUSED, rows=len(table.rows), problems=_kept(findings), bad=0)
    at = columns["date"]
    days_first = day_first(cells[at] for _, cells in table.rows if at < len(cells))
    seen: set[Key] = set()
    with progress_of(found) as report:
        for start in range(0, len(table.rows), CHUNK):
            report(start * 100 // len(table.rows))
            good = _read(table, start, columns, today, days_first, findings)
            new = _new(_resolve(good, found.by, findings), seen)
            if findings.spotless or found.take_good_rows:
                _write(found, new)
        report(99)
    # From here on a wish to cancel waits for the end.
    if MeasurementImport.objects.select_for_update().values_list("cancel_asked", flat=True).get(pk=found.pk):
        raise CancelAsked
    taken = LoopMeasurement.objects.filter(imported=found).count()
    rows, bad = len(table.rows), len(findings.bad_rows)
    counts = {"rows": rows, "bad": bad, "problems": _kept(findings)}
    if (not findings.spotless and not found.take_good_rows) or bad == rows:
        raise _Refused(counts)
    return end(found, State.DONE, taken=taken, known=rows - bad - taken, content=b"", **counts)


def _read(
    table: Table, start: int, columns: Mapping[str, int], today: date, day_first: bool | None, findings: _Findings
) -> list[MeasuredRow]:
    """The rows of one chunk that read well."""
    good = []
    for number, cells in table.rows[start : start + CHUNK]:
        more = [cell for cell in cells[len(table.headings) :] if cell not in (None, "")]
        if more:
            findings.add([Problem(
                number, "", shown(more[0]), "the row has more values than there are headings",
                "Put a value with the parting sign in it, such as 2,2 kΩ, in quotation marks.",
            )])
            continue
        named = {name: cells[index] for name, index in columns.items() if index < len(cells)}
        row, problems = measured_rows.read_row(number, named, today=today, column_day_first=day_first)
        findings.add(problems)
        if row is not None:
            good.append(row)
    return good


def _resolve(rows: Sequence[MeasuredRow], by: User, findings: _Findings) -> list[tuple[MeasuredRow, int]]:
    """The rows with their circuits' keys; one statement. A site that the person may not open is none at all."""
    sites: dict[str, list[tuple[str, str, str, int, int]]] = {}
    systems: dict[str, set[str]] = {}
    found = Site.objects.visible_to(by).filter(reference__in={row.site for row in rows}).values_list(
        "reference", "systems__name", "systems__panel__place", "systems__panel__serial_number",
        "systems__panel__circuits__number", "systems__panel__circuits__id", "systems__id",
    )
    for reference, system, place, serial, number, key, system_id in found:
        known = sites.setdefault(reference, [])
        if system_id is not None:
            systems.setdefault(reference, set()).add(str(system))
        if key is not None:
            known.append((system, place or "", serial or "", number, key))
    resolved = []
    for row in rows:
        if row.site not in sites:
            findings.add([Problem(row.row, "site", row.site, "no such site",
                                  "Give the reference of a site that you may open.")])
            continue
        fitting = [
            key for system, place, serial, number, key in sites[row.site]
            if number == row.circuit
            and (not row.system or row.system.casefold() == system.casefold())
            and (not row.panel or row.panel.casefold() in (place.casefold(), serial.casefold()))
        ]
        if len(fitting) == 1:
            resolved.append((row, fitting[0]))
        elif fitting:
            names = ", ".join(sorted(systems[row.site]))
            findings.add([Problem(row.row, "circuit", str(row.circuit), f"{len(fitting)} panels have it",
                                  f"Say in a column 'system' or 'panel' which; systems here: {names}.")])
        else:
            findings.add([Problem(row.row, "circuit", str(row.circuit), "the site has no such circuit",
                                  "Give the number as the site sheet shows it; check system and panel if given.")])
    return resolved


Key = tuple[int, date, str, bool, float | None]


def _key(row: MeasuredRow, circuit_id: int) -> Key:
    return circuit_id, row.day, row.place, row.at_rest, row.ohm


def _new(rows: Sequence[tuple[MeasuredRow, int]], seen: set[Key]) -> list[tuple[MeasuredRow, int]]:
    """The rows that are not recorded yet, from whatever source, nor came earlier in the file; one statement."""
    recorded = set(
        LoopMeasurement.objects.filter(
            circuit__in={key for _, key in rows}, measured_on__in={row.day for row, _ in rows}
        ).values_list("circuit_id", "measured_on", "place", "at_rest", "ohm")
    ) if rows else set()
    new = []
    for row, circuit_id in rows:
        key = _key(row, circuit_id)
        if key not in seen and key not in recorded:
            new.append((row, circuit_id))
        seen.add(key)
    return new


def _write(found: MeasurementImport, rows: Sequence[tuple[MeasuredRow, int]]) -> None:
    """One statement. Another import may write the same meanwhile: its rows then are the known ones."""
    LoopMeasurement.objects.bulk_create(
        [
            LoopMeasurement(
                circuit_id=circuit_id, measured_on=row.day, ohm=row.ohm, place=row.place, at_rest=row.at_rest,
                note=row.note, source=LoopMeasurement.Source.IMPORT, imported=found, by=found.by,
            )
            for row, circuit_id in rows
        ],
        ignore_conflicts=True,
    )


def _kept(findings: _Findings) -> list[dict[str, Any]]:
    return [asdict(problem) for problem in findings.problems]
