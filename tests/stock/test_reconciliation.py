"""The proof of the ledger: clean while the triggers hold, and each kind of damage found with its numbers."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection

from config.accounts.models import Branch, User
from config.accounts.rights import Role
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from stock import work
from stock.models import (
    Item,
    LedgerCheck,
    LedgerDifference,
    Location,
    Movement,
    Serial,
    Snapshot,
    Transfer,
    TransferLine,
)
from stock.queries.checks import check_page, check_summary, difference_page, open_alarm
from stock.services.ledger import post_movement, reserve
from stock.services.reconciliation import check_ledger, look_into
from stock.services.snapshots import take_snapshot
from tests.conftest import person
from tests.stock.conftest import Places

DAY = datetime(2026, 11, 1, tzinfo=ZoneInfo("Europe/London"))
Found = list[tuple[str, str, str, str, str, int]]


@contextmanager
def untriggered(*tables: str) -> Iterator[None]:
    """What the owner of the tables can do, and nobody else: change them with the triggers off."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        yield
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def damage(table: str, statement: str, *values: Any) -> None:
    with untriggered(table), connection.cursor() as cursor:
        cursor.execute(statement, values)
        assert cursor.rowcount == 1, statement


def found_by(check: LedgerCheck) -> Found:
    """Kind, item, place, what about it, and both sides; and the gap."""
    rows = check.found.select_related("item", "location").order_by("kind", "about", "location__name", "kept")
    return [
        (d.kind, f"{d.item.sku} at {d.location.name}", d.about, d.kept, d.proven, d.gap)
        for d in rows
        if d.item and d.location
    ]


@pytest.fixture
def stocked(spare: Item, serial: Serial, places: Places) -> Item:
    """One of each: a batch, a serial, reservations of both sorts, an order, a level, three snapshots."""
    cable = make.ItemFactory.create(sku="CB-1", name="Cable drum", tracking="batch")
    for batch, quantity in (("B1", 30), ("B2", 12)):
        make.MovementFactory.create(
            item=cable, quantity=quantity, batch=batch, source=places.supplier, destination=places.store,
            at=DAY - timedelta(days=40),
        )
    make.MovementFactory.create(
        item=cable, quantity=4, batch="B1", source=places.store, destination=places.van, kind="transfer"
    )
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    make.OrderLineFactory.create(order=order, item=spare, quantity=6, received=0)
    make.StockLevelFactory.create(item=spare, location=places.store, minimum=3, target=9)
    reserve(spare, places.store, quantity=2, needed_on=date(2026, 12, 1), reference="round 7", by=None)
    reserve(spare, places.store, quantity=5, needed_on=date(2026, 12, 1), reference="round 8", by=None, ahead=True)
    for days in (0, 31, 62):
        take_snapshot(DAY - timedelta(days=days))
    return cable


def test_a_sound_ledger_has_no_difference(stocked: Item) -> None:
    check = check_ledger()
    assert found_by(check) == []
    assert (check.differences, check.movements) == (0, 5)
    assert check.compared == {
        "balances": 7, "batches": 5, "serials": 1, "reservations": 2, "on order": 1, "snapshots": 3
    }
    assert check.finished_at is not None


