"""What the work ahead needs of each place, and what each place used in the weeks behind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.conf import settings
from django.db import connection
from numpy.typing import NDArray

from config.accounts.models import Firm
from stock.models import Location, Reservation
from stock.work import planned_parts

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class KnownPart:
    """A part that planned work takes from one place. `day`: when; work without a day counts at the end of the weeks
    that the list of shortages looks at (`dated` says so). `reserved`: promised to it already."""

    item_id: int
    location_id: int
    quantity: int
    day: date
    dated: bool
    reference: str
    reserved: bool


def known_work(today: date) -> list[KnownPart]:
    """Everything that planned work takes, soonest first: reservations at their place, other parts from the first
    store of the branch. Three statements, and those of the registered lookup."""
    firm = Firm.objects.filter(pk=1).first() or Firm(pk=1)
    end = today + timedelta(weeks=firm.shortage_weeks)
    reserved_at = dict(Reservation.objects.filter(state=Reservation.State.OPEN).values_list("id", "location_id"))
    # The first store of each branch is the last to be put in.
    stores = dict(Location.objects.filter(kind=Location.Kind.STORE).order_by("-id").values_list("branch_id", "id"))
    parts = []
    for part in planned_parts():
        place = stores.get(part.branch_id) if part.reservation_id is None else reserved_at.get(part.reservation_id)
        if place is not None:
            parts.append(
                KnownPart(
                    item_id=part.item_id, location_id=place, quantity=part.quantity, day=max(part.day or end, today),
                    dated=part.day is not None, reference=part.reference, reserved=part.reservation_id is not None,
                )
            )
    parts.sort(key=lambda known: (known.day, known.reference, known.item_id))
    return parts


@dataclass(frozen=True)
class PastUse:
    """Use of some items by place and week: parallel arrays, and the first week in which the place knew the item."""

    item: Counts
    location: Counts
    week: Counts  # 0 is the first week looked at
    used: Counts  # went out less what came back; may be below 0 in a week of returns
    planned: Counts  # part of what went out that had been promised early enough to be ordered for
    pair_item: Counts
    pair_location: Counts
    first_week: Counts  # below 0: before the weeks looked at


# What leaves a store for a site or a van, and what leaves a van for a site, less what came back unused. Corrected
# movements never happened. Write-offs, scrap, counts, and moves between stores are no use.
# A part counts as planned when its reservation was used (the movement names the same work), or travelled with the
# transfer, and had been made at least the lead time earlier: then it could be ordered for, and is counted as known work
# at its time. What was promised later than that came as a surprise, and stays part of the random demand.
_USE_SQL = """
    WITH moved AS MATERIALIZED (
        SELECT m.item_id, m.source_id, m.destination_id, m.quantity::bigint AS quantity, m.kind, m.reference, m.at,
            ((m.at AT TIME ZONE %(zone)s)::date - %(first)s::date) AS day
        FROM stock_movement m
        WHERE m.item_id BETWEEN %(low)s AND %(high)s AND m.at >= %(first)s::timestamp AT TIME ZONE %(zone)s
            AND m.at < %(until)s::timestamp AT TIME ZONE %(zone)s AND m.kind IN ('fit', 'pick', 'transfer')
            AND NOT EXISTS (SELECT FROM stock_movement c WHERE c.corrects_id = m.id)
    ), placed AS (
        SELECT m.*, s.kind AS from_kind, d.kind AS to_kind, ts.kind AS sent_from, td.kind AS sent_to
        FROM moved m
        JOIN stock_location s ON s.id = m.source_id
        JOIN stock_location d ON d.id = m.destination_id
        LEFT JOIN stock_transfer t ON t.number = m.reference AND 'transit' IN (s.kind, d.kind)
        LEFT JOIN stock_location ts ON ts.id = t.source_id
        LEFT JOIN stock_location td ON td.id = t.destination_id
    ), gone AS (
        SELECT item_id, source_id AS location_id, day / 7 AS week, reference, sum(quantity) AS quantity,
            max(at) AS at
        FROM placed
        WHERE (to_kind = 'site' AND from_kind IN ('store', 'van'))
            OR (from_kind = 'store' AND COALESCE(sent_to, to_kind) = 'van')
        GROUP BY 1, 2, 3, 4
    ), promise AS (
        SELECT item_id, reference, quantity, made_at FROM stock_reservation
        WHERE state = 'used' AND item_id BETWEEN %(low)s AND %(high)s
        UNION ALL
        SELECT l.item_id, t.number, r.quantity, r.made_at
        FROM stock_transferline l
        JOIN stock_transfer t ON t.id = l.transfer_id
        CROSS JOIN LATERAL jsonb_array_elements(l.reasons) AS named (entry)
        JOIN stock_reservation r ON r.id = (named.entry ->> 'reservation')::bigint AND r.item_id = l.item_id
        WHERE l.item_id BETWEEN %(low)s AND %(high)s
    ), early AS (
        SELECT g.item_id, g.location_id, g.week, g.reference, sum(p.quantity) AS quantity
        FROM gone g
        JOIN promise p ON p.item_id = g.item_id AND p.reference = g.reference
        LEFT JOIN stock_supplieritem i ON i.item_id = g.item_id AND i.preferred
        LEFT JOIN stock_supplier s ON s.id = i.supplier_id
        WHERE g.reference <> ''
            AND p.made_at <= g.at - make_interval(days => COALESCE(i.lead_time_days, s.lead_time_days, 7))
        GROUP BY 1, 2, 3, 4
    ), use AS (
        SELECT g.item_id, g.location_id, g.week, g.quantity, LEAST(g.quantity, COALESCE(e.quantity, 0)) AS planned
        FROM gone g LEFT JOIN early e USING (item_id, location_id, week, reference)
        UNION ALL
        SELECT item_id, destination_id, day / 7, -quantity, 0
        FROM placed
        WHERE to_kind = 'store' AND (from_kind = 'van' OR (from_kind = 'transit' AND 'van' IN (sent_from, sent_to)))
        UNION ALL
        SELECT item_id, location_id, (week - %(first)s::date) / 7, quantity, 0 FROM stock_pastdemand
        WHERE item_id BETWEEN %(low)s AND %(high)s AND week >= %(first)s::date AND week < %(until)s::date
    )
    SELECT item_id, location_id, week, sum(quantity)::bigint, sum(planned)::bigint FROM use
    GROUP BY 1, 2, 3 ORDER BY 1, 2, 3
