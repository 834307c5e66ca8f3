"""Writing down a loop resistance as measured."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils import timezone

from config.errors import InvalidInput
from config.idempotency import answered, claim
from installs.models import Circuit, LoopMeasurement
from installs.rules.measured_rows import GREATEST_OHM, LONGEST_NOTE
from stock.rules.table_rows import EARLIEST

if TYPE_CHECKING:
    from config.accounts.models import User


def keep_measurement(
    circuit: Circuit, *, ohm: float | None, measured_on: date, by: User,
    place: str = LoopMeasurement.Place.PANEL, at_rest: bool = True, note: str = "", key: str | None = None,
) -> LoopMeasurement:
    """Keep one measured value; `ohm` None is an open circuit. It is never changed afterwards.

    With a `key`, a second press of a form's button gives the measurement of the first. Raises InvalidInput for a
    value, day or place that cannot be, KeyReused when the key came with other content.
    """
    note = note.strip()
    _check(ohm, measured_on, place, note)
    with transaction.atomic():
        row = None
        if key is not None:
            row, fresh = claim(
                key, space="measurement:", by=by, content=[circuit.pk, ohm, measured_on, place, at_rest, note],
                field="token", said="This form was sent already with another measurement.",
                remedy="Open the circuit again and fill in a fresh form.",
            )
            if not fresh:
                assert row.answer is not None
                return LoopMeasurement.objects.get(pk=row.answer["measurement"])
        kept = LoopMeasurement.objects.create(
            circuit=circuit, measured_on=measured_on, ohm=ohm, place=place, at_rest=at_rest, note=note,
            source=LoopMeasurement.Source.BY_HAND, by=by,
        )
        if row is not None:
            answered(row, 201, {"measurement": kept.pk})
    return kept


def _check(ohm: float | None, measured_on: date, place: str, note: str) -> None:
    if ohm is not None and (math.isnan(ohm) or not 0 <= ohm <= GREATEST_OHM):
        raise InvalidInput("A loop resistance is a number of ohms from 0 to 100 million.", field="measured", value=ohm,
                           remedy="Write what the meter showed, or 'open' for an open circuit.")
    if not EARLIEST <= measured_on <= timezone.localdate():
        raise InvalidInput(f"{measured_on:%d.%m.%Y} is in the future or before 1980.", field="measured_on",
                           value=measured_on.isoformat(), remedy="Give the day on which it was measured.")
    if place not in LoopMeasurement.Place.values:
        raise InvalidInput("A loop is measured at the panel or at the far end.", field="place", value=place,
                           remedy=f"Use one of: {', '.join(LoopMeasurement.Place.values)}.")
    if len(note) > LONGEST_NOTE:
        raise InvalidInput(f"The note has {len(note)} characters.", field="note", value=note[:40],
                           remedy=f"Shorten it to {LONGEST_NOTE}.")
