"""What each place held at a past moment, and what that was worth: from the nearest kept state and the movements
between it and the moment.

Kept states are the snapshots and the balances of today. Both are read together with the movements in one statement,
so the answer is of one state of the database. A movement that happened at the moment itself is not in yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import connection
from django.utils import timezone

from config.accounts.models import User
from config.errors import InvalidInput
from config.keyset import KeysetPage, read_cursor, write_cursor
from stock.models import Item, Location

# The average that counted last before the moment: one entry of an index.
AVERAGE_SQL = """
    SELECT c.average FROM stock_itemcost c WHERE c.item_id = {item} AND c.at < %(moment)s
    ORDER BY c.at DESC, c.id DESC LIMIT 1
"""
_SNAPSHOT = "stock_snapshotline b WHERE b.snapshot_id = %(base)s AND"
_BALANCES = "stock_balance b WHERE"
_HELD_SQL = """
    SELECT item_id, location_id, COALESCE(k.on_hand, 0) + COALESCE(c.amount, 0) AS quantity FROM (
        SELECT b.item_id, b.location_id, b.on_hand FROM {kept} b.location_id = ANY(%(places)s) {of_base}
    ) AS k FULL JOIN (
        SELECT item_id, location_id, sum(amount)::bigint AS amount FROM (
            SELECT m.item_id, m.source_id AS location_id, {out} m.quantity AS amount FROM stock_movement m
            WHERE m.source_id = ANY(%(places)s) AND m.at >= %(from)s AND m.at < %(to)s {of_movement}
            UNION ALL
            SELECT m.item_id, m.destination_id, {into} m.quantity FROM stock_movement m
            WHERE m.destination_id = ANY(%(places)s) AND m.at >= %(from)s AND m.at < %(to)s {of_movement}
        ) AS ends GROUP BY item_id, location_id
    ) AS c USING (item_id, location_id)
    WHERE COALESCE(k.on_hand, 0) + COALESCE(c.amount, 0) <> 0
"""
_NEAREST_SQL = """
    SELECT ARRAY({places}), b.id, b.moment, a.id, a.moment FROM (SELECT) AS one
    LEFT JOIN LATERAL (
        SELECT id, moment FROM stock_snapshot WHERE moment <= %s ORDER BY moment DESC LIMIT 1
    ) AS b ON TRUE
    LEFT JOIN LATERAL (SELECT id, moment FROM stock_snapshot WHERE moment > %s ORDER BY moment LIMIT 1) AS a ON TRUE
"""
_PAGE_SQL = """
    SELECT p.*, k.average, round(p.quantity * k.average, 2) FROM (
        SELECT h.item_id, i.sku, i.name, i.kind, i.unit, h.location_id, l.name AS location, l.kind AS location_kind,
            h.quantity
        FROM (HELD) AS h
        JOIN stock_item i ON i.id = h.item_id
        JOIN stock_location l ON l.id = h.location_id
        WHERE (%(kind)s = '' OR i.kind = %(kind)s)
            AND (NOT %(uncosted)s OR NOT EXISTS (
                SELECT FROM stock_itemcost c WHERE c.item_id = h.item_id AND c.at < %(moment)s))
            AND (h.location_id <> %(last_place)s OR (i.name, i.id) > (%(last_name)s, %(last_item)s))
        ORDER BY array_position(%(places)s, h.location_id), i.name, i.id
        LIMIT %(limit)s
    ) AS p
    LEFT JOIN LATERAL (AVERAGE) AS k ON TRUE
    ORDER BY array_position(%(places)s, p.location_id), p.name, p.item_id
""".replace("AVERAGE", AVERAGE_SQL.format(item="p.item_id"))
# Places are added up one after the other until the page is full, more at a time where they hold little.
_FIRST_PLACES, _TIMES_MORE = 1, 8
# (place, item's name, item): where the last page ended.
_START = (0, "", 0)
_KINDS = dict(Item.Kind.choices)
_PLACES = dict(Location.Kind.choices)


@dataclass(frozen=True)
class AsOfRow:
    """What one place held of one item. Quantity in the item's unit; `average` is the cost of one unit by moving average
    and `value` both multiplied, in the firm's currency: None where no cost is known."""

    item_id: int
    sku: str
    name: str
    kind: str
    unit: str
    location_id: int
    location: str
    location_kind: str
    quantity: int
    average: Decimal | None
    value: Decimal | None