def test_each_kind_of_damage_is_found_and_nothing_is_repaired(
    stocked: Item, spare: Item, serial: Serial, places: Places
) -> None:
    newest = Snapshot.objects.latest("moment")
    at_store = (spare.pk, places.store.pk)
    damage("stock_balance", "UPDATE stock_balance SET on_hand = 13 WHERE item_id = %s AND location_id = %s", *at_store)
    damage("stock_balance", "UPDATE stock_balance SET reserved = 1 WHERE item_id = %s AND location_id = %s", *at_store)
    damage("stock_balance", "UPDATE stock_balance SET reserved_ahead = 0 WHERE item_id = %s AND location_id = %s",
           *at_store)
    damage("stock_balance", "UPDATE stock_balance SET on_order = 8 WHERE item_id = %s AND location_id = %s", *at_store)
    damage("stock_balance", "UPDATE stock_balance SET level_minimum = 4 WHERE item_id = %s AND location_id = %s",
           *at_store)
    damage("stock_batchbalance", "UPDATE stock_batchbalance SET on_hand = 3 WHERE batch = 'B1' AND location_id = %s",
           places.van.pk)
    damage("stock_batchbalance", "DELETE FROM stock_batchbalance WHERE batch = 'B2' AND location_id = %s",
           places.store.pk)
    damage("stock_serial", "UPDATE stock_serial SET location_id = %s WHERE id = %s", places.van.pk, serial.pk)
    damage("stock_snapshotline", "UPDATE stock_snapshotline SET on_hand = 41 WHERE snapshot_id = %s"
           " AND location_id = %s", newest.pk, places.store.pk)
    everything = state()

    check = check_ledger()

    assert found_by(check) == [
        ("balance", "SP-1 at Main store", "", "13", "10", 3),
        ("batch", "CB-1 at Van 1", "B1", "3", "4", -1),
        ("batch", "CB-1 at Main store", "B2", "0", "12", -12),
        ("level", "SP-1 at Main store", "", "4", "3", 1),
        ("on order", "SP-1 at Main store", "", "8", "6", 2),
        ("reserved", "SP-1 at Main store", "from orders", "0", "5", -5),
        ("reserved", "SP-1 at Main store", "from stock", "1", "2", -1),
        ("serial", "CV-1 at Van 1", "", "Van 1", "Main store", 0),
        ("snapshot", "CB-1 at Main store", "1 Nov 2026, 00:00", "41", "42", -1),
    ]
    assert check.differences == 9
    assert state() == everything
    assert check_ledger().differences == 9


def test_what_stands_on_the_way_belongs_to_a_parcel(spare: Item, places: Places) -> None:
    way = make.TransitPlaceFactory.create()
    post_movement(spare, quantity=3, source=places.store, destination=way, kind="transfer", by=None)
    made = Transfer.objects.create(number="TR-9", source=places.store, destination=places.van, state="sent")
    TransferLine.objects.create(transfer=made, item=spare, wanted=3, sent=3, arrived=1)
    assert found_by(check_ledger()) == [("transit", "SP-1 at On the way", "", "3", "2", 1)]
    TransferLine.objects.update(arrived=0)
    assert found_by(check_ledger()) == []


def state() -> dict[str, list[Any]]:
    """Every row of what the check looks at."""
    tables = ("balance", "batchbalance", "serial", "movement", "reservation", "orderline", "stocklevel", "snapshotline")
    with connection.cursor() as cursor:
        rows = {}
        for table in tables:
            cursor.execute(f"SELECT to_jsonb(t)::text FROM stock_{table} t ORDER BY 1")
            rows[table] = cursor.fetchall()
    return rows


def test_rows_that_are_missing_or_were_never_there(spare: Item, serial: Serial, places: Places) -> None:
    other = make.ItemFactory.create(sku="SP-2")
    damage("stock_balance", "DELETE FROM stock_balance WHERE item_id = %s AND location_id = %s", spare.pk,
           places.store.pk)
    damage("stock_balance", "INSERT INTO stock_balance (item_id, location_id, physical, on_hand, reserved,"
           " reserved_ahead, on_order) VALUES (%s, %s, TRUE, 4, 0, 0, 0)", other.pk, places.van.pk)
    unknown = make.SerialFactory.create(item=serial.item, number="A200")
    damage("stock_serial", "UPDATE stock_serial SET location_id = %s WHERE id = %s", places.store.pk, unknown.pk)
    damage("stock_serial", "UPDATE stock_serial SET location_id = NULL WHERE id = %s", serial.pk)
    check = check_ledger()
    assert found_by(check) == [
        ("balance", "SP-1 at Main store", "", "0", "10", -10),
        ("balance", "SP-2 at Van 1", "", "4", "0", 4),
        ("serial", "CV-1 at Main store", "", "Main store", "never moved", 0),
        ("serial", "CV-1 at Main store", "", "never moved", "Main store", 0),
    ]
    assert set(check.found.exclude(serial=None).values_list("serial__number", flat=True)) == {"A100", "A200"}


