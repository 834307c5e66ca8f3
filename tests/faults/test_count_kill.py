"""A process killed in the middle of posting a count leaves nothing, and posting again ends as if undisturbed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator

import psycopg
import pytest
from django.db import connection
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from stock.models import Balance, CountLine, Item, Location, Movement, Serial, StockCount
from stock.services.count_posting import post_count
from stock.services.counting import enter, hand_in, start_count
from tests.faults.environment import of_the_tests
from tests.machine import ROOT, wait_until

pytestmark = pytest.mark.django_db(transaction=True)

ITEMS = 1500
POST = """
import django
django.setup()
from config.accounts.models import User
from stock.models import StockCount
from stock.services.count_posting import post_count
post_count(StockCount.objects.get(pk={count}), by=User.objects.get(pk={by}))
"""


@pytest.fixture
def holder() -> Iterator[psycopg.Connection]:
    """Another session, that can hold what the posting comes to in its middle."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as session:
        yield session
        session.rollback()


def poster(count: StockCount, by: User) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", POST.format(count=count.pk, by=by.pk)], cwd=ROOT,
                            env=os.environ | of_the_tests())


def waiting() -> bool:
    """Whether somebody waits for a lock while inserting movements."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT EXISTS (SELECT FROM pg_stat_activity WHERE wait_event_type = 'Lock'"
            " AND query LIKE 'INSERT INTO \"stock_movement\"%' AND datname = current_database())"
        )
        return bool((cursor.fetchone() or (False,))[0])


def held(place: Location) -> list[int]:
    return list(Balance.objects.filter(location=place).order_by("item_id").values_list("on_hand", flat=True))


def test_a_posting_killed_in_the_middle_is_made_good(branch: Branch, stores: User, holder: psycopg.Connection) -> None:
    store, supplier = make.LocationFactory.create(branch=branch), make.SuppliersPlaceFactory.create()
    scrap = make.ScrapPlaceFactory.create()
    items = Item.objects.bulk_create(Item(sku=f"K-{n:04}", name=f"Item {n}", kind="spare") for n in range(ITEMS))
    cover = make.CoverFactory.create()
    serials = Serial.objects.bulk_create(Serial(item=cover, number=f"S{n}") for n in range(3))
    Movement.objects.bulk_create(
        [Movement(item=item, quantity=10, source=supplier, destination=store, kind="receive") for item in items]
        + [Movement(item=cover, quantity=1, source=supplier, destination=store, kind="receive", serial=serial)
           for serial in serials]
    )
    count = start_count(store, by=stores)
    now = timezone.now()
    # Every other item has one less than the ledger says, as if entered line by line.
    CountLine.objects.filter(count=count, item__in=items[::2]).update(counted=9, book=10, counted_at=now)
    CountLine.objects.filter(count=count, item__in=items[1::2]).update(counted=10, book=10, counted_at=now)
    line = CountLine.objects.get(count=count, item=cover)
    enter(line, by=stores, version=1, serials=["S0", "S1", "NEW"])
    hand_in(count, by=stores)
    # The first stock at scrap of an item in the middle, written but not committed: the insert of the posting's
    # movement waits for its outcome, after those of more than five hundred items before it.
    holder.execute(
        "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, kind, at, batch, reference, note)"
        " VALUES (%s, 1, %s, %s, 'scrap', now(), '', '', '')",
        [items[1200].pk, supplier.pk, scrap.pk],
    )

    first = poster(count, stores)
    try:
        wait_until(waiting, "the posting waits in its middle", seconds=60)
    finally:
        first.kill()
        first.wait()
    holder.rollback()
    count.refresh_from_db()
    assert (count.state, count.posted_at) == ("review", None)
    assert Movement.objects.filter(reference=count.number).count() == 0
    assert held(store) == [10] * ITEMS + [3]
    assert list(Serial.objects.filter(number="NEW")) == []
    assert CountLine.objects.filter(difference_posted__isnull=False).count() == 0

    assert poster(count, stores).wait(60) == 0
    assert poster(count, stores).wait(60) == 0
    assert post_count(count, by=stores).state == "posted"
    assert held(store) == [9 if n % 2 == 0 else 10 for n in range(ITEMS)] + [3]
    assert Movement.objects.filter(reference=count.number).count() == ITEMS // 2 + 2
    places = dict(Serial.objects.filter(item=cover).values_list("number", "location__kind"))
    assert places == {"S0": "store", "S1": "store", "S2": "scrap", "NEW": "store"}
