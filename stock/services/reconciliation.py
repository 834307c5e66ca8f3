"""The nightly proof that what the ledger keeps is what its movements add up to. It reports; it never repairs.

All comparisons are one SQL statement: one state of the database, whoever posts meanwhile.
"""

from __future__ import annotations

import logging
import random
from typing import Any

from django.db import connection, transaction
from django.utils import timezone

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from stock.models import LedgerCheck, LedgerDifference, Reservation, Snapshot
from stock.queries.transfers import TRANSIT_SQL
from stock.work import dead_references

LOCK = 20_170_135
# The newest ones, and one of the older by chance: over the nights all get their turn.
NEWEST_SNAPSHOTS = 2
LONGEST_NOTE = 300

logger = logging.getLogger("zonewright.stock")

# A serial is where its last movement took it. Two postings of one serial at the same instant may come in in the other
# order than their keys; then the one place where more of its movements end than begin decides.
_COMPARE_SQL = """
    WITH ends AS (
        SELECT m.item_id, m.source_id AS location_id, -m.quantity::bigint AS amount, m.at FROM stock_movement m
        UNION ALL
        SELECT m.item_id, m.destination_id, m.quantity, m.at FROM stock_movement m
    ), proven AS MATERIALIZED (
        SELECT item_id, location_id, sum(amount)::bigint AS on_hand SUMS FROM ends GROUP BY item_id, location_id
    ), promised AS (
        SELECT item_id, location_id, COALESCE(sum(quantity) FILTER (WHERE NOT ahead), 0) AS firm,
            COALESCE(sum(quantity) FILTER (WHERE ahead), 0) AS ahead
        FROM stock_reservation WHERE state = 'open' GROUP BY item_id, location_id
    ), coming AS (
        SELECT l.item_id, o.destination_id AS location_id, sum(l.quantity - l.received) AS open
        FROM stock_orderline l JOIN stock_order o ON o.id = l.order_id WHERE o.state = 'placed'
        GROUP BY l.item_id, o.destination_id
    ), batches AS (
        SELECT item_id, location_id, batch, sum(amount) AS on_hand FROM (
            SELECT item_id, source_id AS location_id, batch, -quantity::bigint AS amount FROM stock_movement
            WHERE batch <> '' AND item_id IN (SELECT id FROM stock_item WHERE tracking = 'batch')
            UNION ALL
            SELECT item_id, destination_id, batch, quantity FROM stock_movement
            WHERE batch <> '' AND item_id IN (SELECT id FROM stock_item WHERE tracking = 'batch')
        ) AS parts GROUP BY item_id, location_id, batch
    ), last AS (
        SELECT DISTINCT ON (serial_id) serial_id, destination_id FROM stock_movement
        WHERE serial_id IS NOT NULL ORDER BY serial_id, id DESC
    ), quantities AS (
        SELECT 'balance' AS kind, item_id, location_id, '' AS about, COALESCE(b.on_hand, 0) AS kept,
            COALESCE(p.on_hand, 0) AS proven
        FROM stock_balance b FULL JOIN proven p USING (item_id, location_id)
        UNION ALL
        SELECT 'batch', item_id, location_id, batch, COALESCE(b.on_hand, 0), COALESCE(p.on_hand, 0)
        FROM stock_batchbalance b FULL JOIN batches p USING (item_id, location_id, batch)
        UNION ALL
        SELECT 'reserved', item_id, location_id, 'from stock', COALESCE(b.reserved, 0), COALESCE(p.firm, 0)
        FROM stock_balance b FULL JOIN promised p USING (item_id, location_id)
        UNION ALL
        SELECT 'reserved', item_id, location_id, 'from orders', COALESCE(b.reserved_ahead, 0), COALESCE(p.ahead, 0)
        FROM stock_balance b FULL JOIN promised p USING (item_id, location_id)
        UNION ALL
        SELECT 'on order', item_id, location_id, '', COALESCE(b.on_order, 0), COALESCE(p.open, 0)
        FROM stock_balance b FULL JOIN coming p USING (item_id, location_id)
        UNION ALL
        SELECT 'level', item_id, location_id, '', COALESCE(b.level_minimum, 0), COALESCE(l.minimum, 0)
        FROM stock_balance b FULL JOIN stock_stocklevel l USING (item_id, location_id)
        UNION ALL
        SELECT 'transit', item_id, (SELECT min(id) FROM stock_location WHERE kind = 'transit'), '', held, should
        FROM (TRANSIT) AS parcels
        SNAPSHOTS
    ), serials AS (
        SELECT s.id, s.item_id, s.location_id, last.destination_id FROM stock_serial s
        LEFT JOIN last ON last.serial_id = s.id
        WHERE s.location_id IS DISTINCT FROM last.destination_id AND 1 IS DISTINCT FROM (
            SELECT sum(CASE WHEN m.destination_id = s.location_id THEN 1 WHEN m.source_id = s.location_id THEN -1 END)
            FROM stock_movement m WHERE m.serial_id = s.id)
    ), written AS (
        INSERT INTO stock_ledgerdifference (check_run_id, kind, item_id, location_id, serial_id, reservation_id, about,
            kept, proven, gap, note)
        SELECT %(check)s, kind, item_id, location_id, NULL::bigint, NULL::bigint, about, kept::text, proven::text,
            kept - proven, ''
        FROM quantities WHERE kept <> proven
        UNION ALL
        SELECT %(check)s, 'serial', s.item_id, COALESCE(s.location_id, s.destination_id), s.id, NULL, '',
            COALESCE(k.name, 'never moved'), COALESCE(p.name, 'never moved'), 0, ''
        FROM serials s LEFT JOIN stock_location k ON k.id = s.location_id
        LEFT JOIN stock_location p ON p.id = s.destination_id
        RETURNING 1
    )
    SELECT (SELECT count(*) FROM stock_movement), (SELECT count(*) FROM proven), (SELECT count(*) FROM batches),
        (SELECT count(*) FROM stock_serial), (SELECT count(*) FROM stock_reservation WHERE state = 'open'),
        (SELECT count(*) FROM coming), (SELECT count(*) FROM written)
""".replace("TRANSIT", TRANSIT_SQL)
_SUM_SQL = ", COALESCE(sum(amount) FILTER (WHERE at < %(moment{n})s), 0)::bigint AS then{n}"
_SNAPSHOT_SQL = """
        UNION ALL
        SELECT 'snapshot', item_id, location_id, %(name{n})s, COALESCE(b.on_hand, 0), COALESCE(p.then{n}, 0)
        FROM (SELECT item_id, location_id, on_hand FROM stock_snapshotline WHERE snapshot_id = %(snapshot{n})s) AS b
        FULL JOIN proven p USING (item_id, location_id)
"""
# What somebody has looked into, and is found again just as it was, stays looked into.
_CARRY_SQL = """
    UPDATE stock_ledgerdifference d SET seen_by_id = e.seen_by_id, seen_at = e.seen_at, note = e.note
    FROM stock_ledgerdifference e
    WHERE d.check_run_id = %(check)s AND e.check_run_id = (
            SELECT max(id) FROM stock_ledgercheck WHERE id < %(check)s AND finished_at IS NOT NULL)
        AND e.seen_at IS NOT NULL
        AND (d.kind, d.about, d.gap) = (e.kind, e.about, e.gap)
        AND (d.item_id, d.location_id, d.serial_id, d.reservation_id)
            IS NOT DISTINCT FROM (e.item_id, e.location_id, e.serial_id, e.reservation_id)
        AND (d.gap <> 0 OR (d.kept, d.proven) = (e.kept, e.proven))
"""


