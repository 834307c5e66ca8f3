"""Flags on requirements: from the calendar (due soon, due, overdue, escalated) and from failed tests."""

from __future__ import annotations

from datetime import date

from django.db import connection, transaction

from config.accounts.models import Firm

# The difference between the flags that should stand and those that do, and only that, is written: a
# repeat reads two tables and writes nothing. One snapshot serves all three changes.
_BRING_INTO_LINE = """
    WITH wanted AS ({wanted}),
    held AS (
        SELECT id, requirement_id, state, since FROM maintenance_flag
        WHERE withdrawn_at IS NULL AND fault = {fault}
    ),
    difference AS MATERIALIZED (
        SELECT held.id AS flag_id, wanted.requirement_id, wanted.site_id, wanted.state, wanted.since
        FROM wanted FULL JOIN held ON held.requirement_id = wanted.requirement_id
        WHERE (wanted.state, wanted.since) IS DISTINCT FROM (held.state::text, held.since)
    ),
    raised AS (
        INSERT INTO maintenance_flag (requirement_id, site_id, state, fault, since, raised_at)
        SELECT requirement_id, site_id, state, {fault}, since, now() FROM difference WHERE flag_id IS NULL
        ON CONFLICT (requirement_id, fault) WHERE withdrawn_at IS NULL DO NOTHING
        RETURNING 1
    ),
    changed AS (
        UPDATE maintenance_flag f SET state = d.state, since = d.since
        FROM difference d
        WHERE f.id = d.flag_id AND d.requirement_id IS NOT NULL AND f.withdrawn_at IS NULL
        RETURNING 1
    ),
    withdrawn AS (
        UPDATE maintenance_flag f SET withdrawn_at = now()
        FROM difference d
        WHERE f.id = d.flag_id AND d.requirement_id IS NULL AND f.withdrawn_at IS NULL
        RETURNING 1
    )
    SELECT (SELECT count(*) FROM raised), (SELECT count(*) FROM changed), (SELECT count(*) FROM withdrawn)
"""

# rules.due.state_since in SQL.
_CALENDAR = _BRING_INTO_LINE.format(
    fault="FALSE",
    wanted="""
        SELECT id AS requirement_id, site_id,
            CASE
                WHEN window_to < %(day)s::date - %(escalate)s::int THEN 'escalated'
                WHEN window_to < %(day)s::date THEN 'overdue'
                WHEN due_month <= %(day)s::date THEN 'due'
                ELSE 'due soon'
            END AS state,
            CASE
                WHEN window_to < %(day)s::date - %(escalate)s::int THEN window_to + 1 + %(escalate)s::int
                WHEN window_to < %(day)s::date THEN window_to + 1
                WHEN due_month <= %(day)s::date THEN due_month
                ELSE LEAST(window_from, window_to - %(soon)s::int)
            END AS since
        FROM maintenance_requirement
        WHERE active AND (window_from <= %(day)s::date OR window_to <= %(day)s::date + %(soon)s::int)
    """,
)

# A fault stands from the first failed test that no later one has made good. 'Not done' says nothing.
_FAULTS = _BRING_INTO_LINE.format(
    fault="TRUE",
    wanted="""
        SELECT q.id AS requirement_id, q.site_id, 'failed' AS state, min(bad.done_on) AS since
        FROM maintenance_testresult bad
        JOIN maintenance_requirement q ON q.id = bad.requirement_id AND q.active
        WHERE bad.outcome = 'failed' AND bad.done_on <= %(day)s::date AND NOT EXISTS (
            SELECT FROM maintenance_testresult good
            WHERE good.requirement_id = bad.requirement_id AND good.outcome = 'passed'
                AND (good.done_on, good.id) > (bad.done_on, bad.id) AND good.done_on <= %(day)s::date
        )
        GROUP BY q.id
    """,
)


def raise_flags(*, business_date: date) -> dict[str, int]:
    """Bring the flags into line with requirements and results as they stand on that day: raise new ones,
    move those whose state changed, withdraw those that no longer hold, those of inactive requirements
    included. Returns `raised`, `changed` and `withdrawn`; a repeat on the same day gives three zeros.

    A flag's `since` is the first day on which its state held, not the day of the run. States are those of
    `rules.due.state_since` with the firm's days. Three statements whatever the number of requirements.
    """
    firm = Firm.objects.filter(pk=1).first() or Firm(pk=1)
    values: dict[str, date | int] = {
        "day": business_date,
        "soon": firm.due_soon_days,
        "escalate": firm.escalate_days,
    }
    counts = {"raised": 0, "changed": 0, "withdrawn": 0}
    with transaction.atomic(), connection.cursor() as cursor:
        for statement in (_CALENDAR, _FAULTS):
            cursor.execute(statement, values)
            for name, count in zip(counts, cursor.fetchone() or (), strict=True):
                counts[name] += count
    return counts
