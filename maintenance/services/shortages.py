"""What the planned work of the coming weeks needs and a branch will not have."""

from __future__ import annotations

from datetime import date, timedelta

from django.conf import settings
from django.db import connection, transaction

from config.accounts.models import Firm
from maintenance.models import Shortage
from maintenance.queries.swaps import ACCEPTED_PARTS_SQL

# Day by day and by branch and item: what is there, what has arrived by then, what has been used by then.
# The worst day says how many are short; the first bad day says by when.
_REBUILD = """
    WITH demand (branch_id, item_id, day, quantity, reference) AS (
        SELECT l.branch_id, r.item_id, GREATEST(r.needed_on, %(today)s::date), r.quantity::bigint, r.reference
        FROM stock_reservation r JOIN stock_location l ON l.id = r.location_id
        WHERE r.state = 'open' AND r.needed_on <= %(until)s::date AND l.branch_id IS NOT NULL
        UNION ALL
        -- Parts of accepted proposals for which nothing was reserved: wanted at the site's next visit, else
        -- by the end of the weeks looked at.
        SELECT a.branch_id, a.item_id, GREATEST(COALESCE(a.needed_on, %(until)s::date), %(today)s::date), 1,
            'proposal ' || a.proposal_id
        FROM (ACCEPTED_PARTS) AS a
        WHERE COALESCE(a.needed_on, %(until)s::date) <= %(until)s::date
    ), arrival (branch_id, item_id, day, quantity) AS (
        SELECT l.branch_id, i.item_id, GREATEST(o.expected_on, %(today)s::date),
            (i.quantity - i.received)::bigint
        FROM stock_orderline i JOIN stock_order o ON o.id = i.order_id
        JOIN stock_location l ON l.id = o.destination_id
        WHERE o.state = 'placed' AND o.expected_on <= %(until)s::date AND l.kind IN ('store', 'van')
    ), held (branch_id, item_id, quantity) AS (
        SELECT l.branch_id, a.item_id, sum(a.on_hand)
        FROM stock_balance a JOIN stock_location l ON l.id = a.location_id
        WHERE l.kind IN ('store', 'van') AND a.on_hand > 0
        GROUP BY l.branch_id, a.item_id
    ), event AS (
        SELECT branch_id, item_id, day, sum(used) AS used, sum(came) AS came
        FROM (
            SELECT branch_id, item_id, day, quantity AS used, 0 AS came FROM demand
            UNION ALL
            SELECT branch_id, item_id, day, 0, quantity FROM arrival
        ) AS e
        GROUP BY branch_id, item_id, day
    ), course AS (
        SELECT e.branch_id, e.item_id, e.day, COALESCE(h.quantity, 0) AS on_hand,
            sum(e.used) OVER days AS used, sum(e.came) OVER days AS came
        FROM event e LEFT JOIN held h ON h.branch_id = e.branch_id AND h.item_id = e.item_id
        WINDOW days AS (PARTITION BY e.branch_id, e.item_id ORDER BY e.day)
    ), bad_day AS (
        SELECT *, used - came - on_hand AS short,
            min(day) OVER (PARTITION BY branch_id, item_id) AS first_day,
            row_number() OVER (PARTITION BY branch_id, item_id ORDER BY used - came - on_hand DESC, day) AS place
        FROM course WHERE used > on_hand + came
    )
    INSERT INTO maintenance_shortage
        (branch_id, item_id, needed_on, needed, on_hand, on_order, short, "references")
    SELECT w.branch_id, w.item_id, w.first_day, w.used, w.on_hand, w.came, w.short,
        (SELECT array_agg(DISTINCT d.reference ORDER BY d.reference) FROM demand d
         WHERE d.branch_id = w.branch_id AND d.item_id = w.item_id AND d.day <= w.day)
    FROM bad_day w WHERE w.place = 1
    ORDER BY w.first_day, w.branch_id, w.item_id
""".replace("ACCEPTED_PARTS", ACCEPTED_PARTS_SQL)


def list_shortages(*, business_date: date) -> dict[str, int]:
    """Rebuild the list of shortages for the firm's weeks ahead of that day; return `short items` and
    `short pieces`.

    Demand: open reservations, and parts of accepted proposals for which nothing is reserved. Supply: what the
    branch's stores and vans hold (quarantine does not count), and orders that are expected by the day (late
    ones count from today). `needed`, `on_hand`, `on_order` and `short` are those of the worst day, so that
    short = needed - on hand - on order; `needed_on` is the first day on which the item runs out. An item below
    its minimum that covers all planned work is no shortage. Four statements.
    """
    firm = Firm.objects.filter(pk=1).first() or Firm(pk=1)
    values: dict[str, date | int | str] = {
        "today": business_date,
        "until": business_date + timedelta(weeks=firm.shortage_weeks),
        "zone": settings.TIME_ZONE,
    }
    with transaction.atomic(), connection.cursor() as cursor:
        Shortage.objects.all().delete()
        cursor.execute(_REBUILD, values)
        cursor.execute("SELECT count(*), COALESCE(sum(short), 0) FROM maintenance_shortage")
        items, pieces = cursor.fetchone() or (0, 0)
    return {"short items": items, "short pieces": pieces}
