"""Many who count, move and post at the same time: real threads, real transactions."""

from __future__ import annotations

import threading
from collections import Counter

import pytest
from django.db import connection, transaction
from django.utils import timezone

from config.accounts.models import User
from config.demo import factories as make
from config.errors import ChangedMeanwhile, Conflict
from stock import services
from stock.models import CountLine, Item, Location, Movement, Serial, StockCount
from stock.services.count_posting import post_count
from stock.services.counting import enter, hand_in, note_serials, start_count
from tests.stock.conftest import on_hand
from tests.stock.test_at_once import THREADS, at_once, home, keeper, second, store, supplier

__all__ = ["home", "keeper", "second", "store", "supplier"]

pytestmark = pytest.mark.django_db(transaction=True)


def items_in(store: Location, supplier: Location, number: int, quantity: int = 10) -> list[Item]:
    items = [make.ItemFactory.create() for _ in range(number)]
    for item in items:
        make.MovementFactory.create(item=item, quantity=quantity, source=supplier, destination=store)
    return items


def lines_of(count: StockCount) -> list[CountLine]:
    return list(count.lines.select_related("count__location", "item").order_by("item_id"))


def test_no_entry_is_lost_when_many_count(keeper: User, store: Location, supplier: Location) -> None:
    items_in(store, supplier, 24)
    count = start_count(store, by=keeper)
    lines = lines_of(count)
    answers = at_once([lambda line=line: enter(line, by=keeper, version=1, counted=7) for line in lines])
    assert [a for a in answers if isinstance(a, Exception)] == []
    assert list(count.lines.values_list("counted", "book", "version")) == [(7, 10, 2)] * 24


def test_one_line_is_entered_by_one_of_many(keeper: User, store: Location, supplier: Location) -> None:
    items_in(store, supplier, 1)
    (line,) = lines_of(start_count(store, by=keeper))
    answers = at_once([lambda n=n: enter(line, by=keeper, version=1, counted=n) for n in range(THREADS)])
    assert Counter(type(a) for a in answers) == {CountLine: 1, ChangedMeanwhile: THREADS - 1}


def test_numbers_that_many_scan_are_all_kept(keeper: User, store: Location, supplier: Location) -> None:
    cover = make.CoverFactory.create()
    make.StockLevelFactory.create(item=cover, location=store)
    (line,) = lines_of(start_count(store, by=keeper))
    answers = at_once([lambda n=n: note_serials(line, [f"S{n:02}"], by=keeper) for n in range(16)])
    assert [a for a in answers if isinstance(a, Exception)] == []
    line.refresh_from_db()
    assert line.serials == [f"S{n:02}" for n in range(16)]


def test_an_entry_waits_for_a_movement_that_is_being_posted(
    keeper: User, store: Location, second: Location, supplier: Location
) -> None:
    (item,) = items_in(store, supplier, 1)
    (line,) = lines_of(start_count(store, by=keeper))
    moved, entered = threading.Event(), threading.Event()

    def move() -> None:
        with transaction.atomic():
            services.post_movement(item, quantity=2, source=store, destination=second, kind="transfer", by=keeper)
            moved.set()
            # The entry must not come through before this transaction has ended.
            assert not entered.wait(0.5)

    def count() -> CountLine:
        assert moved.wait(10)
        made = enter(line, by=keeper, version=1, counted=8)
        entered.set()
        return made

    answers = at_once([move, count])
    assert [a for a in answers if isinstance(a, Exception)] == []
    line.refresh_from_db()
    assert (line.counted, line.book) == (8, 8)


def test_posting_among_movers_neither_deadlocks_nor_loses(
    keeper: User, store: Location, second: Location, supplier: Location
) -> None:
    items = items_in(store, supplier, 12, quantity=200)
    for item in items:
        make.MovementFactory.create(item=item, quantity=200, source=supplier, destination=second)
    cover = make.CoverFactory.create()
    serials = [make.SerialFactory.create(item=cover, number=f"S{n}") for n in range(6)]
    for serial in serials:
        make.MovementFactory.create(item=cover, source=supplier, destination=second, serial=serial)
    make.StockLevelFactory.create(item=cover, location=store)
    scrap = make.ScrapPlaceFactory.create()
    count = start_count(store, by=keeper)
    for line in lines_of(count):
        if line.item_id == cover.pk:
            enter(line, by=keeper, version=1, serials=[s.number for s in serials[:3]])
        else:
            enter(line, by=keeper, version=1, counted=190)
    hand_in(count, by=keeper)

    def move(item: Item, source: Location, destination: Location) -> Movement:
        return services.post_movement(item, quantity=1, source=source, destination=destination, kind="transfer",
                                      by=keeper)

    def post() -> StockCount:
        return post_count(count, by=keeper)

    def go(serial: Serial) -> Movement:
        return services.post_movement(cover, quantity=1, source=second, destination=store, kind="transfer", by=keeper,
                                      serial=serial)

    jobs = [lambda item=item, ends=ends: move(item, *ends) for item in reversed(items)
            for ends in ((store, second), (second, store))] * 2
    jobs += [lambda serial=serial: go(serial) for serial in serials[3:]]
    answers = at_once([post, *jobs[:24], post, *jobs[24:], post])
    wrong = [a for a in answers if isinstance(a, Exception)]
    assert wrong == []
    assert [on_hand(item, store) for item in items] == [190] * 12
    assert Movement.objects.filter(reference=count.number).count() == 15
    assert [on_hand(item, scrap) for item in items] == [10] * 12
    assert set(Serial.objects.filter(location=store).values_list("number", flat=True)) == {s.number for s in serials}


def test_of_many_who_start_one_does(keeper: User, store: Location, supplier: Location) -> None:
    items_in(store, supplier, 1)
    answers = at_once([lambda: start_count(store, by=keeper)] * THREADS)
    assert Counter(type(a) for a in answers) == {StockCount: 1, Conflict: THREADS - 1}
    assert StockCount.objects.get().started_at <= timezone.now()
    assert connection.in_atomic_block is False


