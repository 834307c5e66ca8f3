"""What the nightly plan starts from: the places and items there are, and how suppliers have delivered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.conf import settings
from django.db import connection
from numpy.typing import NDArray

from stock.queries.demand import KnownPart

Numbers = NDArray[np.float64]
Counts = NDArray[np.int64]

# Each place that had or has something of an item, with what it costs in the firm's currency and where it is bought.
_PAIRS_SQL = """
    WITH wanted AS (
        SELECT item_id, location_id FROM unnest(%(item)s::bigint[], %(location)s::bigint[]) AS w (item_id, location_id)
    ), pair AS (
        SELECT item_id, location_id FROM stock_balance
        UNION SELECT item_id, location_id FROM stock_pastdemand
        UNION SELECT item_id, location_id FROM wanted
    )
    SELECT p.item_id, p.location_id, (l.kind = 'van')::int, COALESCE(b.on_hand, 0) + COALESCE(b.on_order, 0),
        (v.id IS NOT NULL)::int, COALESCE(i.supplier_id, 0), COALESCE(i.pack_size, 1), COALESCE(i.minimum_order, 1),
        COALESCE(i.lead_time_days, s.lead_time_days, -1),
        COALESCE(c.average, i.unit_price * CASE WHEN s.currency = %(currency)s THEN 1 ELSE x.rate END, 0)::float8
    FROM pair p
    JOIN stock_location l ON l.id = p.location_id AND l.kind IN ('store', 'van')
    LEFT JOIN stock_balance b ON b.item_id = p.item_id AND b.location_id = p.location_id
    LEFT JOIN stock_stocklevel v ON v.item_id = p.item_id AND v.location_id = p.location_id
    LEFT JOIN stock_supplieritem i ON i.item_id = p.item_id AND i.preferred
    LEFT JOIN stock_supplier s ON s.id = i.supplier_id
    LEFT JOIN LATERAL (
        SELECT average FROM stock_itemcost WHERE item_id = p.item_id ORDER BY at DESC, id DESC LIMIT 1
    ) AS c ON TRUE
    LEFT JOIN LATERAL (
        SELECT rate FROM stock_exchangerate
        WHERE currency = s.currency AND valid_from <= %(today)s ORDER BY valid_from DESC LIMIT 1
    ) AS x ON TRUE
    ORDER BY p.item_id, p.location_id
"""
# How much later than usual each delivered line came: the mean day of its receipts, weighed by quantity.
_LATE_SQL = """
    WITH line AS (
        SELECT o.supplier_id, o.number, n.item_id, o.ordered_on,
            COALESCE(i.lead_time_days, s.lead_time_days) AS usual,
            sum(m.quantity * ((m.at AT TIME ZONE %(zone)s)::date - o.ordered_on)) / sum(m.quantity)::float8 AS days
        FROM stock_order o
        JOIN stock_orderline n ON n.order_id = o.id
        JOIN stock_supplier s ON s.id = o.supplier_id
        JOIN stock_movement m ON m.reference = o.number AND m.item_id = n.item_id AND m.kind = 'receive'
        LEFT JOIN stock_supplieritem i ON i.supplier_id = o.supplier_id AND i.item_id = n.item_id
        WHERE o.ordered_on >= %(since)s AND o.ordered_on <= %(today)s AND m.reference <> ''
            AND NOT EXISTS (SELECT FROM stock_movement c WHERE c.corrects_id = m.id)
        GROUP BY 1, 2, 3, 4, 5
    ), delivery AS (
        SELECT supplier_id, number, ordered_on, avg(days) AS days, avg(days - usual) AS late
        FROM line GROUP BY 1, 2, 3
    )
    SELECT supplier_id, count(*), avg(late)::float8, COALESCE(var_samp(late), 0)::float8,
        (array_agg(round(days::numeric, 1)::float8 ORDER BY ordered_on DESC, number))[:12]
    FROM delivery GROUP BY 1 ORDER BY 1
"""


@dataclass(frozen=True)
class Pairs:
    """Items at stores and vans, in order of item and location: parallel arrays."""

    item: Counts
    location: Counts
    van: NDArray[np.bool_]
    held: Counts  # on hand and on order
    level: NDArray[np.bool_]  # has a level
    supplier: Counts  # 0: nobody is preferred
    pack: Counts
    least_order: Counts
    usual_days: Counts  # -1: no supplier
    cost: Numbers  # one unit in the firm's currency; 0: not known

    def __len__(self) -> int:
        return len(self.item)


@dataclass(frozen=True)
class Late:
    """How one supplier's deliveries kept the usual lead time. `days`: the lead times of the latest, newest first."""

    seen: int
    mean_days: float
    variance: float
    days: tuple[float, ...]


def pairs(known: Sequence[KnownPart], *, currency: str, today: date) -> Pairs:
    """Every item at every store and van that had or has something to do with it. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(
            _PAIRS_SQL,
            {"item": [part.item_id for part in known], "location": [part.location_id for part in known],
             "currency": currency, "today": today},
        )
        rows = cursor.fetchall()
    table = np.array(rows, np.float64) if rows else np.zeros((0, 10))
    whole = table[:, :9].astype(np.int64).T
    return Pairs(
        whole[0], whole[1], whole[2] > 0, whole[3], whole[4] > 0, whole[5], whole[6], whole[7], whole[8], table[:, 9]
    )


def late_deliveries(*, since: date, today: date) -> dict[int, Late]:
    """By supplier, how late orders came that were placed in that time. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(_LATE_SQL, {"since": since, "today": today, "zone": settings.TIME_ZONE})
        return {row[0]: Late(row[1], row[2], row[3], tuple(row[4])) for row in cursor.fetchall()}
