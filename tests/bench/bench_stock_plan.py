"""Choosing a method for many series of weekly demand, and their reorder points, against a bare numpy pass.

    python -m tests.bench.bench_stock_plan [--series 100000] [--weeks 104] [--ledger 50000]

Read the ratios, not the seconds. Floor: one pass of exponential smoothing in numpy over the same matrix, week by week,
with its squared errors; the plan does sixteen such passes (four constants, four recursions), judges seventeen
candidates over the lead time, and computes the points. With `--ledger` the whole nightly step is timed too: movements
in a database of its own, `<name>_bench`, made and dropped here; 0 leaves it out.
"""

from __future__ import annotations

import argparse
import time
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stock.rules.intermittent import estimate
from stock.rules.reorder import protected_demand, reorder_point
from tests.bench.clock import elapsed, print_ratios, timed
from tests.bench.database import own_database

Numbers = NDArray[np.float64]
TODAY = date(2026, 11, 25)
ITEMS, STORES = 100, 50


def demand(weeks: int, series: int) -> Numbers:
    rng = np.random.default_rng(1)
    chance = rng.uniform(0.02, 0.6, series)
    return np.where(rng.random((weeks, series)) < chance, rng.geometric(0.4, (weeks, series)), 0).astype(np.float64)


def bare(matrix: Numbers) -> Numbers:
    """Exponential smoothing and its squared errors: what any forecast must at least do."""
    level, squares = matrix[0].copy(), np.zeros(matrix.shape[1])
    for week in matrix[1:]:
        error = week - level
        squares += error**2
        level += 0.1 * error
    return squares


def points(matrix: Numbers) -> None:
    found = estimate(matrix, horizon_weeks=2)
    reorder_point(
        protected_demand(
            rate_per_week=found.rate_per_week, variance_per_week=found.variance_per_week, lead_time_days=9,
            lead_time_sd_days=2, review_days=1, rate_variance=found.rate_variance,
        ),
        service=0.95,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=100_000)
    parser.add_argument("--weeks", type=int, default=104)
    parser.add_argument("--ledger", type=int, default=50_000, help="movements; 0: leave the database out")
    given = parser.parse_args()
    matrix = demand(given.weeks, given.series)
    floor = min(timed(lambda: bare(matrix)) for _ in range(3))
    whole = timed(lambda: points(matrix))
    print_ratios([("one bare smoothing pass", floor), ("methods compared, points", whole)])
    print(f"{given.series / whole:,.0f} series of {given.weeks} weeks a second")
    if given.ledger:
        with own_database():
            nightly(given.ledger)


def nightly(movements: int) -> None:
    from django.db import connection

    from config.accounts.models import Branch, Firm
    from config.demo import factories as make
    from stock.models import Item, Location, Movement, StockPlan
    from stock.services.planning import plan_stock

    Firm.objects.create(pk=1, name="Bench")
    stores = [
        Location.objects.create(code=f"s{n}", name=f"Store {n}", kind="store",
                                branch=Branch.objects.create(code=f"B{n}", name=f"Branch {n}"))
        for n in range(STORES)
    ]
    sites, supplier = make.SitesPlaceFactory.create(), make.SuppliersPlaceFactory.create()
    items = Item.objects.bulk_create([Item(sku=f"I{n}", name=f"Item {n}", kind="spare") for n in range(ITEMS)])
    rng = np.random.default_rng(2)
    start = datetime.combine(TODAY - timedelta(weeks=105), datetime.min.time(), UTC)
    Movement.objects.bulk_create(
        [Movement(item=item, source=supplier, destination=store, quantity=100_000, kind="receive", at=start)
         for item in items for store in stores], batch_size=5000,
    )
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    picks = zip(rng.integers(ITEMS, size=movements).tolist(), rng.integers(STORES, size=movements).tolist(),
                rng.integers(1, 105 * 7, size=movements).tolist(), strict=True)
    Movement.objects.bulk_create(
        [Movement(item=items[item], source=stores[store], destination=sites, quantity=1 + day % 3, kind="fit",
                  at=start + timedelta(days=day)) for item, store, day in picks], batch_size=5000,
    )
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
        began = time.perf_counter()
        cursor.execute(
            "SELECT item_id, source_id, date_trunc('week', at), sum(quantity) FROM stock_movement "
            "WHERE kind = 'fit' GROUP BY 1, 2, 3"
        )
        cursor.fetchall()
        floor = elapsed(began)
    first = timed(lambda: plan_stock(business_date=TODAY))
    again = timed(lambda: plan_stock(business_date=TODAY))
    print(f"\nThe nightly step, {movements:,} issues, {StockPlan.objects.count():,} plans")
    print_ratios([("SQL: issues by item, place and week", floor), ("nightly step, first", first),
                  ("nightly step, repeated", again)])


if __name__ == "__main__":
    main()
