"""A page of levels, below level first, read as two lists: those below level are few and have an index of their own, the
others come by name. Sorted as one, every row of the firm would be read for each page.

Written as SQL: put together by Django's models, the same statement took twice as long as the database needs for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection

from config.accounts.models import User
from config.errors import InvalidInput
from config.keyset import KeysetPage, read_cursor, write_cursor
from stock.models import Location

_PAGE_SQL = """
    SELECT b.id, b.item_id, i.sku, i.name, i.kind, i.unit, f.name, b.location_id, l.name, l.kind, b.on_hand, b.reserved,
        b.on_order, b.level_minimum, COALESCE((
            SELECT v.target FROM stock_stocklevel v WHERE v.item_id = b.item_id AND v.location_id = b.location_id), 0)
    FROM stock_balance b
    JOIN stock_item i ON i.id = b.item_id
    JOIN stock_location l ON l.id = b.location_id
    LEFT JOIN stock_family f ON f.id = i.family_id
    WHERE b.physical AND {short} AND (b.on_hand > 0 OR b.on_order > 0 OR b.level_minimum > 0 OR b.reserved > 0)
        AND l.id IN ({places}) {conditions}
    ORDER BY i.name, l.name, b.id LIMIT %s
"""
# The item's name alone says nothing that the whole does not, but in a form that an index can begin at.
_AFTER = "i.name >= %s AND (i.name, l.name, b.id) > (%s, %s, %s)"


@dataclass(frozen=True)
class LevelFilter:
    family: int | None = None
    kind: str | None = None
    location: int | None = None
    below_only: bool = False


def level_rows(
    user: User, wanted: LevelFilter, *, cursor: str | None, size: int
) -> KeysetPage[tuple[Any, ...]]:
    """Rows as in the statement above, by whether they are below level, name, place and key. One statement, two where
    the page goes on behind the last that is below level. Raises InvalidInput for a foreign cursor."""
    rank, *after = read_cursor(cursor, 4) if cursor else (0,)
    if rank not in (0, 1) or (after and [type(value) for value in after] != [str, str, int]):
        raise InvalidInput("The cursor does not suit this list.", field="cursor", value=cursor,
                           remedy="Start again from the first page.")
    found: list[tuple[Any, ...]] = []
    if rank == 0:
        found, after = _rows(user, wanted, short=True, after=after, limit=size + 1), []
    short = len(found)
    if short <= size and not wanted.below_only:
        found = found + _rows(user, wanted, short=False, after=after, limit=size + 1 - short)
    end = found[size - 1] if len(found) > size else None
    return KeysetPage(
        rows=found[:size],
        next_cursor=write_cursor([int(size > short), end[3], end[8], end[0]]) if end else None,
        first=not cursor,
    )


def _rows(
    user: User, wanted: LevelFilter, *, short: bool, after: Sequence[Any], limit: int
) -> list[tuple[Any, ...]]:
    seen = Location.objects.visible_to(user)
    if wanted.location is not None:
        seen = seen.filter(pk=wanted.location)
    places, values = seen.values("pk").query.sql_with_params()
    conditions: list[str] = []
    given = list(values)
    for condition, value in (
        ("b.location_id = %s", wanted.location),
        ("i.family_id = %s", wanted.family),
        ("i.kind = %s", wanted.kind or None),
    ):
        if value is not None:
            conditions.append(condition)
            given.append(value)
    if after:
        conditions.append(_AFTER)
        given += [after[0], *after]
    sql = _PAGE_SQL.format(
        short="b.short" if short else "NOT b.short", places=places,
        conditions="".join(f" AND {condition}" for condition in conditions),
    )
    with connection.cursor() as cursor:
        cursor.execute(sql, [*given, limit])
        found: list[tuple[Any, ...]] = cursor.fetchall()
    return found
