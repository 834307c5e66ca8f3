"""A snapshot that is killed anywhere leaves nothing, and the next run ends as if nothing had happened."""

from __future__ import annotations

import contextlib
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import psycopg
import pytest
from django.db import connection
from django.utils import timezone

from config.accounts.models import Branch
from config.demo import factories as make
from config.errors import Conflict
from stock.models import Item, Location, Snapshot, SnapshotLine
from stock.services.ledger import post_movement
from stock.services.reconciliation import check_ledger
from stock.services.snapshots import missing_moments, take_missing_snapshots
from tests.faults.environment import of_the_tests
from tests.faults.test_nightly_kill import waiting_for
from tests.machine import ROOT, wait_until

pytestmark = pytest.mark.django_db(transaction=True)

MONTHS = 6
RUN = """
import django
django.setup()
from stock.services.snapshots import take_missing_snapshots
print("begins", flush=True)
take_missing_snapshots()
print("ended", flush=True)
"""


def process() -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", RUN], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT,
        env=os.environ | of_the_tests(),
    )


@pytest.fixture
def holder() -> Iterator[psycopg.Connection]:
    """Another session, that can hold a table so that the snapshot has to wait."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as session:
        yield session
        session.rollback()


@pytest.fixture
def world() -> tuple[list[Item], list[Location]]:
    """Some months of postings in two stores."""
    branch = Branch.objects.create(code="NB", name="Northbeck")
    places = [make.LocationFactory.create(branch=branch), make.LocationFactory.create(branch=branch)]
    supplier = make.SuppliersPlaceFactory.create()
    items = [make.ItemFactory.create() for _ in range(5)]
    start = timezone.now() - timedelta(days=31 * MONTHS)
    for number, item in enumerate(items):
        make.MovementFactory.create(item=item, quantity=90, source=supplier, destination=places[0], at=start)
        for month in range(MONTHS):
            make.MovementFactory.create(
                item=item, quantity=1 + number, source=places[0], destination=places[1], kind="transfer",
                at=start + timedelta(days=31 * month + number + 1),
            )
    return items, places


def lines() -> list[Any]:
    return list(
        SnapshotLine.objects.exclude(on_hand=0).order_by("snapshot__moment", "item", "location").values_list(
            "snapshot__moment", "item", "location", "on_hand"
        )
    )


def undisturbed() -> list[Any]:
    """The lines that a run leaves which nobody disturbs; taken away again."""
    take_missing_snapshots()
    expected = lines()
    Snapshot.objects.all().delete()
    return expected


@pytest.mark.parametrize(("table", "mode"), [
    # Where the lines are written, and where it waits for postings to end.
    ("stock_snapshotline", "SHARE"),
    ("stock_movement", "ROW EXCLUSIVE"),
])
def test_killed_while_it_waits(table: str, mode: str, world: Any, holder: psycopg.Connection) -> None:
    due = missing_moments()
    assert len(due) >= MONTHS - 1
    expected = undisturbed()
    assert expected
    holder.execute(f"LOCK TABLE {table} IN {mode} MODE")
    running = process()
    wait_until(lambda: waiting_for(table), f"the snapshot waits for {table}")
    running.kill()
    output, _ = running.communicate()
    assert output.splitlines() == ["begins"]
    assert Snapshot.objects.count() == SnapshotLine.objects.count() == 0
    holder.rollback()
    assert take_missing_snapshots() == {"taken": len(due), "left": 0}
    assert lines() == expected
    check = check_ledger()
    assert (check.differences, check.compared["snapshots"]) == (0, 3)


def test_killed_at_any_moment_while_people_post(world: Any) -> None:
    items, places = world
    chance = random.Random(4)
    stop = threading.Event()
    posted: list[int] = []

    def post() -> None:
        count = 0
        try:
            while not stop.is_set():
                count += 1
                with contextlib.suppress(Conflict):
                    post_movement(
                        items[count % 5], quantity=1, source=places[count % 2], destination=places[(count + 1) % 2],
                        kind="transfer", by=None, at=timezone.now() - timedelta(days=count * 7 % 150),
                    )
        finally:
            posted.append(count)
            connection.close()

    poster = threading.Thread(target=post)
    poster.start()
    try:
        for _ in range(6):
            running = process()
            assert running.stdout is not None
            assert running.stdout.readline() == "begins\n"
            time.sleep(chance.uniform(0, 0.25))
            running.kill()
            running.communicate()
            # Half-way there is no such thing: each snapshot is there with all its lines, or not at all.
            assert check_ledger(chance=chance).differences == 0
        take_missing_snapshots()
    finally:
        stop.set()
        poster.join()
    assert posted[0] > 20
    assert missing_moments() == []
    assert Snapshot.objects.filter(lines=None).count() == 0
    for _ in range(8):
        check = check_ledger(chance=chance)
        assert (check.differences, check.compared["snapshots"]) == (0, 3)
