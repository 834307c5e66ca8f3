"""Requirements, tasks and results of three years, written set by set from a few working tables."""
# ruff: noqa: S608 - the statements are put together from constants of this file only

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.db import connection

from config.demo.diary import Stop, month_number
from config.demo.sites import Built
from maintenance.models import Visit

_WORKING_TABLES = """
    CREATE TEMPORARY TABLE IF NOT EXISTS demo_visit (
        visit_id bigint, site_id bigint, number int, day date, done boolean, user_id bigint, ended timestamptz
    );
    CREATE TEMPORARY TABLE IF NOT EXISTS demo_ohm (circuit_id bigint PRIMARY KEY, ohm float, wrong boolean);
    CREATE TEMPORARY TABLE IF NOT EXISTS demo_failing (site_id bigint PRIMARY KEY, devices int);
    CREATE TEMPORARY TABLE IF NOT EXISTS demo_drift (site_id bigint PRIMARY KEY, ohm_per_year float);
    CREATE TEMPORARY TABLE IF NOT EXISTS demo_site (site_id bigint PRIMARY KEY, start int);
    TRUNCATE demo_visit, demo_ohm, demo_failing, demo_drift, demo_site;
"""

# A number from 0 up to 1 that is the same for the same words and seed in every run.
_SHARE = "((hashtextextended({words}, %(seed)s) & 1048575) / 1048576.0)"
_INDEX = "(extract(year FROM {0})::int * 12 + extract(month FROM {0})::int - 1)"
_MONTH = "make_date(({0}) / 12, ({0}) %% 12 + 1, 1)"
_WORDS = "concat_ws('|', t.reference, q.panel_id IS NOT NULL, c.number, d.mark, d.fitted_on, r.test, {0})"

# What each site's regime calls for, the months in which it was carried out (newest first), and what is owed:
# the month after the last that was done, or the first after the device came. One in a hundred was left out on
# the last visit and is still owed. A removed device keeps its results and owes nothing more.
_REQUIREMENTS = f"""
    WITH subject (kind, site_id, panel_id, circuit_id, device_id, since, until, words, anti_mask) AS (
        SELECT 'site', s.site_id, NULL::bigint, NULL::bigint, NULL::bigint, NULL::date, NULL::date, '', FALSE
            FROM demo_site s
        UNION ALL
        SELECT 'panel', s.site_id, p.id, NULL, NULL, NULL, NULL, 'panel', FALSE FROM demo_site s
            JOIN installs_system y ON y.site_id = s.site_id JOIN installs_panel p ON p.system_id = y.id
        UNION ALL
        SELECT 'circuit', s.site_id, NULL, c.id, NULL, NULL, NULL, c.number::text, FALSE FROM demo_site s
            JOIN installs_system y ON y.site_id = s.site_id JOIN installs_panel p ON p.system_id = y.id
            JOIN installs_circuit c ON c.panel_id = p.id
        UNION ALL
        SELECT 'device', s.site_id, NULL, NULL, d.id, d.fitted_on, d.removed_on, d.mark, v.anti_mask FROM demo_site s
            JOIN installs_system y ON y.site_id = s.site_id JOIN installs_device d ON d.system_id = y.id
            JOIN stock_variant v ON v.id = d.variant_id
    ), owing AS (
        SELECT r.id AS rule_id, r.interval_months AS step, r.early_months, r.late_months, s.*,
            p.start + r.first_after_months AS first, done.numbers, done.days,
            {_SHARE.format(words="concat_ws('|', t.reference, s.words, s.since, r.test, 'left out')")} AS share,
            {_INDEX.format("s.since")} AS came
        FROM subject s
        JOIN demo_site p ON p.site_id = s.site_id
        JOIN installs_site t ON t.id = s.site_id
        JOIN maintenance_regime g ON g.grade = t.grade AND g.contract = t.contract
        JOIN maintenance_regimerule r ON r.regime_id = g.id AND r.subject = s.kind
        CROSS JOIN LATERAL (
            SELECT array_agg(v.number ORDER BY v.number DESC) AS numbers,
                array_agg(v.day ORDER BY v.number DESC) AS days
            FROM demo_visit v
            WHERE v.site_id = s.site_id AND v.done AND v.number >= p.start + r.first_after_months
                AND (v.number - p.start - r.first_after_months) %% r.interval_months = 0
                AND (s.since IS NULL OR v.day > s.since) AND (s.until IS NULL OR v.day < s.until)
        ) done
        WHERE r.test <> 'mask test' OR s.anti_mask
    ), settled AS (
        SELECT *, kind = 'device' AND share < 0.01 AND cardinality(numbers) > 1 AND until IS NULL AS left_out FROM owing
    ), dated AS (
        SELECT *, CASE
            WHEN left_out THEN numbers[1]
            WHEN numbers IS NOT NULL THEN numbers[1] + step
            WHEN came >= first THEN first + ((came - first) / step + 1) * step
            ELSE first END AS number
        FROM settled
    )
    INSERT INTO maintenance_requirement
        (rule_id, site_id, panel_id, circuit_id, device_id, due_month, window_from, window_to, last_done_on, active)
    SELECT rule_id, site_id, panel_id, circuit_id, device_id, {_MONTH.format("number")},
        {_MONTH.format("number - early_months")}, {_MONTH.format("number + late_months + 1")} - 1,
        CASE WHEN left_out THEN days[2] ELSE days[1] END, until IS NULL
    FROM dated ORDER BY site_id, rule_id, circuit_id, device_id
"""

