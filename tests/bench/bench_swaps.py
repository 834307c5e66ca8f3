"""The nightly swaps against their floor, in one run on one machine: read the ratios, not the seconds.

    python -m tests.bench.bench_swaps [--devices 100000]

Works in a database of its own, `<name>_bench_swaps`, made and dropped here, on the server that the settings name.
A small demo firm is loaded and its systems are copied until there are as many devices, each with ranges of its own.
Floor: the barest INSERT ... SELECT that finds the same devices and writes the same needs, without their facts.
"""

from __future__ import annotations

import argparse
import time
from datetime import date

from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

DAY = date(2026, 11, 25)
SCALE = 0.25
STEP = 10_000_000  # apart from each other lie the keys of two copies

COPIES = (
    "INSERT INTO installs_system (id, site_id, name) SELECT s.id + k * %(step)s, s.site_id, s.name"
    " FROM installs_system s, generate_series(1, %(copies)s) AS k",
    "INSERT INTO installs_panel (id, system_id, type_id, serial_number, place, other_quiescent_ma, other_alarm_ma)"
    " SELECT p.id + k * %(step)s, p.system_id + k * %(step)s, p.type_id, p.serial_number, p.place, 0, 0"
    " FROM installs_panel p, generate_series(1, %(copies)s) AS k",
    "INSERT INTO installs_circuit (id, panel_id, number, zone, profile_id, topology_id, cable_type_id, eol_ohm)"
    " SELECT c.id + k * %(step)s, c.panel_id + k * %(step)s, c.number, c.zone, c.profile_id, c.topology_id,"
    " c.cable_type_id, c.eol_ohm FROM installs_circuit c, generate_series(1, %(copies)s) AS k",
    "INSERT INTO installs_device (id, system_id, mark, position, variant_id, backplate_id, board_id, hand_wired,"
    " signalling_wires, cable_type_id, core_landings, settings, fitted_on, removed_on, changed_at)"
    " SELECT d.id + k * %(step)s, d.system_id + k * %(step)s, d.mark, d.position, d.variant_id, d.backplate_id,"
    " d.board_id, d.hand_wired, d.signalling_wires, d.cable_type_id, d.core_landings,"
    " d.settings || jsonb_build_object('pir_range_m', 6 + (d.id + k) %% 13), d.fitted_on - k::int, d.removed_on, now()"
    " FROM installs_device d, generate_series(1, %(copies)s) AS k",
    "INSERT INTO installs_circuitplace (id, circuit_id, device_id, \"order\", functions, run_m)"
    " SELECT p.id + k * %(step)s, p.circuit_id + k * %(step)s, p.device_id + k * %(step)s, p.\"order\", p.functions,"
    " p.run_m + k %% 40 FROM installs_circuitplace p, generate_series(1, %(copies)s) AS k",
    "INSERT INTO maintenance_requirement (id, rule_id, site_id, device_id, due_month, window_from, window_to, active)"
    " SELECT q.id + k * %(step)s, q.rule_id, q.site_id, q.device_id + k * %(step)s, q.due_month, q.window_from,"
    " q.window_to, q.active FROM maintenance_requirement q, generate_series(1, %(copies)s) AS k"
    " WHERE q.device_id IS NOT NULL",
    "INSERT INTO maintenance_testresult (id, requirement_id, done_on, outcome, note, recorded_by_id, recorded_at)"
    " SELECT r.id + k * %(step)s, r.requirement_id + k * %(step)s, r.done_on, r.outcome, '', r.recorded_by_id, now()"
    " FROM maintenance_testresult r JOIN maintenance_requirement q ON q.id = r.requirement_id,"
    " generate_series(1, %(copies)s) AS k WHERE q.device_id IS NOT NULL",
)
FLOOR = """
    INSERT INTO maintenance_swapneed (device_id, reasons, signature, since, proposable)
    SELECT d.id, '{discontinued}', '', %(day)s, 0
    FROM installs_device d
    JOIN stock_variant v ON v.id = d.variant_id
    JOIN stock_family m ON m.id = v.family_id
    JOIN installs_system y ON y.id = d.system_id
    JOIN installs_site s ON s.id = y.site_id
    WHERE d.removed_on IS NULL AND (
        v.discontinued_on <= %(day)s OR v.grade < s.grade OR (s.grade >= 3 AND NOT v.anti_mask)
        OR d.fitted_on + make_interval(years => m.service_life_years) <= %(day)s
        OR d.id IN (
            SELECT q.device_id FROM maintenance_testresult r JOIN maintenance_requirement q ON q.id = r.requirement_id
            WHERE r.outcome = 'failed' AND q.device_id IS NOT NULL AND q.active AND NOT EXISTS (
                SELECT FROM maintenance_testresult l WHERE l.requirement_id = r.requirement_id
                    AND l.outcome = 'passed' AND (l.done_on, l.id) > (r.done_on, r.id)
            )
        )
    )
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--devices", type=int, default=100_000, help="how many, 1,000 to 1,000,000")
    wanted = parser.parse_args().devices
    if not 1_000 <= wanted <= 1_000_000:
        parser.error(f"--devices is {wanted}; give 1000 to 1000000.")

    with own_database("bench_swaps"):
        measure(wanted)


def measure(wanted: int) -> None:
    from django.db import connection, transaction

    from config.demo.load import load_demo
    from installs.models import Device
    from maintenance.models import SwapNeed, SwapProposal, SwapVerdict
    from maintenance.rules.swap_settings import _worked_out
    from maintenance.rules.swap_wiring import _loop_read
    from maintenance.services.swaps import propose_swaps
    from stock.models import Variant

    values: dict[str, object] = {"day": DAY, "step": STEP}

    def run(*statements: str) -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            # The copies are made without the triggers of history and ledger, which check nothing here.
            cursor.execute("SET LOCAL session_replication_role = replica")
            for statement in statements:
                cursor.execute(statement, values)

    def tidy() -> None:
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")

    def clear() -> None:
        run("TRUNCATE maintenance_swapneed, maintenance_swapproposal, maintenance_swapverdict")
        tidy()

    def sweep() -> object:
        return propose_swaps(business_date=DAY)

    began = time.perf_counter()
    load_demo(scale=SCALE, seed=2026, today=DAY, progress=lambda done, total: None)
    values["copies"] = max(wanted // Device.objects.count() - 1, 1)
    run(*COPIES)
    tidy()
    print(f"{Device.objects.count():,} devices made in {elapsed(began):.1f} s")

    clear()
    floor = timed(lambda: run(FLOOR))
    needs = SwapNeed.objects.count()
    clear()
    _worked_out.cache_clear()
    _loop_read.cache_clear()
    first = timed(sweep)
    assert SwapNeed.objects.count() == needs, "floor and sweep must write the same needs"
    signatures = SwapVerdict.objects.values("signature").distinct().count()
    print(
        f"{needs:,} needs of {signatures:,} signatures, {SwapVerdict.objects.count():,} verdicts, "
        f"{SwapProposal.objects.count():,} proposals\n"
    )
    tidy()
    idle = min(timed(sweep) for _ in range(3))
    Variant.objects.filter(pk=Variant.objects.order_by("pk")[0].pk).update(maximum_ma=40)
    again = timed(sweep)

    print_ratios((
        ("bare INSERT ... SELECT of the same needs (floor)", floor),
        ("propose_swaps, all new", first),
        ("propose_swaps, repeated, nothing changes", idle),
        ("propose_swaps, catalogue changed, all judged again", again),
    ))


if __name__ == "__main__":
    main()
