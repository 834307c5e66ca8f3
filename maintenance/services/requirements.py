"""Which requirements exist, and how one moves on to its next due month."""

from __future__ import annotations

from datetime import date

from django.db import connection, transaction
from django.utils import timezone

from maintenance.models import Requirement
from maintenance.rules import due


def _month(index: str) -> str:
    """SQL: the first day of the month with that running number (year times 12, plus month less one)."""
    return f"make_date(({index}) / 12, mod({index}, 12) + 1, 1)"


def _index(day: str) -> str:
    """SQL: the running number of a day's month."""
    return f"(extract(year FROM {day})::int * 12 + extract(month FROM {day})::int - 1)"


# Each rule has one kind of subject, so the rule and the key of its subject name a requirement.
_KEY = "COALESCE({0}.device_id, {0}.circuit_id, {0}.panel_id, {0}.site_id)"

# What every site's regime calls for now. Due months of a device count from its fitting.
_CALLED_FOR = """
    subject (kind, site_id, panel_id, circuit_id, device_id, fitted_on, anti_mask) AS (
        SELECT 'site', id, NULL::bigint, NULL::bigint, NULL::bigint, NULL::date, NULL::boolean FROM installs_site
        UNION ALL
        SELECT 'panel', y.site_id, p.id, NULL, NULL, NULL, NULL
            FROM installs_panel p JOIN installs_system y ON y.id = p.system_id
        UNION ALL
        SELECT 'circuit', y.site_id, NULL, c.id, NULL, NULL, NULL
            FROM installs_circuit c JOIN installs_panel p ON p.id = c.panel_id
            JOIN installs_system y ON y.id = p.system_id
        UNION ALL
        SELECT 'device', y.site_id, NULL, NULL, d.id, d.fitted_on, v.anti_mask
            FROM installs_device d JOIN installs_system y ON y.id = d.system_id
            JOIN stock_variant v ON v.id = d.variant_id
            WHERE d.removed_on IS NULL
    ), called_for AS (
        SELECT r.id AS rule_id, s.site_id, s.panel_id, s.circuit_id, s.device_id,
            GREATEST(t.in_use_since, s.fitted_on) AS counts_from,
            r.interval_months, r.first_after_months, r.early_months, r.late_months
        FROM subject s
        JOIN installs_site t ON t.id = s.site_id
        JOIN maintenance_regime g ON g.grade = t.grade AND g.contract = t.contract
        JOIN maintenance_regimerule r ON r.regime_id = g.id AND r.subject = s.kind
        WHERE r.test <> 'mask test' OR s.anti_mask
    )
"""

# rules.due.entry_due_month in SQL: `last` is the first due month, or the last one whose window has opened.
_LAST_OPENED = f"""
    CROSS JOIN LATERAL (SELECT {_index("c.counts_from")} + c.first_after_months AS number) AS first
    CROSS JOIN LATERAL (
        SELECT first.number + GREATEST({_index("%(day)s::date")} + c.early_months - first.number, 0)
            / c.interval_months * c.interval_months AS number
    ) AS last
"""
_WINDOW = f"""
    {_month("owed.number")} AS due_month,
    {_month("owed.number - c.early_months")} AS window_from,
    {_month("owed.number + c.late_months + 1")} - 1 AS window_to
"""

_ADD = f"""
    WITH {_CALLED_FOR}
    INSERT INTO maintenance_requirement
        (rule_id, site_id, panel_id, circuit_id, device_id, due_month, window_from, window_to, active)
    SELECT c.rule_id, c.site_id, c.panel_id, c.circuit_id, c.device_id, {_WINDOW}, TRUE
    FROM called_for c
    {_LAST_OPENED}
    CROSS JOIN LATERAL (
        SELECT last.number + CASE
            WHEN last.number + c.late_months < {_index("%(day)s::date")}
                AND EXISTS (SELECT FROM maintenance_requirement k WHERE k.site_id = c.site_id)
            THEN c.interval_months ELSE 0 END AS number
    ) AS owed
    WHERE NOT EXISTS (
        SELECT FROM maintenance_requirement q WHERE q.rule_id = c.rule_id AND {_KEY.format("q")} = {_KEY.format("c")}
    )
    ON CONFLICT DO NOTHING
"""  # noqa: S608 - parts of this file only