# Done visits carried out what was due in their month; planned ones are to meet what is owed by then.
_TASKS = f"""
    INSERT INTO maintenance_visittask (visit_id, requirement_id)
    SELECT v.visit_id, q.id
    FROM demo_visit v
    JOIN demo_site p ON p.site_id = v.site_id
    JOIN maintenance_visit w ON w.id = v.visit_id
    JOIN maintenance_requirement q ON q.site_id = v.site_id
    JOIN maintenance_regimerule r ON r.id = q.rule_id
    LEFT JOIN installs_device d ON d.id = q.device_id
    WHERE v.number IS NOT NULL AND CASE
        WHEN v.done THEN v.number >= p.start + r.first_after_months
            AND (v.number - p.start - r.first_after_months) %% r.interval_months = 0
            AND (d.id IS NULL OR (v.day > d.fitted_on AND (d.removed_on IS NULL OR v.day < d.removed_on)))
        ELSE q.active AND {_INDEX.format("q.due_month")} <= v.number
            AND CASE WHEN w.kind = 'remote' THEN r.test IN ('remote check', 'signalling')
                ELSE r.test <> 'remote check' END
        END
    ORDER BY v.visit_id, q.id
"""

_FAILS = {"walk test": 0.012, "mask test": 0.01, "battery": 0.02, "loop": 0.006}
_RESULTS = f"""
    WITH found AS (
        SELECT k.requirement_id, v.visit_id, v.day, v.user_id, v.ended, r.test, o.ohm, o.wrong,
            COALESCE(x.ohm_per_year * (v.day - t.in_use_since) / 365.25, 0) AS drift,
            {_SHARE.format(words=_WORDS.format("'outcome'"))} AS share,
            {_SHARE.format(words=_WORDS.format("v.day"))} AS noise,
            {_INDEX.format("q.due_month")} = v.number AS left_out,
            q.last_done_on = v.day AS last,
            f.devices IS NOT NULL AND d.removed_on IS NULL AND rank() OVER (
                PARTITION BY v.visit_id, r.test ORDER BY length(d.mark), d.mark, d.id
            ) <= f.devices AS failing
        FROM demo_visit v
        JOIN maintenance_visittask k ON k.visit_id = v.visit_id
        JOIN maintenance_requirement q ON q.id = k.requirement_id
        JOIN maintenance_regimerule r ON r.id = q.rule_id
        JOIN installs_site t ON t.id = q.site_id
        LEFT JOIN installs_circuit c ON c.id = q.circuit_id
        LEFT JOIN installs_device d ON d.id = q.device_id
        LEFT JOIN demo_ohm o ON o.circuit_id = q.circuit_id
        LEFT JOIN demo_failing f ON f.site_id = q.site_id
        LEFT JOIN demo_drift x ON x.site_id = q.site_id AND c.number = 1
        WHERE v.done
    ), judged AS (
        SELECT *, CASE
            WHEN left_out THEN 'not done'
            WHEN last AND test = 'walk test' AND failing THEN 'failed'
            WHEN last AND test = 'loop' AND wrong THEN 'failed'
            WHEN last AND share < CASE test {" ".join(f"WHEN '{t}' THEN {s}" for t, s in _FAILS.items())} ELSE 0 END
                THEN 'failed'
            ELSE 'passed' END AS outcome
        FROM found
    )
    INSERT INTO maintenance_testresult
        (requirement_id, visit_id, done_on, outcome, measured_ohm, note, recorded_by_id, recorded_at)
    SELECT requirement_id, visit_id, day, outcome,
        CASE WHEN test = 'loop' AND outcome <> 'not done' THEN
            round((ohm * CASE WHEN outcome = 'failed' AND NOT wrong THEN 1.45
                ELSE 1 + (noise - 0.5) * 0.012 END + drift)::numeric, 1)
        END,
        CASE outcome
            WHEN 'not done' THEN 'Room locked, no key on site.'
            WHEN 'failed' THEN CASE test
                WHEN 'walk test' THEN 'No detection beyond 4 m, twice.'
                WHEN 'mask test' THEN 'No mask signal after covering the lens for 3 minutes.'
                WHEN 'battery' THEN 'Battery falls to 10.6 V under load.'
                ELSE CASE WHEN wrong THEN 'Reads 1 kΩ where the input expects 4.7 kΩ: board of another panel?'
                    ELSE 'Reads too high: a joint with resistance?' END END
            ELSE '' END,
        user_id, ended
    FROM judged ORDER BY visit_id, requirement_id
"""


