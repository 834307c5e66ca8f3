"""Measured values: the verdict on one while it is typed, imports and what came of them."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404

from config import keyset
from config.keyset import KeysetPage
from config.tables import spreadsheet_safe
from installs.models import LoopMeasurement, LoopTable, MeasurementImport
from installs.queries import scope
from installs.rules.errors import RuleError
from installs.rules.measured_rows import measured
from installs.rules.resistors import spoken_ohm

if TYPE_CHECKING:
    from config.accounts.models import User

STATE_TONES = {"done": "ok", "refused": "bad", "failed": "bad", "cancelled": "warn"}


@dataclass(frozen=True)
class Reads:
    """What a measured value says of its circuit. `tone` is colour only; `find_cause` asks for a link on."""

    circuit_id: int
    site_id: int
    measured: str  # as typed
    words: str
    tone: str
    find_cause: bool = False
    stale: bool = False


@dataclass(frozen=True)
class ImportRow:
    """One import, as lists and its own page show it."""

    pk: int
    name: str
    state: str
    state_words: str
    tone: str
    open: bool
    progress: int
    rows: int
    taken: int
    known: int
    bad: int
    take_good_rows: bool
    cancel_asked: bool
    at: datetime
    finished_at: datetime | None
    problems: tuple[dict[str, str], ...] = ()

    @property
    def may_run_again(self) -> bool:
        return self.state != MeasurementImport.State.DONE


def span_words(least_ohm: float, greatest_ohm: float) -> str:
    """'4.66 to 4.81 kΩ', the unit once where both have the same."""
    least, greatest = spoken_ohm(least_ohm), spoken_ohm(greatest_ohm)
    number, _, unit = least.partition(" ")
    return f"{number} to {greatest}" if unit == greatest.partition(" ")[2] else f"{least} to {greatest}"


def band_words(low_ohm: float, high_ohm: float | None) -> str:
    """The panel's band: '2 to 7 kΩ', or 'from 7 kΩ up'."""
    return f"from {spoken_ohm(low_ohm)} up" if high_ohm is None else span_words(low_ohm, high_ohm)


def circuit_reads(user: User, pk: int, text: str) -> Reads:
    """What the value as typed says of the circuit; 404 for one that the person may not see. 1 statement."""
    circuit = get_object_or_404(
        scope.circuits(user).select_related("loop_table", "panel__system"), pk=pk
    )
    table: LoopTable | None = getattr(circuit, "loop_table", None)
    site_id = circuit.panel.system.site_id

    def says(words: str, tone: str, *, find_cause: bool = False) -> Reads:
        return Reads(circuit_id=pk, site_id=site_id, measured=text, words=words, tone=tone, find_cause=find_cause,
                     stale=table is not None and table.stale)

    if not text.strip():
        return says("", "")
    try:
        ohm = measured(text)
    except RuleError as error:
        return says(f"'{text[:40]}' {error.message}. {error.remedy}", "error")
    if ohm is None:
        return says("An open loop has no resistance: leave the field empty, choose 'failed', and say so in the note.",
                    "error")
    if table is None or table.computed_at is None or table.normal_ohm is None:
        return says("Nothing is computed for this circuit yet, so nothing says what to expect.", "info")
    assert table.normal_least_ohm is not None
    least = table.normal_least_ohm
    greatest = table.normal_ohm if table.normal_greatest_ohm is None else table.normal_greatest_ohm
    expected = f"{span_words(least, greatest)} expected"
    if least <= ohm <= greatest:
        return says(f"Reads normal: {expected}", "ok")
    low, high = table.band_low_ohm, table.band_high_ohm
    if low is None:
        return says(f"Outside: {expected}", "warn", find_cause=True)
    band = band_words(low, high)
    if low <= ohm and (high is None or ohm < high):
        return says(f"Outside: {expected}; the panel reads normal at {band}", "warn", find_cause=True)
    return says(f"Outside: {expected}; the panel reads normal only at {band}", "warn", find_cause=True)


def measurements_of(user: User) -> QuerySet[LoopMeasurement]:
    """Measured values of the sites that the person may open."""
    return LoopMeasurement.objects.filter(circuit__in=scope.circuits(user).values("pk"))


def imports_of(user: User) -> QuerySet[MeasurementImport]:
    """The person's own imports, without their files."""
    return MeasurementImport.objects.filter(by=user).defer("content")


def import_list(user: User, *, cursor: str | None, size: int) -> KeysetPage[ImportRow]:
    """The person's own imports, latest first. 1 statement."""
    page = keyset.page(imports_of(user).defer("content", "problems"), ("-id",), cursor=cursor, size=size)
    return KeysetPage([_row(found) for found in page.rows], page.next_cursor, page.first)


def one_import(user: User, pk: int) -> ImportRow:
    """One of the person's own imports with its problems; 404 for another's. 1 statement."""
    found = get_object_or_404(imports_of(user), pk=pk)
    return _row(found, tuple(found.problems))


def problems_csv(row: ImportRow) -> str:
    """The problems of an import as CSV; no cell begins a formula, whatever the file held."""
    out = io.StringIO()
    lines = csv.writer(out)
    lines.writerow(["Row", "Column", "Value", "Problem", "What to do"])
    for problem in row.problems:
        lines.writerow([
            spreadsheet_safe(str(problem[name])) for name in ("row", "column", "value", "problem", "remedy")
        ])
    return out.getvalue()


def _state_words(found: MeasurementImport) -> str:
    return "Taken in" if found.state == MeasurementImport.State.DONE else found.get_state_display()


def _row(found: MeasurementImport, problems: tuple[dict[str, str], ...] = ()) -> ImportRow:
    return ImportRow(
        pk=found.pk, name=found.name, state=found.state, state_words=_state_words(found),
        tone=STATE_TONES.get(found.state, "info"), open=found.state in MeasurementImport.OPEN,
        progress=found.progress, rows=found.rows, taken=found.taken, known=found.known, bad=found.bad,
        take_good_rows=found.take_good_rows, cancel_asked=found.cancel_asked, at=found.at,
        finished_at=found.finished_at, problems=problems,
    )
