"""Levels, stock as of a moment, snapshots and the check of the ledger at 2 million movements.

    python -m tests.bench.bench_levels [--movements 2000000]

Works in a database of its own, `<name>_bench`, made and dropped here, on the server that the settings name. Movements
are written by two INSERTs with the triggers of single rows off; balances, averages and levels by one statement each,
as the triggers would have left them; the check of the ledger, which is timed too, then proves it. 200 places with 1,000
items each, five years; every tenth balance is below its level. One store has a fifth of all movements.

Floor of the pages: the bare SQL that reads one place's rows of the balance table, without names, order or level. Goal:
at most 3 times that, for one place's levels and for what it held at a past moment. Read the ratios, not the seconds.
"""

from __future__ import annotations

import argparse
import logging
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from statistics import median

from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

PLACES = 200
ITEMS = 1000
YEARS = 5
MONTHS = timedelta(days=70)

BRANCH = "INSERT INTO accounts_branch (id, code, name) VALUES (1, 'B', 'Bench')"
USER = """
    INSERT INTO accounts_user (id, email, name, role, is_active, is_superuser, joined_at, password)
    VALUES (1, 'a@b.example', 'Bench', 'admin', TRUE, FALSE, now(), '')
"""
LOCATIONS = """
    INSERT INTO stock_location (id, code, name, kind, branch_id)
    SELECT n, 'p' || n, 'Place ' || n, CASE WHEN n <= 20 THEN 'store' ELSE 'van' END, 1
    FROM generate_series(1, %(places)s) AS n
    UNION ALL SELECT 1000, 'supplier', 'Supplier', 'supplier', NULL
    UNION ALL SELECT 1001, 'sites', 'Sites', 'site', NULL
"""
ITEMS_SQL = """
    INSERT INTO stock_item (id, sku, name, kind, tracking, unit)
    SELECT n, 'SKU-' || n, 'Item ' || lpad((hashint4(n) & 65535)::text, 5, '0') || ' ' || n,
        (ARRAY['cover', 'board', 'backplate', 'insert', 'spare'])[n %% 5 + 1], 'none', 'pc'
    FROM generate_series(1, %(items)s) AS n
"""
# First each place receives 40 of each item; then, day by day, goods come in and most of them leave to sites.
FIRST = """
    INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note,
        unit_cost)
    SELECT i, 40, 1000, p, '', 'receive', %(start)s + make_interval(secs => p), '', '', 5 + i %% 7
    FROM generate_series(1, %(places)s) AS p, generate_series(1, %(items)s) AS i
"""
REST = """
    INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note,
        unit_cost)
    SELECT 1 + (hashint4(n / 2) & 1048575) %% %(items)s, 1 + (n %% 8 = 0)::int,
        CASE WHEN n %% 2 = 0 THEN 1000 ELSE place END, CASE WHEN n %% 2 = 0 THEN place ELSE 1001 END, '',
        CASE WHEN n %% 2 = 0 THEN 'receive' ELSE 'fit' END,
        %(start)s + interval '1 hour' + n * %(step)s::interval, '', '', CASE WHEN n %% 2 = 0 THEN 6 END
    FROM generate_series(1, %(rest)s) AS n, LATERAL (SELECT CASE WHEN n %% 10 < 2 THEN 1
        ELSE 1 + (hashint4(n / 2 + 7) & 1048575) %% %(places)s END AS place) AS one
"""
BALANCES = """
    INSERT INTO stock_balance (item_id, location_id, physical, on_hand, reserved, reserved_ahead, on_order,
        level_minimum)
    SELECT item_id, e.location_id, e.location_id < 1000, sum(amount), 0, 0, 0, 0 FROM stock_movement m, LATERAL (VALUES
        (m.source_id, -m.quantity), (m.destination_id, m.quantity)) AS e (location_id, amount)
    GROUP BY item_id, e.location_id
"""
LEVELS = """
    INSERT INTO stock_stocklevel (item_id, location_id, minimum, target, by_hand)
    SELECT item_id, location_id, CASE WHEN (item_id + location_id) %% 10 = 0 THEN on_hand + 5 ELSE 1 END, on_hand + 50,
        TRUE
    FROM stock_balance WHERE physical
"""
MINIMA = """
    UPDATE stock_balance b SET level_minimum = l.minimum FROM stock_stocklevel l
    WHERE l.item_id = b.item_id AND l.location_id = b.location_id
"""
COSTS = """
    INSERT INTO stock_itemcost (item_id, movement_id, at, quantity, unit_cost, held_before, average)
    SELECT item_id, id, at, quantity, unit_cost, 0, unit_cost FROM stock_movement
    WHERE unit_cost IS NOT NULL AND id %% 5 = 0 ORDER BY id
"""
FLOOR = "SELECT item_id, on_hand, reserved, on_order, level_minimum FROM stock_balance WHERE location_id = %s"
# For comparison: what any list of a place's stock must do at the least, names and order, before anything else.
NAMED = """
    SELECT b.item_id, b.on_hand, i.name, l.name FROM stock_balance b JOIN stock_item i ON i.id = b.item_id
    JOIN stock_location l ON l.id = b.location_id WHERE b.location_id = %s ORDER BY i.name, b.id LIMIT 51
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--movements", type=int, default=2_000_000, help="how many, up to 5,000,000")
    wanted = parser.parse_args().movements
    if not 300_000 <= wanted <= 5_000_000:
        parser.error(f"--movements is {wanted}; give 300000 to 5000000.")
    with own_database():
        logging.disable(logging.INFO)
        measure(wanted)


def often(work: Callable[[], object], times: int = 25) -> float:
    """Least seconds of so many, after a first run that fills the caches: what other work on the machine adds is not
    ours."""
    work()
    return min(timed(work) for _ in range(times))


def measure(wanted: int) -> None:
    from django.db import connection, transaction
    from django.test import Client
    from django.utils import timezone

    from config.accounts.models import User
    from stock.models import Movement, Snapshot
    from stock.queries import level_page
    from stock.queries.as_of import held_at, stock_as_of
    from stock.queries.valuation import valuation
    from stock.services.reconciliation import check_ledger
    from stock.services.snapshots import missing_moments, take_snapshot

    start = timezone.now() - timedelta(days=365 * YEARS)
    rest = wanted - PLACES * ITEMS
    values = {
        "places": PLACES, "items": ITEMS, "start": start, "rest": rest,
        "step": timedelta(days=365 * YEARS) / (rest + 5000),
    }

    def run(*statements: str) -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement, values if "%" in statement else None)

    def tidy() -> None:
        with connection.cursor() as cursor:
            cursor.execute("VACUUM (ANALYZE)")

    began = time.perf_counter()
    run("SET LOCAL session_replication_role = replica", BRANCH, USER, LOCATIONS, ITEMS_SQL, FIRST, REST, BALANCES,
        LEVELS, MINIMA, COSTS)
    tidy()
    print(f"{Movement.objects.count():,} movements made in {elapsed(began):.0f} s, triggers off\n")
    # Only those next to the moments asked for below; they would be no others if all 60 were there.
    near = [m for m in missing_moments() if abs(m - middle(start)) < timedelta(days=40) or timezone.now() - m < MONTHS]
    seconds = [timed(lambda moment=moment: take_snapshot(moment)) for moment in near]
    print(f"a monthly snapshot of {Snapshot.objects.latest('id').lines_written:,} lines: {min(seconds[1:]):.1f} s from"
          f" the one before (median {median(seconds[1:]):.1f} s), {seconds[0]:.1f} s from nothing")
    tidy()
    check = check_ledger()
    print(f"check of the ledger: {timed(check_ledger):.1f} s, {check.differences} differences, {check.compared}\n")
    tidy()

    user = User.objects.get(pk=1)
    client = Client(headers={"host": "localhost"})
    client.force_login(user)

    def bare(place: int, sql: str = FLOOR) -> None:
        with connection.cursor() as cursor:
            cursor.execute(sql, [place])
            cursor.fetchall()

    def page(address: str) -> Callable[[], object]:
        def get() -> None:
            assert client.get(address).status_code == 200

        return get

    def quantities(place: int, moment: datetime) -> None:
        """What the floor reads, at another moment: item and quantity of all its rows, no names and no costs."""
        held = held_at(user, moment, location=place)
        with connection.cursor() as cursor:
            cursor.execute(held.sql, held.values | {"places": held.places})
            cursor.fetchall()

    def deep(place: int | None) -> str | None:
        cursor = None
        for _ in range(8):
            cursor = level_page(user, location=place, cursor=cursor).next_cursor or cursor
        return cursor

    moments = {"a week ago": timezone.now() - timedelta(days=7), "middle of a month, 2 years ago": middle(start)}
    for name, place in (("a van", 150), ("the store with a fifth of all movements", 1)):
        cursor = deep(place)
        rows = [
            ("bare SQL of its balance rows (floor)", often(lambda place=place: bare(place))),
            ("the first 51 of them by name, bare SQL", often(lambda place=place: bare(place, NAMED))),
            ("levels, first page (query)", often(lambda place=place: level_page(user, location=place))),
            ("levels, ninth page (query)", often(lambda p=place, c=cursor: level_page(user, location=p, cursor=c))),
            ("levels through HTTP (test client)", often(page(f"/stock/?location={place}"))),
            *(
                (f"quantities as of {words}", often(lambda p=place, m=moment: quantities(p, m)))
                for words, moment in moments.items()
            ),
            *(
                (f"as of {words} (query)", often(lambda p=place, m=moment: stock_as_of(user, m, location=p)))
                for words, moment in moments.items()
            ),
            ("value of it then", often(lambda p=place: valuation(user, middle(start), location=p))),
        ]
        print(f"{name}:")
        print_ratios(rows)
        print()

    def everywhere() -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT item_id, location_id, on_hand FROM stock_balance WHERE physical")
            cursor.fetchall()

    cursor = deep(None)
    print(f"all {PLACES} places:")
    print_ratios((
        ("bare SQL of all balance rows (floor)", often(everywhere, 7)),
        ("levels, first page (query)", often(lambda: level_page(user), 7)),
        ("levels, ninth page (query)", often(lambda: level_page(user, cursor=cursor), 7)),
        ("levels through HTTP (test client)", often(page("/stock/"), 7)),
        ("as of 2 years ago (query)", often(lambda: stock_as_of(user, middle(start)), 7)),
        ("value of all 2 years ago", often(lambda: valuation(user, middle(start)), 7)),
    ))


def middle(start: datetime) -> datetime:
    """Half-way between two snapshots: as many movements as can be are added up."""
    return start.replace(day=16) + timedelta(days=365 * 3)


if __name__ == "__main__":
    main()