def write_history(built: Built, stops: Sequence[Stop], visits: Sequence[Visit], *, seed: int) -> dict[str, int]:
    """Requirements, tasks and results of the sites that were just written; returns their counts."""
    with connection.cursor() as cursor:
        cursor.execute(_WORKING_TABLES)
        _fill(cursor, "demo_site", [(site.pk, month_number(site.in_use_since)) for site in built.sites])
        _fill(cursor, "demo_ohm", [
            (circuit.pk, built.ohm[id(circuit)], id(circuit) in built.wrong) for circuit in built.circuits
        ])
        _fill(cursor, "demo_failing", [
            (site.pk, plan.failing) for plan, site in zip(built.plans, built.sites, strict=True) if plan.failing
        ])
        _fill(cursor, "demo_drift", [
            (site.pk, plan.drift_ohm_per_year)
            for plan, site in zip(built.plans, built.sites, strict=True) if plan.drift_ohm_per_year
        ])
        _fill(cursor, "demo_visit", [
            (visit.pk, stop.site.pk, stop.number, stop.day, stop.done, stop.crew.user.pk,
             stop.starts + timedelta(minutes=stop.minutes))
            for stop, visit in zip(stops, visits, strict=True)
        ])
        cursor.execute("ANALYZE demo_visit; ANALYZE demo_site; ANALYZE demo_ohm;")
        counts = {}
        for name, statement in (("requirements", _REQUIREMENTS), ("tasks", _TASKS), ("results", _RESULTS)):
            cursor.execute(statement, {"seed": seed})
            counts[name] = cursor.rowcount
    return counts


def _fill(cursor: Any, table: str, rows: Sequence[tuple[Any, ...]]) -> None:
    with cursor.copy(f"COPY {table} FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)
