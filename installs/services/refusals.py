"""What the record's constraints mean in words."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pghistory
from django.db import IntegrityError, connection, transaction

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
    "installs_inputband_volts": (
        "bands", "A band in volts needs the input's reference and pull-up, and must lie between 0 V and the reference.",
        "Give the input's reference voltage and pull-up resistor, and each band's lower volts below its upper ones.",
    ),
    "installs_inputband_order": (
        "bands", "A band ends where it starts or before, within the pull-up's tolerance.",
        "Make the band wider, or check the pull-up's tolerance.",
    ),
    "installs_inputband_no_overlap": (
        "bands", "Two bands of the input overlap.", "Let each band start where the one below ends, or higher.",
    ),
    "installs_inputprofile_pull_up": (
        "pull_up_ohm", "A reference voltage and a pull-up resistor go together, both above 0.",
        "Give both, or neither for an input whose bands are in ohms.",
    ),
    "installs_inputprofile_tolerance": (
        "pull_up_tolerance_percent", "The pull-up's tolerance is from 0 to below 100 %.", "Give the maker's tolerance.",
    ),
    "installs_circuitplace_run": ("run_m", "A cable run cannot be below 0 m.", "Write metres, 0 or more."),
}


def compare_bands_at_end() -> None:
    """Within a transaction: bands of an input may pass over one another while they are moved one by one."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS installs_inputband_no_overlap DEFERRED")


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