_TAKE_UP_AGAIN = f"""
    WITH {_CALLED_FOR}
    UPDATE maintenance_requirement q
    SET active = TRUE, due_month = n.due_month, window_from = n.window_from, window_to = n.window_to
    FROM (
        SELECT i.id, {_WINDOW}
        FROM maintenance_requirement i
        JOIN called_for c ON c.rule_id = i.rule_id AND {_KEY.format("c")} = {_KEY.format("i")}
        {_LAST_OPENED}
        CROSS JOIN LATERAL (SELECT GREATEST(last.number, {_index("i.due_month")}) AS number) AS owed
        WHERE NOT i.active
    ) n
    WHERE q.id = n.id
"""  # noqa: S608 - parts of this file only

_DROP = f"""
    WITH {_CALLED_FOR}
    UPDATE maintenance_requirement q SET active = FALSE
    WHERE q.active AND NOT EXISTS (
        SELECT FROM called_for c WHERE c.rule_id = q.rule_id AND {_KEY.format("c")} = {_KEY.format("q")}
    )
"""  # noqa: S608 - parts of this file only

# Every statement compares whole tables, for which hash joins are right. The planner cannot know how many rows
# the regimes call for, takes them for one, and would compare row by row: minutes instead of a second.
_JOINS = "SELECT set_config('enable_nestloop', %s, TRUE), set_config('enable_mergejoin', %s, TRUE)"


def sync_requirements(*, business_date: date) -> dict[str, int]:
    """Make the requirements those that every site's regime calls for on that day; return the counts
    `added`, `taken up again` and `dropped`.

    New ones enter with the due month of `rules.due.entry_due_month`. Those of removed devices, or that the
    regime no longer calls for, become inactive and keep their results; when they are called for again, they
    owe the last due month that has opened. Anti-mask tests are for variants with anti-mask. A site whose
    grade and contract have no regime owes nothing. Five statements whatever the number of sites.
    """
    values = {"day": business_date}
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(_JOINS, ["off", "off"])
        cursor.execute(_DROP, values)
        dropped = cursor.rowcount
        cursor.execute(_TAKE_UP_AGAIN, values)
        again = cursor.rowcount
        cursor.execute(_ADD, values)
        added = cursor.rowcount
        cursor.execute(_JOINS, ["on", "on"])
        return {"added": added, "taken up again": again, "dropped": dropped}


def roll_requirement(requirement: Requirement, done_on: date) -> Requirement:
    """Move a requirement on to its next due month after it was carried out (passed or failed; not for 'not
    done') on `done_on`, and withdraw its calendar flag, which no longer holds. Saves and returns it.

    The caller holds the row locked (`select_for_update`). Work no later than what is already recorded moves
    nothing; work before the window opens is noted, but the due month stands (NSI TB 0068, item 1).
    """
    if requirement.last_done_on is not None and done_on <= requirement.last_done_on:
        return requirement
    rule = requirement.rule
    following = due.next_due_month(
        requirement.due_month,
        done_on=done_on,
        interval_months=rule.interval_months,
        early_months=rule.early_months,
        late_months=rule.late_months,
        keeps_anniversary=rule.keeps_anniversary,
    )
    moved = following != requirement.due_month
    requirement.last_done_on = done_on
    if moved:
        window = due.window(following, early_months=rule.early_months, late_months=rule.late_months)
        requirement.due_month = window.due_month
        requirement.window_from = window.window_from
        requirement.window_to = window.window_to
    with transaction.atomic():
        requirement.save(update_fields=["last_done_on", "due_month", "window_from", "window_to"])
        if moved:
            requirement.flags.filter(fault=False, withdrawn_at=None).update(withdrawn_at=timezone.now())
    return requirement
