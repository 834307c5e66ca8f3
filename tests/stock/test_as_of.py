"""Stock at a past moment: whatever was kept and whenever it was posted, the same as adding up every movement."""

from __future__ import annotations

import contextlib
import threading
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection, transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from config.keyset import write_cursor
from stock.models import Item, Location, Movement, Snapshot, SnapshotLine
from stock.queries import as_of
from stock.queries.as_of import stock_as_of
from stock.services import snapshots
from stock.services.ledger import post_movement
from stock.services.snapshots import missing_moments, month_after, take_missing_snapshots, take_snapshot
from tests.stock.conftest import Places

LONDON = ZoneInfo("Europe/London")
START = datetime(2026, 3, 1, tzinfo=LONDON)
TICK = timedelta(microseconds=1)
Held = dict[tuple[int, int], int]


def day(number: int) -> datetime:
    return START + timedelta(days=number)


def full_sum(moment: datetime) -> Held:
    """Item and place to quantity, by adding up every movement in Python; zeros left out."""
    held: Held = defaultdict(int)
    for item, source, destination, quantity, at in Movement.objects.values_list(
        "item_id", "source_id", "destination_id", "quantity", "at"
    ):
        if at < moment:
            held[item, source] -= quantity
            held[item, destination] += quantity
    return {key: quantity for key, quantity in held.items() if quantity}


def kept(snapshot: Snapshot) -> Held:
    lines = SnapshotLine.objects.filter(snapshot=snapshot).exclude(on_hand=0)
    return {(item, place): n for item, place, n in lines.values_list("item_id", "location_id", "on_hand")}


def answered(user: User, moment: datetime, *, size: int = 3, **filters: Any) -> Held:
    """Every page of the answer, put together; each row once."""
    found: Held = {}
    cursor: str | None = None
    while True:
        page = stock_as_of(user, moment, cursor=cursor, size=size, **filters)
        for row in page.rows:
            assert (row.item_id, row.location_id) not in found
            found[row.item_id, row.location_id] = row.quantity
        if page.next_cursor is None:
            return found
        cursor = page.next_cursor


def owned(held: Held) -> Held:
    own = set(Location.objects.filter(kind__in=Location.HELD).values_list("pk", flat=True))
    return {key: quantity for key, quantity in held.items() if key[1] in own}


# A day on which something is posted or a snapshot taken; half of them fall on the very moment of a snapshot.
DAYS = st.integers(0, 9)
POSTING = st.tuples(st.just("post"), DAYS, st.integers(0, 1), st.integers(0, 3), st.integers(0, 3), st.integers(1, 9))
SNAPSHOT = st.tuples(st.just("snapshot"), DAYS)


@pytest.mark.django_db
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(history=st.lists(st.one_of(POSTING, POSTING, POSTING, SNAPSHOT), min_size=1, max_size=25))
def test_any_history_answers_as_the_full_sum(
    history: list[tuple[Any, ...]], branch: Branch, service_manager: User
) -> None:
    with transaction.atomic():
        places = [
            make.LocationFactory.create(branch=branch),
            make.LocationFactory.create(branch=branch),
            make.SuppliersPlaceFactory.create(),
            make.ScrapPlaceFactory.create(),
        ]
        items = [make.ItemFactory.create(), make.ItemFactory.create()]
        for step, when, *posting in history:
            if step == "snapshot":
                take_snapshot(day(when))
                continue
            item, source, destination, quantity = posting
            try:
                with transaction.atomic():
                    # Straight into the table: the kind does not matter here, the order of posting and happening does.
                    Movement.objects.create(
                        item=items[item], source=places[source], destination=places[destination], quantity=quantity,
                        kind="transfer", at=day(when) + timedelta(hours=12) * (quantity % 2),
                    )
            except Exception:
                continue
        for number in range(10):
            for moment in (day(number), day(number) + TICK, day(number) + timedelta(hours=12)):
                assert answered(service_manager, moment) == owned(full_sum(moment))
        for snapshot in Snapshot.objects.all():
            assert kept(snapshot) == full_sum(snapshot.moment)
        # Now is a past moment too, and agrees with the balances.
        assert answered(service_manager, timezone.now()) == owned(full_sum(timezone.now()))
        transaction.set_rollback(True)


