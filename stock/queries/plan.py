"""What to hold, and what has to be ordered for it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db import connection
from django.utils import timezone

from config.accounts.models import User
from stock.models import Location
from stock.queries.demand import known_work


@dataclass(frozen=True)
class OrderNeed:
    """An item that a store must order; quantities in the item's unit.

    `position` is on hand + on order + in drafts - reserved - known; `reserved` and `known` (planned work that nothing
    is promised to) count within the plan's window only, since what is wanted later can still be ordered in time.
    The order is made because `position` is below `point`; `reorder_point` is `point` with what is promised in the
    window, as the plan's page shows it. `suggested` fills up to `target` in whole packs, at least the least order.
    `supplier_id` and `unit_price` (supplier's currency): the preferred supplier's, None without one.
    """

    item_id: int
    sku: str
    name: str
    unit: str
    location_id: int
    location: str
    supplier_id: int | None
    supplier: str
    currency: str
    unit_price: Decimal | None
    pack_size: int
    minimum_order: int
    lead_time_days: int
    on_hand: int
    on_order: int
    in_drafts: int
    reserved: int
    known: int
    position: int
    point: int
    reorder_point: int
    target: int
    suggested: int
    by_hand: bool
    service_percent: Decimal | None
    reason: str


# Each place that has a plan, a level set by hand or known work. What the service drafted itself and nobody has taken on
# or set by hand is not counted: it is drafted anew from these needs.
_NEEDS_SQL = """
    WITH wanted AS (
        SELECT item_id, location_id, day, quantity, reserved
        FROM unnest(%(item)s::bigint[], %(location)s::bigint[], %(day)s::int[], %(quantity)s::bigint[],
            %(reserved)s::boolean[]) AS w (item_id, location_id, day, quantity, reserved)
    ), pair AS (
        SELECT item_id, location_id FROM stock_stockplan
        UNION SELECT item_id, location_id FROM stock_stocklevel WHERE by_hand
        UNION SELECT item_id, location_id FROM wanted
    ), promised AS (
        SELECT w.item_id, w.location_id, sum(w.quantity) FILTER (WHERE w.reserved) AS reserved,
            sum(w.quantity) FILTER (WHERE NOT w.reserved) AS known
        FROM wanted w
        LEFT JOIN stock_stockplan n ON n.item_id = w.item_id AND n.location_id = w.location_id
        LEFT JOIN stock_supplieritem i ON i.item_id = w.item_id AND i.preferred
        LEFT JOIN stock_supplier s ON s.id = i.supplier_id
        WHERE w.day <= COALESCE((n.reasons ->> 'window_days')::int,
            COALESCE(i.lead_time_days, s.lead_time_days, 7) + 1)
        GROUP BY 1, 2
    ), draft AS (
        SELECT n.item_id, o.destination_id, sum(n.quantity - n.received) AS quantity
        FROM stock_order o JOIN stock_orderline n ON n.order_id = o.id
        WHERE o.state = 'approved' OR (o.state = 'draft'
            AND NOT (o.proposed AND o.approval_asked_at IS NULL AND NOT n.by_hand))
        GROUP BY 1, 2
    ), figure AS (
        SELECT p.item_id, p.location_id, i.supplier_id, i.unit_price, COALESCE(i.pack_size, 1) AS pack_size,
            COALESCE(i.minimum_order, 1) AS minimum_order,
            COALESCE(i.lead_time_days, s.lead_time_days, 7) AS lead_time_days,
            COALESCE(b.on_hand, 0) AS on_hand, COALESCE(b.on_order, 0) AS on_order,
            COALESCE(d.quantity, 0)::bigint AS in_drafts, COALESCE(w.reserved, 0)::bigint AS reserved,
            COALESCE(w.known, 0)::bigint AS known, COALESCE(v.by_hand, FALSE) AS by_hand,
            CASE WHEN v.by_hand THEN v.minimum
                ELSE COALESCE(n.reorder_point - n.known_in_lead_time, 0) END AS point,
            CASE WHEN v.by_hand THEN v.target
                ELSE COALESCE(n.reorder_point - n.known_in_lead_time
                    + CASE WHEN n.reorder_point > n.known_in_lead_time THEN n.order_quantity ELSE 0 END, 0)
                END AS target,
            n.service_percent, s.name AS supplier, s.currency
        FROM pair p
        JOIN stock_location l ON l.id = p.location_id AND l.kind = 'store'
        LEFT JOIN stock_stockplan n ON n.item_id = p.item_id AND n.location_id = p.location_id
        LEFT JOIN stock_stocklevel v ON v.item_id = p.item_id AND v.location_id = p.location_id AND v.by_hand
        LEFT JOIN stock_balance b ON b.item_id = p.item_id AND b.location_id = p.location_id
        LEFT JOIN draft d ON d.item_id = p.item_id AND d.destination_id = p.location_id
        LEFT JOIN stock_supplieritem i ON i.item_id = p.item_id AND i.preferred
        LEFT JOIN stock_supplier s ON s.id = i.supplier_id
        LEFT JOIN promised w ON w.item_id = p.item_id AND w.location_id = p.location_id
    ), needed AS (
        SELECT *, on_hand + on_order + in_drafts - reserved - known AS position FROM figure
    )
    SELECT f.item_id, t.sku, t.name, t.unit, f.location_id, l.name, f.supplier_id, COALESCE(f.supplier, ''),
        COALESCE(f.currency, ''), f.unit_price, f.pack_size, f.minimum_order, f.lead_time_days, f.on_hand, f.on_order,
        f.in_drafts, f.reserved, f.known, f.position, f.point, f.point + f.reserved + f.known, f.target,
        (ceil(GREATEST(f.target - f.position, f.minimum_order)::numeric / f.pack_size) * f.pack_size)::bigint,
        f.by_hand, f.service_percent
    FROM needed f
    JOIN stock_item t ON t.id = f.item_id
    JOIN stock_location l ON l.id = f.location_id
    -- What is no longer made cannot be ordered.
    LEFT JOIN stock_variant c ON c.cover_id = f.item_id
    WHERE f.position < f.point AND (c.discontinued_on IS NULL OR c.discontinued_on > %(today)s)
        AND (%(places)s::bigint[] IS NULL OR f.location_id = ANY (%(places)s::bigint[]))
    ORDER BY f.supplier NULLS LAST, l.name, t.name, f.item_id
"""


def order_needs(user: User | None = None, *, today: date | None = None) -> list[OrderNeed]:
    """What the stores must order now, by supplier, store and item; of the stores that the person sees, or of all.

    Covers that are no longer made are left out. Vans are topped up from their store and order nothing. Four statements
    (five for a person), and those of the registered lookup of planned work.
    """
    day = today or timezone.localdate()
    known = known_work(day)
    values: dict[str, Any] = {
        "item": [part.item_id for part in known],
        "location": [part.location_id for part in known],
        "day": [(part.day - day).days for part in known],
        "quantity": [part.quantity for part in known],
        "reserved": [part.reserved for part in known],
        "today": day,
        "places": None if user is None else list(Location.objects.visible_to(user).values_list("id", flat=True)),
    }
    with connection.cursor() as cursor:
        cursor.execute(_NEEDS_SQL, values)
        rows: list[tuple[Any, ...]] = cursor.fetchall()
    return [OrderNeed(*(*row, _reason(*row[13:]))) for row in rows]


def _reason(
    on_hand: int, on_order: int, in_drafts: int, reserved: int, known: int, position: int, point: int, full: int,
    target: int, suggested: int, by_hand: bool, service: Decimal | None,
) -> str:
    """Why, in one sentence with the numbers put in."""
    have = f"{on_hand} on hand"
    for number, words in ((on_order, "on order"), (in_drafts, "in drafts")):
        if number:
            have += f" + {number} {words}"
    for number, words in ((reserved, "reserved"), (known, "for planned work")):
        if number:
            have += f" - {number} {words}"
    if by_hand:
        why = f"below the {point} set by hand"
    elif point:
        why = f"below the reorder point {point} for random demand at {float(service or 0):g} %"
    else:
        why = "less than what is promised"
    return f"{have} = {position}: {why}; fills up to {target}."