@transaction.atomic
def check_ledger(*, chance: random.Random | None = None) -> LedgerCheck:
    """Compare all that the ledger keeps with what it follows from, and write down each difference.

    Balances and batches with the sum of their movements, serials with their last movement, promised quantities with
    open reservations, on order with the open lines of placed orders, least quantities with levels, the two newest
    snapshots and one older with the movements before them; and open reservations with the work that they name.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        run = LedgerCheck.objects.create()
        chosen = _snapshots(chance or random.Random())  # noqa: S311 - which one is looked at is no secret
        values: dict[str, Any] = {"check": run.pk}
        for n, snapshot in enumerate(chosen):
            name = f"{timezone.localtime(snapshot.moment):%-d %b %Y, %H:%M}"
            values |= {f"moment{n}": snapshot.moment, f"name{n}": name, f"snapshot{n}": snapshot.pk}
        numbers = range(len(chosen))
        sql = _COMPARE_SQL.replace(" SUMS", "".join(_SUM_SQL.format(n=n) for n in numbers))
        sql = sql.replace("SNAPSHOTS", "".join(_SNAPSHOT_SQL.format(n=n) for n in numbers))
        # Many joins of the whole tables: what the planner saves by ordering them is less than what it takes.
        cursor.execute("SELECT set_config('work_mem', %s, TRUE)", ["64MB"])
        cursor.execute(sql, values)
        movements, balances, batches, serials, reservations, coming, found = cursor.fetchone() or (0,) * 7
        dead = _write_dead_work(run)
        cursor.execute(_CARRY_SQL, values)
    run.movements = movements
    run.compared = {
        "balances": balances, "batches": batches, "serials": serials, "reservations": reservations,
        "on order": coming, "snapshots": len(chosen),
    }
    run.differences = found + dead
    run.finished_at = timezone.now()
    run.save()
    if run.differences:
        logger.error("the ledger does not add up: %s differences in check %s", run.differences, run.pk)
    return run


def _snapshots(chance: random.Random) -> list[Snapshot]:
    kept = list(Snapshot.objects.order_by("-moment"))
    older = kept[NEWEST_SNAPSHOTS:]
    return kept[:NEWEST_SNAPSHOTS] + ([chance.choice(older)] if older else [])


def _write_dead_work(run: LedgerCheck) -> int:
    """Open reservations whose work is over or was never there. Work ends and gives its reservations back in one
    transaction, so those are left out that were given back since the work was found to be over."""
    still_open = Reservation.objects.filter(state=Reservation.State.OPEN)
    dead = dead_references(sorted(set(still_open.values_list("reference", flat=True))))
    found = still_open.filter(reference__in=dead).order_by("id")
    return len(LedgerDifference.objects.bulk_create([
        LedgerDifference(
            check_run=run, kind=LedgerDifference.Kind.DEAD_WORK, item_id=made.item_id, location_id=made.location_id,
            reservation=made, kept=f"{made.quantity} for {made.reference}"[:80], proven=dead[made.reference][:80],
        )
        for made in found
    ]))


@transaction.atomic
def look_into(difference: LedgerDifference, *, by: User, note: str) -> LedgerDifference:
    """Note that somebody looked into a difference and what was found; the same one of other checks is noted with it.

    Raises InvalidInput without a note, Conflict when somebody did already. Nothing of the ledger is changed.
    """
    note = note.strip()
    if not note or len(note) > LONGEST_NOTE:
        raise InvalidInput("A note says what was found out.", field="note", value=note,
                           remedy=f"Write 1 to {LONGEST_NOTE} characters: the cause, or what is done about it.")
    now = LedgerDifference.objects.select_for_update(of=("self",)).select_related("seen_by").get(pk=difference.pk)
    if now.seen_at is not None:
        who = now.seen_by.name if now.seen_by else "somebody"
        raise Conflict(f"{who} looked into this already.", field="note", value=note, remedy="Read the page again.")
    same = LedgerDifference.objects.filter(
        kind=now.kind, item=now.item_id, location=now.location_id, serial=now.serial_id,
        reservation=now.reservation_id, about=now.about, gap=now.gap, seen_at=None,
    )
    if not now.gap:
        same = same.filter(kept=now.kept, proven=now.proven)
    same.update(seen_by=by, seen_at=timezone.now(), note=note)
    now.refresh_from_db()
    return now
