"""Marks on loops that drift: the trend of their measured values leaves the panel's band before they are measured again.

The line, its test and its day are those of `installs.rules.trend`, computed for every circuit in one statement.
"""

from __future__ import annotations

from datetime import date

from django.conf import settings
from django.db import connection, transaction

from installs.rules.trend import DAYS_PER_YEAR, FURTHEST_DAYS, LEAST_SPAN_DAYS, LEAST_VALUES, ROUNDING, STUDENT_T

_STUDENT = ", ".join(f"({degrees}, {t}::float8)" for degrees, t in enumerate(STUDENT_T, 1))

# Days are counted from 2000, so that their sums keep their digits. The table's own join comes after the grouping: the
# sums then run over one index of the measurements, and only circuits with enough values meet their bands.
LINES = f"""
    SELECT m.circuit_id, count(*) AS n, min(m.measured_on) AS first_on, max(m.measured_on) AS last_on,
        avg(m.measured_on - date '2000-01-01')::float8 AS mean_day, avg(m.ohm) AS mean_ohm,
        regr_sxx(m.ohm, m.measured_on - date '2000-01-01') AS sxx,
        regr_syy(m.ohm, m.measured_on - date '2000-01-01') AS syy,
        regr_sxy(m.ohm, m.measured_on - date '2000-01-01') AS sxy
    FROM installs_loopmeasurement m JOIN installs_looptable t ON t.circuit_id = m.circuit_id
    WHERE m.at_rest AND m.place = 'panel' AND m.ohm IS NOT NULL AND m.measured_on <= %(day)s::date
        AND NOT t.stale AND (t.values_since IS NULL OR m.measured_on >= t.values_since)
        AND (t.band_high_ohm IS NOT NULL OR t.band_low_ohm > 0)
    GROUP BY m.circuit_id
    HAVING count(*) >= {LEAST_VALUES} AND max(m.measured_on) - min(m.measured_on) >= {LEAST_SPAN_DAYS}
"""  # noqa: S608 - constants of ours only

# installs.rules.trend.trend_of in SQL; `leaves` is the day of leaving, NULL where the rule gives none.
LEAVING = f"""
    WITH line AS MATERIALIZED ({LINES}),
    sloped AS (
        SELECT line.*, sxy / sxx AS slope, GREATEST(0, syy - sxy / sxx * sxy) AS rest,
            ({ROUNDING} * mean_ohm) ^ 2 * n AS nothing, q.t AS demanded
        FROM line JOIN (VALUES {_STUDENT}) AS q (degrees, t) ON q.degrees = LEAST(n - 2, {len(STUDENT_T)})
    ),
    drifting AS (
        SELECT sloped.*, CASE WHEN slope > 0 THEN t.band_high_ohm ELSE NULLIF(t.band_low_ohm, 0) END AS edge
        FROM sloped JOIN installs_looptable t ON t.circuit_id = sloped.circuit_id
        WHERE syy > nothing AND slope <> 0
            AND (rest <= nothing OR slope ^ 2 * sxx * (n - 2) > demanded ^ 2 * rest)
    ),
    crossing AS (
        SELECT *, mean_day + (edge - mean_ohm) / slope AS at FROM drifting WHERE edge IS NOT NULL
    )
    SELECT circuit_id, n, first_on, last_on, slope * {DAYS_PER_YEAR} AS ohm_per_year,
        date '2000-01-01' + (CASE WHEN slope > 0 THEN ceil(at) ELSE floor(at) + 1 END)::int AS leaves_on
    FROM crossing WHERE abs(at - (first_on - date '2000-01-01')) <= {FURTHEST_DAYS}
"""  # noqa: S608

