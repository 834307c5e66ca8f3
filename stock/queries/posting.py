"""What a posting needs to know before it is posted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import connection
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right, Role
from config.errors import InvalidInput
from config.records import columns, record
from stock.models import Item, Location, Movement, Serial

_ENDS = (
    f"SELECT {columns(Item, 'i')}, {columns(Location, 's')}, {columns(Location, 'd')} "  # noqa: S608 - from the models
    "FROM stock_item i, stock_location s, stock_location d WHERE i.id = %s AND s.id = %s AND d.id = %s"
)


def ends_of_posting(user: User, *, item: int, source: int, destination: int) -> tuple[Item, Location, Location] | None:
    """The item and both places of a posting; None unless all are there and the person sees both places. One
    statement."""
    with connection.cursor() as cursor:
        cursor.execute(_ENDS, [item, source, destination])
        row = cursor.fetchone()
    if row is None:
        return None
    moved, next_column = record(Item, row)
    start, next_column = record(Location, row, next_column)
    end, _ = record(Location, row, next_column)
    return (moved, start, end) if sees_place(user, start) and sees_place(user, end) else None


def sees_place(user: User, place: Location) -> bool:
    """What Location.objects.visible_to says, of a place that is loaded."""
    if not user.has_right(Right.SEE_STOCK):
        return False
    if user.branch_id is not None and place.branch_id not in {user.branch_id, None}:
        return False
    return user.role != Role.ENGINEER or place.kind != Location.Kind.VAN or place.engineer_id == user.pk


def movements_of_keys(user: User, rows: Sequence[Mapping[str, Any]]) -> list[Movement]:
    """Movements, not saved, from rows that name item, places and serial by key. Three statements, two without serials.

    Raises InvalidInput for the first key that is not there or not for this person; `field` names it.
    """
    items = Item.objects.in_bulk({row["item"] for row in rows})
    places = Location.objects.visible_to(user).in_bulk(
        {row[end] for row in rows for end in ("source", "destination")}
    )
    keys = {row["serial"] for row in rows if row["serial"] is not None}
    serials = Serial.objects.visible_to(user).in_bulk(keys) if keys else {}
    now = timezone.now()
    made = []
    for number, row in enumerate(rows):
        for name, known in (("item", items), ("source", places), ("destination", places), ("serial", serials)):
            if row[name] is not None and row[name] not in known:
                raise InvalidInput(
                    f"Movement {number + 1}: there is no such {name}, or you may not use it.",
                    field=f"movements.{number}.{name}", value=row[name], remedy="Read the list again.",
                )
        made.append(Movement(
            item=items[row["item"]], quantity=row["quantity"], source=places[row["source"]],
            destination=places[row["destination"]], kind=row["kind"], batch=row["batch"], reference=row["reference"],
            note=row["note"], at=row["at"] or now, serial=None if row["serial"] is None else serials[row["serial"]],
        ))
    return made
