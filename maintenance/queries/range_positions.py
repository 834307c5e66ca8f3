"""The positions of the installed base and the planned work for a range study, and the demand for covers."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.conf import settings
from django.db import connection

from maintenance.queries.swap_facts import FACTS_SQL, Catalogue, carried_over_json

BATCH = 500
EXAMPLES = 3

# One row per signature of the devices in use of the branch (null: of all): how many, their facts, and some of them. A
# device with an accepted proposal counts as it will be: with the new cover, its settings and its board.
_POSITIONS_SQL = f"""
    CREATE TEMPORARY TABLE range_now ON COMMIT DROP AS
    WITH chosen AS MATERIALIZED (
        SELECT d.id AS device_id
        FROM installs_device d
        JOIN installs_system y ON y.id = d.system_id
        JOIN installs_site s ON s.id = y.site_id
        WHERE d.removed_on IS NULL AND (%(branch)s::bigint IS NULL OR s.branch_id = %(branch)s)
    ),
    {FACTS_SQL},
    planned AS (
        SELECT p.device_id, v.variant_id, v.board_id, v.settings, b.presets_values,
            n.settings_schema -> 'properties' AS has
        FROM maintenance_swapproposal p
        JOIN maintenance_swapverdict v ON v.id = p.verdict_id
        JOIN stock_variant n ON n.id = v.variant_id
        LEFT JOIN stock_board b ON b.id = v.board_id
        WHERE p.state = 'accepted'
    ),
    ahead AS (
        SELECT f.device_id, p.device_id IS NOT NULL AS planned, CASE WHEN p.device_id IS NULL THEN f.facts
            ELSE f.facts || jsonb_build_object(
                'variant', p.variant_id, 'settings', p.settings,
                'board', COALESCE(to_jsonb(p.board_id), f.facts -> 'board'),
                'hand_wired', CASE WHEN p.presets_values THEN 'null'::jsonb ELSE f.facts -> 'hand_wired' END,
                'in_use', (
                    SELECT jsonb_agg(name ORDER BY name)
                    FROM jsonb_array_elements_text(NULLIF(f.facts -> 'in_use', 'null'::jsonb)) AS name
                    WHERE p.has -> name IS NOT NULL
                )
            ) END AS facts
        FROM facts f LEFT JOIN planned p ON p.device_id = f.device_id
    )
    SELECT md5(facts::text) AS signature, count(*) AS positions, count(*) FILTER (WHERE planned) AS planned,
        min(facts::text) AS facts, (array_agg(device_id ORDER BY device_id))[1:{EXAMPLES}] AS examples
    FROM ahead GROUP BY 1
