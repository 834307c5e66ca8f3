"""What the record's constraints mean in words."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pghistory
from django.db import IntegrityError, transaction

from config.accounts.models import User
from config.errors import Conflict

_MEANINGS: dict[str, tuple[str, str, str]] = {
    "installs_device_mark": (
        "mark", "Another device of this system has the mark {value}.", "Choose the next free mark.",
    ),
    "installs_device_serial_once": (
        "serial", "The serial {value} is recorded in another device.", "Remove it there first, or check the number.",
    ),
    "installs_serial_one_place": (
        "serial", "The ledger and the record disagree about where serial {value} is.",
        "Correct the ledger, then repeat this.",
    ),
    "installs_device_removed_later": (
        "on", "The device cannot be removed on {value}: that is before it was fitted.", "Choose a later day.",
    ),
    "installs_circuit_number": ("number", "The panel has a circuit {value} already.", "Choose a free number."),
    "installs_circuitplace_run": ("run_m", "A cable run cannot be below 0 m.", "Write metres, 0 or more."),
}


@contextmanager
def recorded(by: User, **values: object) -> Iterator[None]:
    """One transaction whose versions carry who made them; a constraint that refuses it becomes a Conflict.

    `values` are what was asked for, by field name, to be named in the refusal.
    """
    try:
        with transaction.atomic(), pghistory.context(user=by.pk):
            yield
    except IntegrityError as error:
        name = getattr(getattr(error.__cause__, "diag", None), "constraint_name", None)
        if name not in _MEANINGS:
            raise
        field, message, remedy = _MEANINGS[name]
        value = values.get(field, "")
        raise Conflict(message.format(value=value), field=field, value=value, remedy=remedy) from error
