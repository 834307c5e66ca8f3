"""Keeping loop tables against the bare computation of the same loops, and reading a kept sheet against computing it.

    python -m tests.bench.bench_loop_tables [--circuits 20000]

Works in a database of its own, `<name>_bench`, made and dropped here, on the server that the settings name. Two devices
on each double end-of-line circuit, as on most sites; cables of different lengths. Floor: `loop_report.report` on the
same loops, made from the same rows, with nothing read or written. Read the ratios, not the seconds.
"""

from __future__ import annotations

import argparse
import time
from typing import Any

from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

PER_SITE = 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--circuits", type=int, default=20_000, help="how many, up to 200,000")
    wanted = parser.parse_args().circuits
    if not PER_SITE <= wanted <= 200_000:
        parser.error(f"--circuits is {wanted}; give {PER_SITE} to 200000.")

    with own_database():
        measure(wanted)


def make_circuits(wanted: int) -> None:
    """A branch with sites of PER_SITE circuits each: one by the tests' kit, the others copied from it."""
    from config.accounts.models import Branch, Firm
    from config.demo import factories as make
    from installs.models import Circuit, CircuitPlace, Device, Panel, Site, System
    from tests.installs.kit import site_with

    Firm.objects.create(pk=1, name="Bench")
    branch = Branch.objects.create(code="B", name="Bench")
    kit = site_with(branch, circuits=PER_SITE, devices_each=2)
    like, first, circuit = kit.devices[0], kit.panel, kit.circuits[0]
    numbers = range(wanted // PER_SITE - 1)
    sites = Site.objects.bulk_create(
        [make.SiteFactory.build(branch=branch, customer=kit.site.customer, reference=f"B{n:06d}") for n in numbers]
    )
    systems = System.objects.bulk_create([System(site=site) for site in sites])
    panels = Panel.objects.bulk_create([Panel(system=system, type=first.type) for system in systems])
    circuits = Circuit.objects.bulk_create(
        [
            Circuit(
                panel=panel, number=number, zone=f"Zone {number}", profile_id=circuit.profile_id,
                topology_id=circuit.topology_id, cable_type_id=circuit.cable_type_id,
            )
            for panel in panels for number in range(1, PER_SITE + 1)
        ],
        batch_size=5000,
    )
    devices = Device.objects.bulk_create(
        [
            Device(
                system_id=line.panel.system_id, mark=f"D{line.number}{order}", position="Room", variant=like.variant,
                backplate=like.backplate, board=like.board, signalling_wires=2, cable_type_id=like.cable_type_id,
                core_landings=like.core_landings, settings=like.settings, fitted_on=like.fitted_on,
            )
            for line in circuits for order in (1, 2)
        ],
        batch_size=5000,
    )
    CircuitPlace.objects.bulk_create(
        [
            CircuitPlace(
                circuit=circuits[n // 2], device=device, order=n % 2 + 1, functions=["alarm", "tamper"],
                run_m=5 + n % 97 / 2,
            )
            for n, device in enumerate(devices)
        ],
        batch_size=5000,
    )


def measure(wanted: int) -> None:
    from django.db import connection

    from config.accounts.models import User
    from config.accounts.rights import Role
    from installs.models import Circuit, CircuitPlace, Device, InputBand, LoopTable, Site
    from installs.queries.loop_values import CIRCUIT_FIELDS, DEVICE_FIELDS, PLACE_FIELDS, loop_of
    from installs.queries.sheet import site_sheet
    from installs.rules.bands import Band
    from installs.rules.loop_report import report
    from installs.services.loop_tables import keep_stale_tables, offers

    began = time.perf_counter()
    make_circuits(wanted)
    with connection.cursor() as cursor:
        cursor.execute("VACUUM (ANALYZE)")
    print(f"{LoopTable.objects.count():,} circuits made in {elapsed(began):.1f} s\n")

    places: dict[int, list[Any]] = {}
    for place in CircuitPlace.objects.order_by("circuit_id", "order").values(*PLACE_FIELDS):
        places.setdefault(place["circuit_id"], []).append(place)
    devices: dict[int, Any] = {row["id"]: row for row in Device.objects.values(*DEVICE_FIELDS)}
    circuits = list(Circuit.objects.values(*CIRCUIT_FIELDS))
    bands = [Band(band.state, band.low_ohm, band.high_ohm) for band in InputBand.objects.all()]
    cables, boards = offers()

    def bare() -> None:
        for circuit in circuits:
            report(loop_of(circuit, places[circuit["id"]], devices), bands, cables=cables, boards=boards)

    user = User.objects.create_user("a@b.example", "correct horse 7", name="Bench", role=Role.SERVICE_MANAGER)
    site_id = Site.objects.order_by("id").values_list("id", flat=True)[1]

    def sheets() -> None:
        for _ in range(20):
            site_sheet(user, site_id)

    floor = timed(bare)
    sheets()
    computed = timed(sheets) / 20
    kept_in = timed(keep_stale_tables)
    assert LoopTable.objects.filter(stale=True).count() == 0, "every table must be kept"
    nothing = timed(keep_stale_tables)
    read = timed(sheets) / 20

    print_ratios((
        ("bare report of the same loops (floor)", floor),
        ("keep_stale_tables, all stale", kept_in),
        ("keep_stale_tables, repeated, nothing stale", nothing),
    ))
    print(f"{1e3 * kept_in / len(circuits):.2f} ms a circuit\n")
    print(f"a site sheet of {PER_SITE} circuits and {2 * PER_SITE} devices, without its rendering")
    print_ratios((("tables read as kept", read), ("tables stale, computed for the look", computed)))


if __name__ == "__main__":
    main()