def test_a_movement_that_was_taken_out_shows_at_both_its_places(spare: Item, places: Places) -> None:
    moved = make.MovementFactory.create(
        item=spare, quantity=4, source=places.store, destination=places.van, kind="transfer"
    )
    damage("stock_movement", "DELETE FROM stock_movement WHERE id = %s", moved.pk)
    assert found_by(check_ledger()) == [
        ("balance", "SP-1 at Main store", "", "6", "10", -4),
        ("balance", "SP-1 at Van 1", "", "4", "0", 4),
    ]


def test_a_serial_that_came_back_to_its_supplier_is_sound(serial: Serial, places: Places) -> None:
    """As many movements end at each place as begin there: only the last says where it is."""
    make.MovementFactory.create(
        item=serial.item, source=places.store, destination=places.supplier, serial=serial, kind="return"
    )
    assert found_by(check_ledger()) == []


def test_two_postings_of_a_serial_in_the_other_order_than_their_keys_are_sound(
    serial: Serial, places: Places
) -> None:
    """The key is drawn before the serial is locked: the later key may be posted first."""
    make.MovementFactory.create(
        id=10_000_001, item=serial.item, source=places.store, destination=places.van, serial=serial, kind="transfer"
    )
    make.MovementFactory.create(
        id=10_000_000, item=serial.item, source=places.van, destination=places.scrap, serial=serial, kind="scrap"
    )
    serial.refresh_from_db()
    assert serial.location == places.scrap
    assert found_by(check_ledger()) == []


def test_older_snapshots_take_turns(spare: Item, places: Places) -> None:
    make.MovementFactory.create(
        item=spare, quantity=5, source=places.supplier, destination=places.store, at=DAY - timedelta(days=400)
    )
    snapshots = [take_snapshot(DAY - timedelta(days=31 * n)) for n in range(6)]
    oldest = snapshots[-1]
    damage("stock_snapshotline", "UPDATE stock_snapshotline SET on_hand = 9 WHERE snapshot_id = %s"
           " AND location_id = %s", oldest.pk, places.store.pk)
    answers = [check_ledger(chance=random.Random(seed)) for seed in range(12)]
    assert {check.compared["snapshots"] for check in answers} == {3}
    assert {check.differences for check in answers} == {0, 1}
    (difference,) = next(check for check in answers if check.differences).found.all()
    assert (difference.kept, difference.proven, difference.gap) == ("9", "5", 4)


