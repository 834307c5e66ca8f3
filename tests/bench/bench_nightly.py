"""The overdue sweep against its floor, in one run on one machine: read the ratios, not the seconds.

    python -m tests.bench.bench_nightly [--requirements 300000]

Works in a database of its own, `<name>_bench`, made and dropped here, on the server that the settings name.
Floor: the barest INSERT ... SELECT that finds the same rows and writes the same flags into the same table, with
nothing compared, in the same transaction mode.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from datetime import date, timedelta

from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

DAY = date(2026, 11, 25)

BRANCH = "INSERT INTO accounts_branch (id, code, name) VALUES (1, 'B', 'Bench')"
CUSTOMER = "INSERT INTO installs_customer (id, reference, name, email, phone) VALUES (1, 'C', 'Bench', '', '')"
REGIME = "INSERT INTO maintenance_regime (id, name, grade, contract, standard) VALUES (1, 'R', 2, 'signalled', 'S')"
SITES = """
    INSERT INTO installs_site (id, reference, customer_id, branch_id, name, street, town, postcode, grade,
        environmental_class, contract, in_use_since, cautions, access_notes, changed_at)
    SELECT n, 'S' || n, 1, 1, 'Site ' || n, '', '', '', 2, 2, 'signalled', date '2020-01-01' + n %% 2000, '', '', now()
    FROM generate_series(1, %(sites)s) AS n
"""
# Thirty rules, so that the sites are a thirtieth of the requirements, as on the measured model.
RULES = """
    INSERT INTO maintenance_regimerule (id, regime_id, test, subject, interval_months, first_after_months,
        early_months, late_months, keeps_anniversary, source)
    SELECT n, 1, 'test ' || n, 'site', 6 + 6 * (n %% 2), 6, 1, 1, TRUE, 'bench' FROM generate_series(1, 30) AS n
"""
# Due months spread evenly over half a year back to a year ahead: about a quarter is late, a seventh is due.
REQUIREMENTS = """
    INSERT INTO maintenance_requirement (rule_id, site_id, due_month, window_from, window_to, active)
    SELECT r, s, m, m - interval '1 month', m + interval '2 months' - interval '1 day', TRUE
    FROM generate_series(1, 30) AS r, generate_series(1, %(sites)s) AS s,
        LATERAL (SELECT (date '2026-05-01' + make_interval(months => (s * 7 + r * 5) %% 18))::date AS m) AS due
"""
RESULTS = """
    INSERT INTO maintenance_testresult (requirement_id, done_on, outcome, note, recorded_by_id, recorded_at)
    SELECT id, due_month - 400, CASE WHEN id %% 50 = 0 THEN 'failed' ELSE 'passed' END, '', 1, now()
    FROM maintenance_requirement
"""
USER = """
    INSERT INTO accounts_user (id, email, name, role, is_active, is_superuser, joined_at, password)
    VALUES (1, 'a@b.example', 'Bench', 'admin', TRUE, FALSE, now(), '')
"""
FLOOR = """
    INSERT INTO maintenance_flag (requirement_id, site_id, state, fault, since, raised_at)
    SELECT id, site_id, 'overdue', FALSE, window_to + 1, now() FROM maintenance_requirement
    WHERE active AND (window_from <= %(day)s OR window_to <= %(day)s::date + 45)
"""
FLOOR_FAULTS = """
    INSERT INTO maintenance_flag (requirement_id, site_id, state, fault, since, raised_at)
    SELECT q.id, q.site_id, 'failed', TRUE, r.done_on, now() FROM maintenance_testresult r
    JOIN maintenance_requirement q ON q.id = r.requirement_id WHERE r.outcome = 'failed'
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requirements", type=int, default=300_000, help="how many, up to 3,000,000")
    wanted = parser.parse_args().requirements
    if not 300 <= wanted <= 3_000_000:
        parser.error(f"--requirements is {wanted}; give 300 to 3000000.")

    with own_database():
        measure(wanted)


def measure(wanted: int) -> None:
    from django.db import connection, transaction

    from maintenance.models import Flag, Requirement
    from maintenance.services.flags import raise_flags
    from maintenance.services.requirements import sync_requirements

    values = {"sites": wanted // 30, "day": DAY}

    def run(*statements: str) -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement, values)

    def tidy() -> None:
        with connection.cursor() as cursor:
            cursor.execute("VACUUM (ANALYZE) maintenance_requirement, maintenance_flag, maintenance_testresult")

    def clear() -> None:
        run("TRUNCATE maintenance_flag")
        tidy()

    began = time.perf_counter()
    run(BRANCH, CUSTOMER, REGIME, RULES, USER, SITES, REQUIREMENTS, RESULTS)
    tidy()
    print(f"{Requirement.objects.count():,} requirements and as many results made in {elapsed(began):.1f} s\n")

    def sweep(day: date) -> Callable[[], object]:
        return lambda: raise_flags(business_date=day)

    floors, fulls = [], []
    for _ in range(3):
        clear()
        floors.append(timed(lambda: run(FLOOR, FLOOR_FAULTS)))
        flags = Flag.objects.count()
        clear()
        fulls.append(timed(sweep(DAY)))
        assert Flag.objects.count() == flags, "floor and sweep must write the same rows"
    tidy()
    idle = min(timed(sweep(DAY)) for _ in range(3))
    ordinary = timed(sweep(DAY + timedelta(days=1)))
    tidy()
    month = timed(sweep(date(2026, 12, 1)))
    tidy()
    requirements = min(timed(lambda: sync_requirements(business_date=DAY)) for _ in range(2))

    print(f"{flags:,} flags")
    print_ratios((
        ("bare INSERT ... SELECT of the same flags (floor)", min(floors)),
        ("raise_flags, all new", min(fulls)),
        ("raise_flags, repeated, nothing changes", idle),
        ("raise_flags, next day, little changes", ordinary),
        ("raise_flags, first of a month, many change", month),
        ("sync_requirements, nothing changes", requirements),
    ))


if __name__ == "__main__":
    main()
