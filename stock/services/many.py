"""Many postings in one request: what a device kept while it had no connection, or what another program sends."""

from __future__ import annotations

from collections.abc import Sequence

from django.db import IntegrityError, connection, transaction

from config.accounts.models import User
from config.again import again
from config.errors import InvalidInput, ZonewrightError
from stock.models import Movement, Serial
from stock.services.ledger import asked_of, check_typed, check_values
from stock.services.refusals import explained

MOST = 500

_LOCK_BALANCES = """
    SELECT b.id FROM stock_balance b
    WHERE (b.item_id, b.location_id) IN (SELECT * FROM unnest(%s::bigint[], %s::bigint[]))
    ORDER BY b.item_id, b.location_id FOR NO KEY UPDATE
"""


@again
@transaction.atomic
def record_movements(movements: Sequence[Movement], *, by: User) -> list[Movement]:
    """Post movements that are not saved yet, in the order given: all of them or none, in one INSERT.

    They are a person's own, as `record_movement` takes them: no serials to or from sites, nothing on the way, no
    corrections; a serial at most once, since each of its moves stands on the one before. Raises InvalidInput or
    Conflict of the first that cannot be posted; `field` names it, counted from 0: "movements.3.quantity".
    """
    if not 1 <= len(movements) <= MOST:
        raise InvalidInput(f"{len(movements)} movements cannot be posted at once.", field="movements",
                           value=len(movements), remedy=f"Send 1 to {MOST} in a request.")
    seen: set[int] = set()
    for number, movement in enumerate(movements):
        movement.posted_by = by
        try:
            check_typed(movement.kind, movement.source, movement.destination, movement.serial)
            check_values(movement)
            if movement.serial_id in seen:
                raise InvalidInput("A serial moves once in a request.", field="serial", value=movement.serial,
                                   remedy="Send its next move in another request.")
        except ZonewrightError as error:
            raise _named(error, number) from None
        if movement.serial_id is not None:
            seen.add(movement.serial_id)
    _lock(movements)
    try:
        with transaction.atomic():
            return list(Movement.objects.bulk_create(movements))
    except IntegrityError:
        _raise_first(movements)
        raise


def _lock(movements: Sequence[Movement]) -> None:
    """The ledger's order of locks: serials by key, then balances by item and location."""
    serials = sorted({movement.serial_id for movement in movements if movement.serial_id is not None})
    if serials:
        list(Serial.objects.select_for_update(no_key=True).filter(pk__in=serials).order_by("pk").values("pk"))
    pairs = sorted(
        {(movement.item_id, place) for movement in movements for place in (movement.source_id, movement.destination_id)}
    )
    with connection.cursor() as cursor:
        cursor.execute(_LOCK_BALANCES, [[item for item, _ in pairs], [place for _, place in pairs]])


def _raise_first(movements: Sequence[Movement]) -> None:
    """Post them one by one, all undone by the caller's transaction, to name the first that is refused."""
    for number, movement in enumerate(movements):
        movement.pk = None
        try:
            with explained(asked_of(movement)):
                movement.save(force_insert=True)
        except ZonewrightError as error:
            raise _named(error, number) from None


def _named(error: ZonewrightError, number: int) -> ZonewrightError:
    error.field = f"movements.{number}.{error.field}" if error.field else f"movements.{number}"
    error.message = f"Movement {number + 1}: {error.message}"
    error.args = (f"{error.message} {error.remedy}".strip(),)
    return error
