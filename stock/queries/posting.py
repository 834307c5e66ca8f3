"""What a posting needs to know before it is posted."""

from __future__ import annotations

from django.db import connection

from config.accounts.models import User
from config.accounts.rights import Right, Role
from config.records import columns, record
from stock.models import Item, Location

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