# A loop is measured again on the next visit to the site, else by the end of the loop test's window; one whose window
# has closed may be measured any day. Remote checks measure nothing.
_BRING_INTO_LINE = f"""
    WITH leaving AS MATERIALIZED ({LEAVING}),
    bounded AS (
        SELECT l.*, y.site_id, COALESCE(
            (
                SELECT min((lower(v.period) AT TIME ZONE '{settings.TIME_ZONE}')::date) FROM maintenance_visit v
                WHERE v.site_id = y.site_id AND v.kind = 'site' AND v.state IN ('planned', 'confirmed', 'under way')
                    AND (lower(v.period) AT TIME ZONE '{settings.TIME_ZONE}')::date >= %(day)s::date
            ),
            (
                SELECT GREATEST(min(q.window_to), %(day)s::date) FROM maintenance_requirement q
                JOIN maintenance_regimerule r ON r.id = q.rule_id
                WHERE q.site_id = y.site_id AND q.circuit_id = l.circuit_id AND q.active AND r.test = 'loop'
            )
        ) AS again
        FROM leaving l JOIN installs_circuit c ON c.id = l.circuit_id JOIN installs_panel p ON p.id = c.panel_id
            JOIN installs_system y ON y.id = p.system_id
    ),
    wanted AS (
        SELECT b.circuit_id, b.site_id, b.leaves_on, b.again, b.ohm_per_year, b.n, b.last_on, last.ohm AS last_ohm
        FROM bounded b CROSS JOIN LATERAL (
            SELECT ohm FROM installs_loopmeasurement m
            WHERE m.circuit_id = b.circuit_id AND m.measured_on = b.last_on AND m.at_rest AND m.place = 'panel'
                AND m.ohm IS NOT NULL
            ORDER BY m.id DESC LIMIT 1
        ) AS last
        WHERE b.leaves_on < b.again
    ),
    held AS (
        -- What the record changed under is neither raised nor withdrawn before its table is computed anew.
        SELECT d.* FROM maintenance_loopdrift d
        LEFT JOIN installs_looptable t ON t.circuit_id = d.circuit_id
        WHERE d.withdrawn_at IS NULL AND t.stale IS NOT TRUE
    ),
    difference AS MATERIALIZED (
        SELECT held.id AS drift_id, wanted.*
        FROM wanted FULL JOIN held ON held.circuit_id = wanted.circuit_id
        -- The slope is left out: its last digits follow the order in which the server adds.
        WHERE (wanted.leaves_on, wanted.again, wanted.n, wanted.last_on, wanted.last_ohm)
            IS DISTINCT FROM (held.leaves_on, held.measured_again_by, held.values::bigint, held.last_on, held.last_ohm)
    ),
    raised AS (
        INSERT INTO maintenance_loopdrift
            (circuit_id, site_id, leaves_on, measured_again_by, ohm_per_year, last_ohm, last_on, values, raised_at)
        SELECT circuit_id, site_id, leaves_on, again, ohm_per_year, last_ohm, last_on, LEAST(n, 32767), now()
        FROM difference WHERE drift_id IS NULL
        ON CONFLICT (circuit_id) WHERE withdrawn_at IS NULL DO NOTHING
        RETURNING 1
    ),
    changed AS (
        UPDATE maintenance_loopdrift f SET leaves_on = d.leaves_on, measured_again_by = d.again,
            ohm_per_year = d.ohm_per_year, last_ohm = d.last_ohm, last_on = d.last_on, values = LEAST(d.n, 32767)
        FROM difference d
        WHERE f.id = d.drift_id AND d.circuit_id IS NOT NULL AND f.withdrawn_at IS NULL
        RETURNING 1
    ),
    withdrawn AS (
        UPDATE maintenance_loopdrift f SET withdrawn_at = now() FROM difference d
        WHERE f.id = d.drift_id AND d.circuit_id IS NULL AND f.withdrawn_at IS NULL
        RETURNING 1
    )
    SELECT (SELECT count(*) FROM raised), (SELECT count(*) FROM changed), (SELECT count(*) FROM withdrawn)
"""  # noqa: S608


def mark_drifts(*, business_date: date) -> dict[str, int]:
    """Bring the marks on drifting loops into line with the measured values as they stand on that day.

    A mark stands where the slope of at least 3 values over at least 180 days differs from none (two-sided t-test, 5 %)
    and the line leaves the panel's normal band before the day of the next planned site visit, or without one before
    the end of the loop test's window. Values before a change of the circuit do not count. Returns `raised`, `changed`
    and `withdrawn`; a repeat on the same day gives three zeros. One statement whatever the number of circuits.
    """
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(_BRING_INTO_LINE, {"day": business_date})
        row = cursor.fetchone() or ()
    return dict(zip(("raised", "changed", "withdrawn"), row, strict=True))