@dataclass(frozen=True)
class Held:
    """SQL for rows (item_id, location_id, quantity) other than 0 at a moment, and its parameters; the caller adds
    `places`, all of these or some."""

    sql: str
    places: list[int]
    values: dict[str, Any]


def place_choices(user: User) -> list[tuple[int, str]]:
    """Those places by name, to choose from. One statement."""
    seen = Location.objects.visible_to(user).filter(kind__in=Location.HELD)
    return list(seen.order_by("name", "id").values_list("id", "name"))


def held_at(user: User, moment: datetime, *, location: int | None = None, item: int | None = None) -> Held:
    """How to find what the places of the firm's stock that the person sees (stores, vans, quarantine, on the way) held
    at the moment. One statement, that lists the places by name and chooses the nearest kept state."""
    seen = Location.objects.visible_to(user).filter(kind__in=Location.HELD)
    if location is not None:
        seen = seen.filter(pk=location)
    places_sql, values = seen.order_by("name", "id").values("pk").query.sql_with_params()
    with connection.cursor() as cursor:
        cursor.execute(_NEAREST_SQL.format(places=places_sql), [*values, moment, moment])
        places, before_id, before, after_id, after = cursor.fetchone() or ([], None, None, None, None)
    forwards = _forwards(moment, before, after)
    named: dict[str, Any] = {"item": item}
    if forwards:
        named |= {"base": before_id, "from": before or "-infinity", "to": moment}
    else:
        named |= {"base": after_id, "from": moment, "to": after or "infinity"}
    return Held(
        _HELD_SQL.format(
            kept=_SNAPSHOT if forwards or after_id is not None else _BALANCES,
            of_base="" if item is None else "AND b.item_id = %(item)s",
            of_movement="" if item is None else "AND m.item_id = %(item)s",
            out="-" if forwards else "",
            into="" if forwards else "-",
        ),
        places,
        named,
    )


def _forwards(moment: datetime, before: datetime | None, after: datetime | None) -> bool:
    """Whether to add up from the state before the moment, rather than to take back from the one after it."""
    if before is None:
        # Before the first snapshot lies less than a month; without any, today is the only state that is kept.
        return after is not None
    return moment - before <= (after or max(moment, timezone.now())) - moment


def stock_as_of(
    user: User,
    moment: datetime,
    *,
    location: int | None = None,
    item: int | None = None,
    kind: str = "",
    uncosted_only: bool = False,
    cursor: str | None = None,
    size: int = 50,
) -> KeysetPage[AsOfRow]:
    """One page of what places that the person sees held just before a moment, by place and item; with
    `uncosted_only` that of which no cost was known. Two statements, a few more where the first places hold less than
    a page. Raises InvalidInput for a foreign cursor.

    A place that held nothing has no row. A quantity below 0 means that a posting was made for a later time than
    the goods moved.
    """
    held = held_at(user, moment, location=location, item=item)
    place, name, last = _after(cursor, held.places) if cursor else _START
    places = held.places[held.places.index(place):] if cursor else held.places
    values = held.values | {
        "moment": moment, "kind": kind, "uncosted": uncosted_only, "last_place": place, "last_name": name,
        "last_item": last,
    }
    sql = _PAGE_SQL.replace("HELD", held.sql)
    found: list[AsOfRow] = []
    many = _FIRST_PLACES
    with connection.cursor() as open_cursor:
        while places and len(found) <= size:
            now, places = places[:many], places[many:]
            open_cursor.execute(sql, values | {"places": now, "limit": size + 1 - len(found)})
            found += [_row(*row) for row in open_cursor.fetchall()]
            many *= _TIMES_MORE
    end = found[size - 1] if len(found) > size else None
    return KeysetPage(
        rows=found[:size],
        next_cursor=write_cursor([end.location_id, end.name, end.item_id]) if end else None,
        first=not cursor,
    )


def _after(cursor: str, places: Sequence[int]) -> tuple[int, str, int]:
    place, name, item = read_cursor(cursor, len(_START))
    if [type(value) for value in (place, name, item)] != [int, str, int] or place not in places or abs(item) >= 2**63:
        raise InvalidInput("The cursor does not suit this list.", field="cursor", value=cursor,
                           remedy="Start again from the first page.")
    return place, name, item


def _row(
    item_id: int, sku: str, name: str, kind: str, unit: str, location_id: int, location: str, location_kind: str,
    quantity: int, average: Decimal | None, value: Decimal | None,
) -> AsOfRow:
    return AsOfRow(
        item_id, sku, name, _KINDS[kind], unit, location_id, location, _PLACES[location_kind],
        quantity, average, value,
    )