"""  # noqa: S608 - fixed text


@dataclass(frozen=True)
class Group:
    """The positions of one signature."""

    positions: int
    planned: int
    facts: Mapping[str, Any]
    examples: tuple[int, ...]


@dataclass(frozen=True)
class Positions:
    """Signatures in all, and all of them one by one."""

    signatures: int
    groups: Iterator[Group]


@contextmanager
def positions_by_signature(branch_id: int | None, catalogue: Catalogue) -> Iterator[Positions]:
    """All positions in use, grouped by what their judgement depends on. Within a transaction. Three statements, and
    one for each 500 signatures."""
    with connection.cursor() as cursor:
        cursor.execute(_POSITIONS_SQL, {"branch": branch_id, "carried_over": carried_over_json(catalogue)})
        cursor.execute("SELECT count(*) FROM range_now")
        total = (cursor.fetchone() or (0,))[0]
    yield Positions(int(total), _groups())
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE range_now")


def _groups() -> Iterator[Group]:
    last = ""
    while True:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT signature, positions, planned, facts, examples FROM range_now WHERE signature > %s"
                " ORDER BY signature LIMIT %s",
                [last, BATCH],
            )
            rows = cursor.fetchall()
        for signature, positions, planned, facts, examples in rows:
            last = signature
            yield Group(positions, planned, json.loads(facts), tuple(examples))
        if len(rows) < BATCH:
            return


# Pieces of each cover that went to sites, by week, from places of the branch (null: of all). Corrected movements never
# happened. History from before the ledger counts where it was imported for a store.
_DEMAND_SQL = """
    SELECT item_id, week, sum(quantity)::bigint FROM (
        SELECT m.item_id, ((m.at AT TIME ZONE %(zone)s)::date - %(first)s::date) / 7 AS week, m.quantity
        FROM stock_movement m
        JOIN stock_location s ON s.id = m.source_id AND s.kind IN ('store', 'van')
        JOIN stock_location d ON d.id = m.destination_id AND d.kind = 'site'
        WHERE m.item_id = ANY(%(items)s) AND m.kind = 'fit'
            AND m.at >= %(first)s::timestamp AT TIME ZONE %(zone)s
            AND m.at < %(until)s::timestamp AT TIME ZONE %(zone)s
            AND (%(branch)s::bigint IS NULL OR s.branch_id = %(branch)s)
            AND NOT EXISTS (SELECT FROM stock_movement c WHERE c.corrects_id = m.id)
        UNION ALL
        SELECT p.item_id, (p.week - %(first)s::date) / 7, p.quantity
        FROM stock_pastdemand p JOIN stock_location l ON l.id = p.location_id AND l.kind = 'store'
        WHERE p.item_id = ANY(%(items)s) AND p.week >= %(first)s::date AND p.week < %(until)s::date
            AND (%(branch)s::bigint IS NULL OR l.branch_id = %(branch)s)
    ) AS used
    GROUP BY 1, 2 ORDER BY 1, 2
"""


def weekly_use(items: Collection[int], *, branch_id: int | None, until: date, weeks: int) -> dict[int, list[int]]:
    """Pieces of each item fitted in each of the whole weeks before the Monday `until`; items without any are left out.
    One statement."""
    values = {
        "items": list(items), "branch": branch_id, "zone": settings.TIME_ZONE, "until": until,
        "first": until - timedelta(weeks=weeks),
    }
    used: dict[int, list[int]] = {}
    with connection.cursor() as cursor:
        cursor.execute(_DEMAND_SQL, values)
        for item, week, quantity in cursor.fetchall():
            used.setdefault(item, [0] * weeks)[week] = quantity
    return used


@dataclass(frozen=True)
class Worth:
    """What one piece costs in the firm's currency (None: not known), and the supplier's lead time in days."""

    unit: float | None
    lead_time_days: int | None


_WORTH_SQL = """
    SELECT i.id, COALESCE(cost.average, p.unit_price * CASE WHEN s.currency = %(currency)s THEN 1 ELSE rate.rate END),
        COALESCE(p.lead_time_days, s.lead_time_days)
    FROM stock_item i
    LEFT JOIN stock_supplieritem p ON p.item_id = i.id AND p.preferred
    LEFT JOIN stock_supplier s ON s.id = p.supplier_id
    LEFT JOIN LATERAL (
        SELECT average FROM stock_itemcost c WHERE c.item_id = i.id ORDER BY c.at DESC, c.id DESC LIMIT 1
    ) AS cost ON TRUE
    LEFT JOIN LATERAL (
        SELECT rate FROM stock_exchangerate r
        WHERE r.currency = s.currency AND r.valid_from <= %(today)s ORDER BY r.valid_from DESC LIMIT 1
    ) AS rate ON TRUE
    WHERE i.id = ANY(%(items)s)
"""


def worth_of(items: Collection[int], *, currency: str, today: date) -> dict[int, Worth]:
    """The moving average of each item, or the preferred supplier's price at the day's rate; and the lead time. One
    statement."""
    with connection.cursor() as cursor:
        cursor.execute(_WORTH_SQL, {"items": list(items), "currency": currency, "today": today})
        return {
            item: Worth(None if unit is None else float(unit), days) for item, unit, days in cursor.fetchall()
        }
