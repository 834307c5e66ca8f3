"""The nightly drift marks against their floor, in one run on one machine: read the ratios, not the seconds.

    python -m tests.bench.bench_drift [--measurements 1000000]

Works in a database of its own, `<name>_bench`, made and dropped here, on the server that the settings name.
Floor: the same sums over the same rows, grouped by circuit, with nothing joined, tested or written.
"""

from __future__ import annotations

import argparse
import time
from datetime import date

from tests.bench.bench_nightly import BRANCH, CUSTOMER, REGIME, SITES, USER
from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

DAY = date(2026, 11, 25)
EACH = 5  # measured values of a circuit
CIRCUITS_EACH = 8  # circuits of a site

RULE = """
    INSERT INTO maintenance_regimerule (id, regime_id, test, subject, interval_months, first_after_months,
        early_months, late_months, keeps_anniversary, source)
        VALUES (1, 1, 'loop', 'circuit', 12, 12, 1, 1, TRUE, 'bench')
"""
SYSTEMS = "INSERT INTO installs_system (id, site_id, name) SELECT n, n, 'S' FROM generate_series(1, %(sites)s) AS n"
PANELS = """
    INSERT INTO installs_panel (id, system_id, type_id, serial_number, place, other_quiescent_ma, other_alarm_ma)
    SELECT n, n, 1, '', '', 0, 0 FROM generate_series(1, %(sites)s) AS n
"""
CIRCUITS = """
    INSERT INTO installs_circuit (id, panel_id, number, zone, profile_id, topology_id, cable_type_id)
    SELECT n, (n - 1) / %(each)s + 1, (n - 1) %% %(each)s + 1, 'Zone', 1, 1, 1
    FROM generate_series(1, %(sites)s * %(each)s) AS n
"""
TABLES = """
    UPDATE installs_looptable SET stale = FALSE, outcome = 'right', band_low_ohm = 3290, band_high_ohm = 6815,
        normal_ohm = 4700, computed_at = now()
"""
# One circuit in a hundred drifts by some 600 Ω a year; the others scatter by 1 %.
MEASUREMENTS = """
    INSERT INTO installs_loopmeasurement (circuit_id, measured_on, ohm, place, at_rest, note, source, by_id, at)
    SELECT c, date '2022-06-01' + k * 330 + c %% 60,
        4700 + (hashint8(c * 31 + k) & 1023) / 1023.0 * 47 + CASE WHEN c %% 100 = 0 THEN 450 * k ELSE 0 END,
        'panel', TRUE, '', 'by hand', 1, now()
    FROM generate_series(0, %(values)s - 1) AS k, generate_series(1, %(sites)s * %(each)s) AS c
"""
REQUIREMENTS = """
    INSERT INTO maintenance_requirement (rule_id, site_id, circuit_id, due_month, window_from, window_to, active)
    SELECT 1, (n - 1) / %(each)s + 1, n, date '2027-06-01', date '2027-05-01', date '2027-07-31', TRUE
    FROM generate_series(1, %(sites)s * %(each)s) AS n
"""
FLOOR = """
    SELECT count(*), sum(syy) FROM (
        SELECT circuit_id, count(*) AS n, min(measured_on), max(measured_on),
            avg(measured_on - date '2000-01-01'), avg(ohm),
            regr_sxx(ohm, measured_on - date '2000-01-01') AS sxx,
            regr_syy(ohm, measured_on - date '2000-01-01') AS syy,
            regr_sxy(ohm, measured_on - date '2000-01-01') AS sxy
        FROM installs_loopmeasurement GROUP BY circuit_id
    ) AS sums
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--measurements", type=int, default=1_000_000, help="how many, up to 5,000,000")
    wanted = parser.parse_args().measurements
    if not 1000 <= wanted <= 5_000_000:
        parser.error(f"--measurements is {wanted}; give 1000 to 5000000.")

    with own_database():
        measure(wanted)


def measure(wanted: int) -> None:
    from django.db import connection, transaction

    from installs.models import LoopMeasurement
    from maintenance.models import LoopDrift
    from maintenance.services.drift import mark_drifts

    values = {"sites": wanted // (EACH * CIRCUITS_EACH), "each": CIRCUITS_EACH, "values": EACH}

    def run(*statements: str) -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement, values if "%(" in statement else None)

    began = time.perf_counter()
    # Foreign keys into the catalogue play no part here, and triggers of single rows would take the time.
    run("SET LOCAL session_replication_role = replica", BRANCH, CUSTOMER, REGIME, USER, SITES, RULE, SYSTEMS, PANELS,
        CIRCUITS, "INSERT INTO installs_looptable (circuit_id, stale, outcome, cause, cure, \"table\")"
        " SELECT id, TRUE, 'unknown', '', '', '{}' FROM installs_circuit", TABLES, MEASUREMENTS, REQUIREMENTS)
    with connection.cursor() as cursor:
        cursor.execute("VACUUM (ANALYZE)")
    print(f"{LoopMeasurement.objects.count():,} measurements of {values['sites'] * CIRCUITS_EACH:,} circuits made in"
          f" {elapsed(began):.1f} s\n")

    floors, fulls = [], []
    for _ in range(3):
        run("TRUNCATE maintenance_loopdrift")
        floors.append(timed(lambda: run(FLOOR)))
        fulls.append(timed(lambda: mark_drifts(business_date=DAY)))
    idle = min(timed(lambda: mark_drifts(business_date=DAY)) for _ in range(3))
    print(f"{LoopDrift.objects.count():,} marks")
    print_ratios((
        ("the same sums, grouped, nothing else (floor)", min(floors)),
        ("mark_drifts, all new", min(fulls)),
        ("mark_drifts, repeated, nothing changes", idle),
    ))


if __name__ == "__main__":
    main()
