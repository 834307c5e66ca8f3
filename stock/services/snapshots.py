"""What every place held at one moment, kept so that the past is read without adding up the whole ledger.

A snapshot must be exact although people post meanwhile, and nobody may wait long for it. Three facts carry it:

1. While a transaction holds stock_movement in SHARE mode, no posting is under way, so every key handed out so far is
   in or will never be: the movements up to the greatest key are a set that does not change any more. That lock is held
   for one look-up; the long sum is made afterwards over that fixed set, with nobody waiting.
2. The lines are written in a transaction that nobody sees before its end, so no posting waits for one of them. At its
   end it takes the lock again, adds the few movements that came meanwhile, and is in when it lets go.
3. Whoever posts after that sees the snapshot: the movement's trigger adds a posting for an earlier time to it.

This needs what Django does by default: postings at READ COMMITTED, keys from a sequence without a cache. A snapshot is
one transaction: a process killed anywhere leaves nothing of it.

Kept are the first moments of months, for ever: in between, what was there is found from the nearer of two snapshots (or
from the balances of today) in either direction, so never more than half a month of movements is added up. A snapshot
has one line for each item that a place holds: 24 MB for 200,000 of them.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db import OperationalError, connection, transaction
from django.utils import timezone

from config.errors import Conflict, InvalidInput
from stock.models import Snapshot

# One after the other; any number that no other advisory lock of the service uses.
LOCK = 20_170_134
# Postings queue behind the wish for the lock, so it is given up soon, and asked for again later.
PATIENCE_MS = 500
TRIES = 20
BETWEEN_TRIES_S = 0.5
MOST_PER_RUN = 24

logger = logging.getLogger("zonewright.stock")

_SUM_SQL = """
    INSERT INTO stock_snapshotline (snapshot_id, item_id, location_id, on_hand)
    SELECT %(snapshot)s, item_id, location_id, sum(amount) FROM (
        SELECT item_id, location_id, on_hand AS amount FROM stock_snapshotline WHERE snapshot_id = %(before)s
        UNION ALL
        SELECT item_id, e.location_id, e.amount FROM stock_movement m, LATERAL (VALUES
            (m.source_id, -m.quantity), (m.destination_id, m.quantity)) AS e (location_id, amount)
        WHERE m.at >= %(since)s AND m.at < %(moment)s AND m.id <= %(settled)s
        UNION ALL
        -- What was added to the earlier snapshot since: it is added to this one further below.
        SELECT item_id, e.location_id, e.amount FROM stock_movement m, LATERAL (VALUES
            (m.source_id, m.quantity), (m.destination_id, -m.quantity)) AS e (location_id, amount)
        WHERE m.id > %(settled)s AND m.at < %(since)s
    ) AS parts
    GROUP BY item_id, location_id HAVING sum(amount) <> 0
    -- One place's lines side by side: they are read together.
    ORDER BY location_id, item_id
"""
_LATE_SQL = """
    INSERT INTO stock_snapshotline (snapshot_id, item_id, location_id, on_hand)
    SELECT %(snapshot)s, item_id, location_id, sum(amount) FROM (
        SELECT item_id, e.location_id, e.amount FROM stock_movement m, LATERAL (VALUES
            (m.source_id, -m.quantity), (m.destination_id, m.quantity)) AS e (location_id, amount)
        WHERE m.id > %(settled)s AND m.at < %(moment)s
    ) AS late
    GROUP BY item_id, location_id HAVING sum(amount) <> 0
    ON CONFLICT (snapshot_id, item_id, location_id)
        DO UPDATE SET on_hand = stock_snapshotline.on_hand + EXCLUDED.on_hand
"""


def take_snapshot(moment: datetime) -> Snapshot:
    """Keep what every place held just before that moment; the kept one if there is one already.

    Raises InvalidInput for a moment to come, Conflict when postings left no gap for the lock; a repeat is safe.
    """
    if moment > timezone.now():
        raise InvalidInput("A snapshot can be taken of the past only.", field="moment", value=moment.isoformat(),
                           remedy="Wait until the moment has passed.")
    with transaction.atomic():
        _hold_postings()
        settled = _greatest_key()
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        kept = Snapshot.objects.filter(moment=moment).first()
        if kept is not None:
            return kept
        before = Snapshot.objects.filter(moment__lt=moment).order_by("-moment").first()
        made = Snapshot.objects.create(moment=moment)
        values: dict[str, Any] = {
            "snapshot": made.pk,
            "moment": moment,
            "settled": settled,
            "before": before.pk if before else None,
            "since": before.moment if before else "-infinity",
        }
        cursor.execute(_SUM_SQL, values)
        made.lines_written = cursor.rowcount
        _hold_postings()
        cursor.execute(_LATE_SQL, values)
        made.save(update_fields=["lines_written"])
    logger.info("snapshot of %s: %s lines", moment, made.lines_written)
    return made


def take_missing_snapshots(
    *, report: Callable[[str, int], None] = lambda _part, _percent: None, most: int = MOST_PER_RUN
) -> dict[str, int]:
    """Take the snapshots of past months' beginnings that are not there yet, oldest first and so many at most; the
    next run goes on, also where postings left no gap. Safe to kill and to repeat."""
    due = missing_moments()
    taken = 0
    for moment in due[:most]:
        report(f"{timezone.localtime(moment):%b %Y}", 100 * taken // min(most, len(due)))
        try:
            take_snapshot(moment)
        except Conflict as error:
            logger.warning("no snapshot of %s: %s", moment, error)
            break
        taken += 1
    return {"taken": taken, "left": len(due) - taken}


def missing_moments() -> list[datetime]:
    """Beginnings of months, in the firm's time, after the first movement and without a snapshot. Two statements."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT min(at) FROM stock_movement")
        row = cursor.fetchone()
    if row is None or row[0] is None:
        return []
    kept = set(Snapshot.objects.values_list("moment", flat=True))
    now = timezone.now()
    moment = month_after(row[0])
    due = []
    while moment <= now:
        if moment not in kept:
            due.append(moment)
        moment = month_after(moment)
    return due


def month_after(moment: datetime) -> datetime:
    """The beginning of the next month, in the firm's time zone."""
    local = timezone.localtime(moment)
    year, month = (local.year + 1, 1) if local.month == 12 else (local.year, local.month + 1)
    return timezone.make_aware(datetime(year, month, 1))  # noqa: DTZ001 - made aware of the firm's zone here


def _hold_postings() -> None:
    """Wait until no posting is under way, and let none begin before the end of the transaction.

    A posting that takes long (an import) would make all others wait behind this wish, so it is short and repeated.
    """
    for _ in range(TRIES):
        try:
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute("SELECT set_config('lock_timeout', %s, TRUE)", [f"{PATIENCE_MS}ms"])
                cursor.execute("LOCK TABLE stock_movement IN SHARE MODE")
                cursor.execute("SELECT set_config('lock_timeout', '0', TRUE)")
        except OperationalError:
            time.sleep(BETWEEN_TRIES_S)
        else:
            return
    raise Conflict("Postings left no gap to take a snapshot in.", field="snapshot",
                   remedy="The next nightly work tries again; run it when less is posted.")


def _greatest_key() -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT COALESCE(max(id), 0) FROM stock_movement")
        row = cursor.fetchone()
    return int(row[0]) if row else 0