"""
_FIRST_SQL = """
    SELECT item_id, location_id, floor((min(day) - %(first)s::date) / 7.0)::bigint
    FROM (
        SELECT item_id, source_id AS location_id, (min(at) AT TIME ZONE %(zone)s)::date AS day FROM stock_movement
        WHERE item_id BETWEEN %(low)s AND %(high)s GROUP BY 1, 2
        UNION ALL
        SELECT item_id, destination_id, (min(at) AT TIME ZONE %(zone)s)::date FROM stock_movement
        WHERE item_id BETWEEN %(low)s AND %(high)s GROUP BY 1, 2
        UNION ALL
        SELECT item_id, location_id, min(week) FROM stock_pastdemand
        WHERE item_id BETWEEN %(low)s AND %(high)s GROUP BY 1, 2
    ) AS seen
    GROUP BY 1, 2 ORDER BY 1, 2
"""


def monday_of(day: date) -> date:
    """The Monday of that day's week: weeks in progress are not looked at, so the weeks end before it."""
    return day - timedelta(days=day.weekday())


def past_use(low_item: int, high_item: int, *, until: date, weeks: int) -> PastUse:
    """What was used of the items with keys from `low_item` to `high_item` in the weeks before the Monday `until`.
    Two statements."""
    values: dict[str, Any] = {
        "low": low_item, "high": high_item, "until": until, "first": until - timedelta(weeks=weeks),
        "zone": settings.TIME_ZONE,
    }
    with connection.cursor() as cursor:
        cursor.execute(_USE_SQL, values)
        use = _columns(cursor.fetchall(), 5)
        cursor.execute(_FIRST_SQL, values)
        first = _columns(cursor.fetchall(), 3)
    return PastUse(*use, *first)


def _columns(rows: Sequence[tuple[int, ...]], width: int) -> list[Counts]:
    table = np.array(rows, np.int64) if rows else np.zeros((0, width), np.int64)
    return [np.ascontiguousarray(column) for column in table.T]