@pytest.fixture
def spread(places: Places) -> Item:
    """20 received on 1 March, 5 of them to the van on the 11th, 3 scrapped on the 21st."""
    item = make.ItemFactory.create(sku="SP-7", name="Wall plug")
    for when, quantity, source, destination, kind in (
        (0, 20, places.supplier, places.store, "receive"),
        (10, 5, places.store, places.van, "transfer"),
        (20, 3, places.store, places.scrap, "scrap"),
    ):
        make.MovementFactory.create(
            item=item, quantity=quantity, source=source, destination=destination, kind=kind, at=day(when)
        )
    return item


def test_a_movement_at_the_moment_itself_is_not_in_yet(spread: Item, places: Places, service_manager: User) -> None:
    store, van = (spread.pk, places.store.pk), (spread.pk, places.van.pk)
    assert answered(service_manager, day(0)) == {}
    assert answered(service_manager, day(0) + TICK) == {store: 20}
    assert answered(service_manager, day(10)) == {store: 20}
    assert answered(service_manager, day(15)) == {store: 15, van: 5}
    assert answered(service_manager, day(25)) == {store: 12, van: 5}
    assert answered(service_manager, day(25), location=places.van.pk) == {van: 5}
    assert answered(service_manager, day(25), item=spread.pk + 1) == {}
    assert answered(service_manager, day(25), kind="cable") == {}


def test_each_way_to_the_answer_gives_the_same(spread: Item, places: Places, service_manager: User) -> None:
    """From the beginning, forwards and backwards from a snapshot, backwards from today."""
    expected = {(spread.pk, places.store.pk): 15, (spread.pk, places.van.pk): 5}
    ways = set()
    for moments in ([], [day(31)], [day(9)], [day(9), day(17)], [day(1), day(16)]):
        for moment in moments:
            take_snapshot(moment)
        held = as_of.held_at(service_manager, day(15))
        ways.add(("stock_balance" in held.sql, held.values["from"] == day(15), held.values["base"] is None))
        assert answered(service_manager, day(15)) == expected
        Snapshot.objects.all().delete()
    # (from the balances, backwards, from nothing)
    assert ways == {(True, True, True), (False, False, True), (False, False, False), (False, True, False)}


def test_a_snapshot_is_taken_once_and_keeps_what_is_not_zero(spread: Item, places: Places) -> None:
    first = take_snapshot(day(15))
    assert kept(first) == {
        (spread.pk, places.supplier.pk): -20, (spread.pk, places.store.pk): 15, (spread.pk, places.van.pk): 5
    }
    assert first.lines_written == 3
    assert take_snapshot(day(15)) == first
    assert Snapshot.objects.count() == 1
    with pytest.raises(InvalidInput) as refused:
        take_snapshot(timezone.now() + timedelta(hours=1))
    assert refused.value.field == "moment"


def test_a_posting_for_an_earlier_time_goes_into_later_snapshots_only(spread: Item, places: Places) -> None:
    early, late = take_snapshot(day(5)), take_snapshot(day(25))
    make.MovementFactory.create(
        item=spread, quantity=2, source=places.supplier, destination=places.van, at=day(12)
    )
    assert kept(early) == full_sum(day(5)) == {(spread.pk, places.supplier.pk): -20, (spread.pk, places.store.pk): 20}
    assert kept(late) == full_sum(day(25))
    assert kept(late)[spread.pk, places.van.pk] == 7
    # And one that is taken between them later counts it once.
    assert kept(take_snapshot(day(13))) == full_sum(day(13))


