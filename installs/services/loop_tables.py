"""Loop tables: computed once for each change of the record, and kept."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from django.db import connection, transaction
from django.utils import timezone

from config.accounts.models import Firm
from installs.models import Circuit, CircuitPlace, Device, InputBand, LoopTable
from installs.queries.loop_values import (
    CIRCUIT_FIELDS,
    DEVICE_FIELDS,
    PLACE_FIELDS,
    cable_spec,
    expected_values,
    resistor_values,
    to_kept,
)
from installs.queries.sheet_rows import Band, LoopSheet
from installs.rules.loop_report import NamedBoard, NamedCable
from stock.models.catalogue import Board, CableType

CHUNK = 500
# A computed value that moves by less than this does not break the series of measured values.
SAME_PERCENT = 1.0

Report = Callable[[str, int], None]


def keep_loop_tables(circuit_ids: Iterable[int]) -> int:
    """Compute and keep the tables of these circuits, within the caller's transaction if there is one.

    Used at the end of every change of a circuit. Returns how many were computed. 9 statements.
    """
    with transaction.atomic():
        tables = list(
            LoopTable.objects.select_for_update().filter(circuit_id__in=set(circuit_ids)).order_by("circuit_id")
        )
        _compute(tables)
    return len(tables)


def keep_stale_tables(report: Report = lambda part, percent: None, *, chunk: int = CHUNK) -> dict[str, int]:
    """Compute the table of every circuit whose record changed since, chunk by chunk, each a transaction.

    A run that is killed leaves the rest stale for the next; two runs at once share the work. A change that lands
    while its circuit is computed waits for the end of the chunk and makes the table stale again.
    """
    total = LoopTable.objects.filter(stale=True).count()
    done = 0
    while True:
        with transaction.atomic():
            tables = list(
                LoopTable.objects.select_for_update(skip_locked=True).filter(stale=True).order_by("circuit_id")[:chunk]
            )
            _compute(tables)
        done += len(tables)
        if len(tables) < chunk:
            return {"computed": done}
        report(f"{done} of {total} loops", min(100, 100 * done // max(total, 1)))


def _compute(tables: Sequence[LoopTable]) -> None:
    """Fill locked rows. The record is read after the lock, so a later change must find the row locked."""
    if not tables:
        return
    ids = [table.circuit_id for table in tables]
    circuits: dict[int, Any] = {row["id"]: row for row in Circuit.objects.filter(pk__in=ids).values(*CIRCUIT_FIELDS)}
    places: dict[int, list[Any]] = defaultdict(list)
    for place in (
        CircuitPlace.objects.filter(circuit_id__in=ids, device__removed_on=None)
        .order_by("circuit_id", "order").values(*PLACE_FIELDS)
    ):
        places[place["circuit_id"]].append(place)
    device_ids = {place["device_id"] for rows in places.values() for place in rows}
    devices: dict[int, Any] = {
        row["id"]: row for row in Device.objects.filter(pk__in=device_ids).values(*DEVICE_FIELDS)
    }
    bands: dict[int, list[Band]] = defaultdict(list)
    for band in InputBand.objects.filter(profile_id__in={c["profile_id"] for c in circuits.values()}):
        bands[band.profile_id].append(Band(band.state, band.low_ohm, band.high_ohm))
    cables, boards = offers()
    enough = Firm.objects.values_list("loop_margin_percent", flat=True).first()
    now, today = timezone.now(), timezone.localdate()
    for table in tables:
        circuit = circuits[table.circuit_id]
        members = places[table.circuit_id]
        sheet = expected_values(
            circuit, members, devices, bands[circuit["profile_id"]], cables=cables, boards=boards,
            enough_percent=2.0 if enough is None else float(enough),
        )
        table.values_since = _values_since(table, sheet, members, devices, today)
        _fill(table, sheet)
        table.computed_at = now
    _write(tables)


_WRITTEN = {
    "stale": "boolean", "outcome": "text", "normal_ohm": "float8", "normal_least_ohm": "float8",
    "normal_greatest_ohm": "float8", "band_low_ohm": "float8", "band_high_ohm": "float8", "least_margin_ohm": "float8",
    "least_margin_percent": "float8", "longest_cable_m": "float8", "cause": "text", "cure": "text", "table": "jsonb",
    "values_since": "date", "computed_at": "timestamptz",
}
_WRITE = f"""
    UPDATE installs_looptable t SET {", ".join(f'"{name}" = v."{name}"' for name in _WRITTEN)}
    FROM jsonb_to_recordset(%s::jsonb) AS v(id bigint, {", ".join(f'"{n}" {kind}' for n, kind in _WRITTEN.items())})
    WHERE t.id = v.id
"""  # noqa: S608 - made of the names above only


def _write(tables: Sequence[LoopTable]) -> None:
    """One statement with one value: building a bulk update of so many fields took longer than the computation."""
    rows = [{"id": table.pk} | {name: getattr(table, name) for name in _WRITTEN} for table in tables]
    with connection.cursor() as cursor:
        cursor.execute(_WRITE, [json.dumps(rows, default=_iso, allow_nan=False)])


def _iso(value: date) -> str:
    return value.isoformat()


def _fill(table: LoopTable, sheet: LoopSheet) -> None:
    table.stale = False
    table.outcome = sheet.outcome
    table.normal_ohm, table.normal_least_ohm, table.normal_greatest_ohm = sheet.normal_ohm or (None, None, None)
    table.band_low_ohm, table.band_high_ohm = sheet.normal_band_ohm or (None, None)
    table.least_margin_ohm, table.least_margin_percent = sheet.least_margin_ohm, sheet.least_margin_percent
    table.longest_cable_m = sheet.longest_cable_m
    table.cause, table.cure = sheet.cause, sheet.cure
    table.table = to_kept(sheet)


def _values_since(
    table: LoopTable,
    sheet: LoopSheet,
    places: Sequence[Mapping[str, Any]],
    devices: Mapping[int, Mapping[str, Any]],
    today: date,
) -> date | None:
    """Since when measured values belong to what is computed now: the youngest device, or the day the value moved."""
    fitted = max((devices[place["device_id"]]["fitted_on"] for place in places), default=None)
    before, now = table.normal_ohm, sheet.normal_ohm[0] if sheet.normal_ohm else None
    if table.computed_at is None:
        return fitted
    same = before == now or (
        before is not None and now is not None
        and math.isclose(before, now, rel_tol=SAME_PERCENT / 100, abs_tol=1.0)
    )
    since = table.values_since if same else today
    return max((day for day in (since, fitted) if day is not None), default=None)


def offers() -> tuple[list[NamedCable], list[NamedBoard]]:
    """Cables and boards of the catalogue that a cure may name. 2 statements."""
    cables = [
        NamedCable(row["name"], float(row["area_mm2"]), cable_spec(row))
        for row in CableType.objects.order_by("area_mm2", "id").values(
            "name", "area_mm2", "ohm_per_km_20", "temperature_coefficient_per_k", "tolerance_percent"
        )
    ]
    boards = []
    for row in Board.objects.filter(presets_values=True).order_by("id").values(
        "item__name", "presets_values", "eol_ohm", "alarm_ohm", "mask_ohm"
    ):
        values = resistor_values({"hand_wired": None} | {f"board__{name}": value for name, value in row.items()})
        boards.append(NamedBoard(row["item__name"], values))
    return cables, boards