def test_reservations_for_dead_work(spare: Item, places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    for reference in ("visit 1", "visit 2", "visit 2", "club raffle"):
        reserve(spare, places.store, quantity=2, needed_on=date(2026, 12, 1), reference=reference, by=None)
    asked: list[list[str]] = []

    def dead(references: Any) -> dict[str, str]:
        asked.append(list(references))
        return {"visit 2": "the visit is done"}

    monkeypatch.setattr(work, "_DEAD", dead)
    check = check_ledger()
    assert asked == [["club raffle", "visit 1", "visit 2"]]
    assert found_by(check) == [("dead work", "SP-1 at Main store", "", "2 for visit 2", "the visit is done", 0)] * 2
    assert check.differences == 2


def test_looked_into_once_and_remembered(spare: Item, places: Places, stores: User) -> None:
    damage("stock_balance", "UPDATE stock_balance SET on_hand = 13 WHERE item_id = %s AND location_id = %s", spare.pk,
           places.store.pk)
    first, second = check_ledger(), check_ledger()
    # The same difference of two nights is one alarm.
    assert open_alarm(stores) == 1
    (shown,) = difference_page(stores, None).rows
    assert shown.check_run == second
    with pytest.raises(InvalidInput) as empty:
        look_into(shown, by=stores, note="  ")
    assert (empty.value.field, empty.value.status) == ("note", 400)
    seen = look_into(shown, by=stores, note=" changed by hand during the move ")
    assert (seen.seen_by, seen.note) == (stores, "changed by hand during the move")
    assert first.found.get().note == seen.note
    assert open_alarm(stores) == 0
    with pytest.raises(Conflict) as again:
        look_into(shown, by=stores, note="me too")
    assert str(again.value) == "Stores manager NB looked into this already. Read the page again."
    # Found again as it was: no alarm. Grown: an alarm.
    third = check_ledger()
    assert (third.differences, third.found.get().note, open_alarm(stores)) == (1, seen.note, 0)
    damage("stock_balance", "UPDATE stock_balance SET on_hand = 14 WHERE item_id = %s AND location_id = %s", spare.pk,
           places.store.pk)
    assert (check_ledger().differences, open_alarm(stores)) == (1, 1)
    assert difference_page(stores, None).rows[0].gap == 4


def test_who_is_alarmed(
    spare: Item, places: Places, stores: User, engineer: User, service_manager: User, other_branch: Branch,
    django_assert_num_queries: Any,
) -> None:
    damage("stock_balance", "UPDATE stock_balance SET on_hand = 13 WHERE item_id = %s AND location_id = %s", spare.pk,
           places.store.pk)
    check = check_ledger()
    far = person(Role.STORES, other_branch)
    assert [open_alarm(user) for user in (stores, service_manager, engineer, far)] == [1, 1, 0, 0]
    assert difference_page(far, check).rows == []
    assert difference_page(engineer, check).rows == []
    assert check_page(engineer).rows == []
    with django_assert_num_queries(1):
        assert open_alarm(stores) == 1
    with django_assert_num_queries(0):
        assert open_alarm(engineer) == 0
    with django_assert_num_queries(2):
        summary = check_summary(stores)
    assert (summary.last, summary.open) == (check, 1)
    with django_assert_num_queries(1):
        assert [d.item.sku for d in difference_page(stores, check).rows if d.item] == ["SP-1"]
    with django_assert_num_queries(1):
        assert check_page(stores).rows == [check]


@pytest.mark.django_db(transaction=True)
def test_no_false_alarm_while_people_post() -> None:
    branch = Branch.objects.create(code="NB", name="Northbeck")
    supplier = make.SuppliersPlaceFactory.create()
    stores = [make.LocationFactory.create(branch=branch) for _ in range(3)]
    items = [make.ItemFactory.create() for _ in range(3)]
    cover = make.CoverFactory.create()
    serial = make.SerialFactory.create(item=cover)
    for item in items:
        make.MovementFactory.create(item=item, quantity=400, source=supplier, destination=stores[0])
    make.MovementFactory.create(item=cover, source=supplier, destination=stores[0], serial=serial)
    take_snapshot(DAY)
    stop = threading.Event()

    def post(number: int) -> int:
        done = 0
        try:
            while not stop.is_set():
                done += 1
                here, there = stores[(number + done) % 3], stores[(number + done + 1) % 3]
                try:
                    if done % 3 == 0:
                        reserve(items[number % 3], here, quantity=1, needed_on=date(2026, 12, 1), reference="r",
                                by=None)
                    elif done % 3 == 1:
                        post_movement(items[(number + done) % 3], quantity=1, source=here, destination=there,
                                      kind=Movement.Kind.TRANSFER, by=None,
                                      at=DAY - timedelta(days=1) if done % 2 else None)
                    else:
                        post_movement(cover, quantity=1, source=here, destination=there, serial=serial,
                                      kind=Movement.Kind.TRANSFER, by=None)
                except Conflict:
                    pass
        finally:
            connection.close()
        return done

    with ThreadPoolExecutor(6) as pool:
        posting = [pool.submit(post, number) for number in range(6)]
        try:
            checks = [check_ledger() for _ in range(15)]
        finally:
            stop.set()
        assert min(job.result(timeout=30) for job in posting) > 0
    assert [found_by(check) for check in checks] == [[]] * 15
    assert checks[0].movements < checks[-1].movements
    assert LedgerDifference.objects.count() == 0
    assert Location.objects.count() == 4