def test_months_are_caught_up_a_few_at_a_time(
    spread: Item, places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = datetime(2026, 11, 25, 9, tzinfo=LONDON)
    monkeypatch.setattr(timezone, "now", lambda: now)
    months = [datetime(2026, month, 1, tzinfo=LONDON) for month in range(4, 12)]
    told: list[tuple[str, int]] = []
    assert take_missing_snapshots(most=5, report=lambda *said: told.append(said)) == {"taken": 5, "left": 3}
    assert told[:2] == [("Apr 2026", 0), ("May 2026", 20)]
    assert list(Snapshot.objects.order_by("moment").values_list("moment", flat=True)) == months[:5]
    assert take_missing_snapshots(most=5) == {"taken": 3, "left": 0}
    assert take_missing_snapshots(most=5) == {"taken": 0, "left": 0}
    # A posting for the year before makes older months due; each snapshot stays exact.
    make.MovementFactory.create(
        item=spread, quantity=4, source=places.supplier, destination=places.store,
        at=datetime(2025, 12, 31, 23, 59, tzinfo=LONDON),
    )
    assert take_missing_snapshots() == {"taken": 3, "left": 0}
    assert Snapshot.objects.count() == 11
    for snapshot in Snapshot.objects.all():
        assert kept(snapshot) == full_sum(snapshot.moment)


def test_an_empty_ledger_has_no_months(db: None) -> None:
    assert take_missing_snapshots() == {"taken": 0, "left": 0}


@pytest.mark.parametrize(("moment", "following"), [
    (datetime(2026, 12, 5, 8, tzinfo=LONDON), datetime(2027, 1, 1, tzinfo=LONDON)),
    # 30 June 23:30 in UTC is July in London already.
    (datetime(2026, 6, 30, 23, 30, tzinfo=ZoneInfo("UTC")), datetime(2026, 8, 1, tzinfo=LONDON)),
    (datetime(2026, 3, 1, tzinfo=LONDON), datetime(2026, 4, 1, tzinfo=LONDON)),
])
def test_months_begin_at_local_midnight(moment: datetime, following: datetime) -> None:
    assert month_after(moment) == following


def test_each_sees_their_own_places(spread: Item, places: Places, stores: User, engineer: User, branch: Branch) -> None:
    far = make.MovementFactory.create(
        item=spread, quantity=1, source=places.supplier, destination=places.other_store, at=day(3)
    ).destination
    strange_van = make.VanFactory.create(branch=branch, engineer=None)
    make.MovementFactory.create(item=spread, quantity=1, source=places.supplier, destination=strange_van, at=day(3))
    seen = {key[1] for key in answered(stores, day(30))}
    assert seen == {places.store.pk, places.van.pk, strange_van.pk}
    assert {key[1] for key in answered(engineer, day(30))} == {places.store.pk, places.van.pk}
    assert answered(stores, day(30), location=far.pk) == {}


def test_two_statements_however_many_rows(
    spread: Item, places: Places, stores: User, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(2):
        assert len(stock_as_of(stores, day(15), location=places.store.pk).rows) == 1
    for name in "AB":
        make.MovementFactory.create(
            item=make.ItemFactory.create(name=name), quantity=1, source=places.supplier, destination=places.store,
            at=day(1),
        )
    with django_assert_num_queries(2):
        assert len(stock_as_of(stores, day(15), location=places.store.pk).rows) == 3
    with django_assert_num_queries(2):
        assert len(stock_as_of(stores, day(15), size=2).rows) == 2
    # All the other places at once, when the first did not fill the page.
    with django_assert_num_queries(3):
        assert [row.location for row in stock_as_of(stores, day(15)).rows] == ["Main store"] * 3 + ["Van 1"]


def test_foreign_cursors_are_explained(spread: Item, places: Places, stores: User) -> None:
    for wrong in ("nonsense", "WzEsMl0", write_cursor([places.store.pk, 3, 1]),
                  write_cursor([places.other_store.pk, "a", 1]), write_cursor([places.store.pk, "a", True])):
        with pytest.raises(InvalidInput) as refused:
            stock_as_of(stores, day(15), cursor=wrong)
        assert refused.value.field == "cursor"


@pytest.mark.django_db(transaction=True)
def test_people_post_while_snapshots_are_taken() -> None:
    """Eight threads post, half of it for earlier times, while two take snapshots: each one is exact in the end."""
    branch = Branch.objects.create(code="NB", name="Northbeck")
    supplier = make.SuppliersPlaceFactory.create()
    stores = [make.LocationFactory.create(branch=branch) for _ in range(3)]
    items = [make.ItemFactory.create() for _ in range(4)]
    for item in items:
        make.MovementFactory.create(item=item, quantity=500, source=supplier, destination=stores[0], at=day(0))
    stop = threading.Event()

    def post(number: int) -> int:
        done = 0
        try:
            while not stop.is_set():
                source, destination = stores[(number + done) % 3], stores[(number + done + 1) % 3]
                with contextlib.suppress(Conflict):
                    post_movement(
                        items[(number + done) % 4], quantity=1 + done % 2, source=source, destination=destination,
                        kind=Movement.Kind.TRANSFER, by=None,
                        at=day(1 + (number * 7 + done) % 40) if done % 2 else None,
                    )
                done += 1
        finally:
            connection.close()
        return done

    def take(moments: list[datetime]) -> None:
        try:
            for moment in moments:
                take_snapshot(moment)
        finally:
            connection.close()

    with ThreadPoolExecutor(10) as pool:
        posting = [pool.submit(post, number) for number in range(8)]
        taking = [pool.submit(take, [day(n) for n in numbers]) for numbers in ([30, 10, 20, 5], [10, 25, 30, 15])]
        try:
            for job in taking:
                job.result(timeout=120)
        finally:
            stop.set()
        posted = [job.result(timeout=30) for job in posting]
    assert min(posted) > 0
    assert Snapshot.objects.count() == 6
    for snapshot in Snapshot.objects.all():
        assert kept(snapshot) == full_sum(snapshot.moment)


@pytest.mark.django_db(transaction=True)
def test_a_posting_under_way_that_does_not_end_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(snapshots, "TRIES", 2)
    monkeypatch.setattr(snapshots, "PATIENCE_MS", 50)
    monkeypatch.setattr(snapshots, "BETWEEN_TRIES_S", 0.01)
    supplier = make.SuppliersPlaceFactory.create()
    store = make.LocationFactory.create(branch=Branch.objects.create(code="NB", name="Northbeck"))
    item = make.ItemFactory.create()
    make.MovementFactory.create(item=item, quantity=1, source=supplier, destination=store, at=day(0))
    held, done = threading.Event(), threading.Event()

    def import_much() -> None:
        try:
            with transaction.atomic():
                make.MovementFactory.create(item=item, quantity=1, source=supplier, destination=store, at=day(0))
                held.set()
                done.wait(20)
        finally:
            connection.close()

    other = threading.Thread(target=import_much)
    other.start()
    try:
        assert held.wait(20)
        with pytest.raises(Conflict) as refused:
            take_snapshot(day(1))
        assert str(refused.value) == (
            "Postings left no gap to take a snapshot in. "
            "The next nightly work tries again; run it when less is posted."
        )
        # The nightly step leaves it to the next night, and the work after it goes on.
        assert take_missing_snapshots(most=1) == {"taken": 0, "left": len(missing_moments())}
    finally:
        done.set()
        other.join()
    assert Snapshot.objects.count() == 0
    assert take_missing_snapshots(most=1)["taken"] == 1
    assert kept(take_snapshot(day(1))) == full_sum(day(1)) == {(item.pk, supplier.pk): -2, (item.pk, store.pk): 2}
