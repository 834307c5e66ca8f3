"""The ledger's invariants, attacked through raw SQL: the database holds them, whatever the code does."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from config.demo import factories as make
from installs.models import Device
from stock.models import Balance, Item, Movement, Order, OrderLine, Reservation, Serial
from tests.stock.conftest import Places, balance, on_hand

MOVE = """
    INSERT INTO stock_movement
        (item_id, quantity, source_id, destination_id, serial_id, batch, kind, at, reference, note)
    VALUES (%s, %s, %s, %s, %s, %s, %s, now(), '', '')
"""


def refused(sql: str, *values: Any) -> str:
    """The name of the constraint (or the message of the trigger) that refuses the statement."""
    with pytest.raises(DatabaseError) as caught, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)
    cause = caught.value.__cause__
    return cause.diag.constraint_name or cause.diag.message_primary  # type: ignore[union-attr]


def test_movement_is_never_changed(spare: Item, places: Places) -> None:
    moved = Movement.objects.get(item=spare)
    for change in ("quantity = 3", "note = 'better'", f"destination_id = {places.van.pk}", "at = now()"):
        assert refused(f"UPDATE stock_movement SET {change} WHERE id = %s", moved.pk) == (
            "pgtrigger: Cannot update or delete rows from stock_movement table"
        )
    moved.refresh_from_db()
    assert (moved.quantity, moved.note, moved.destination_id) == (10, "", places.store.pk)


def test_movement_is_never_deleted(spare: Item) -> None:
    assert refused("DELETE FROM stock_movement") == (
        "pgtrigger: Cannot update or delete rows from stock_movement table"
    )
    assert Movement.objects.count() == 1


def test_on_hand_is_never_negative(spare: Item, places: Places) -> None:
    values = (spare.pk, 11, places.store.pk, places.van.pk, None, "", "transfer")
    assert refused(MOVE, *values) == "stock_balance_never_negative"
    assert (on_hand(spare, places.store), on_hand(spare, places.van)) == (10, 0)


def test_supplier_may_owe_without_limit(spare: Item, places: Places) -> None:
    assert on_hand(spare, places.supplier) == -10


@pytest.mark.parametrize("column", ["on_hand", "reserved", "reserved_ahead", "on_order"])
def test_balance_is_not_written_directly(column: str, spare: Item) -> None:
    before = sorted(Balance.objects.values_list())
    assert refused(f"UPDATE stock_balance SET {column} = 5") == "stock_balance_by_triggers"
    assert sorted(Balance.objects.values_list()) == before


def test_balance_is_not_inserted_or_deleted_directly(spare: Item, places: Places) -> None:
    insert = """INSERT INTO stock_balance (item_id, location_id, physical, on_hand, reserved, reserved_ahead, on_order)
                VALUES (%s, %s, true, 7, 0, 0, 0)"""
    assert refused(insert, spare.pk, places.van.pk) == "stock_balance_by_triggers"
    assert refused("DELETE FROM stock_balance") == "stock_balance_by_triggers"
    assert refused("UPDATE stock_balance SET physical = false") == "stock_balance_by_triggers"


def test_serial_leaves_only_from_where_it_is(serial: Serial, places: Places) -> None:
    make.MovementFactory.create(
        item=serial.item, source=places.store, destination=places.van, serial=serial, kind="transfer"
    )
    # A second cover keeps the store's count above zero: the serial's place alone must refuse.
    other = make.SerialFactory.create(item=serial.item, number="A101")
    make.MovementFactory.create(item=serial.item, source=places.supplier, destination=places.store, serial=other)
    values = (serial.item_id, 1, places.store.pk, places.scrap.pk, serial.pk, "", "scrap")
    assert refused(MOVE, *values) == "stock_movement_serial_place"
    serial.refresh_from_db()
    assert serial.location_id == places.van.pk


def test_serial_never_received_cannot_leave_a_counted_place(serial: Serial, places: Places) -> None:
    new = make.SerialFactory.create(item=serial.item, number="A999")
    values = (serial.item_id, 1, places.store.pk, places.van.pk, new.pk, "", "transfer")
    assert refused(MOVE, *values) == "stock_movement_serial_place"


def test_place_of_a_serial_is_not_written_directly(serial: Serial, places: Places) -> None:
    assert refused("UPDATE stock_serial SET location_id = %s", places.van.pk) == "stock_serial_by_movements"
    assert refused("UPDATE stock_serial SET number = 'B1'") == "stock_serial_by_movements"
    assert refused("DELETE FROM stock_serial") == "stock_serial_by_movements"
    insert = "INSERT INTO stock_serial (item_id, number, batch, location_id) VALUES (%s, 'C1', '', %s)"
    assert refused(insert, serial.item_id, places.van.pk) == "stock_serial_by_movements"
    assert list(Serial.objects.values_list("number", "location_id")) == [("A100", places.store.pk)]


def test_serial_number_is_once_per_item(serial: Serial) -> None:
    insert = "INSERT INTO stock_serial (item_id, number, batch) VALUES (%s, 'A100', '')"
    assert refused(insert, serial.item_id) == "stock_serial_once"


def test_serial_at_a_site_needs_its_device_at_commit(serial: Serial, places: Places) -> None:
    make.MovementFactory.create(
        item=serial.item, source=places.store, destination=places.sites, serial=serial, kind="fit"
    )
    assert refused("SET CONSTRAINTS ALL IMMEDIATE") == "installs_serial_one_place"
    make.MovementFactory.create(
        item=serial.item, source=places.sites, destination=places.store, serial=serial, kind="remove"
    )


def test_device_cannot_hold_a_serial_that_is_in_a_store(serial: Serial) -> None:
    device = make.DeviceFactory.create(variant__cover=serial.item)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE installs_device SET serial_id = %s WHERE id = %s", [serial.pk, device.pk])
    assert refused("SET CONSTRAINTS ALL IMMEDIATE") == "installs_serial_one_place"
    Device.objects.filter(pk=device.pk).update(serial=None)


def test_item_tracked_by_serial_moves_with_one(serial: Serial, places: Places) -> None:
    values = (serial.item_id, 1, places.store.pk, places.van.pk)
    assert refused(MOVE, *values, None, "", "transfer") == "stock_movement_serial_named"


def test_serial_moves_as_one_piece(serial: Serial, places: Places) -> None:
    values = (serial.item_id, 2, places.store.pk, places.van.pk, serial.pk, "", "transfer")
    assert refused(MOVE, *values) == "stock_movement_serial_is_one"


def test_serial_belongs_to_the_moved_item(serial: Serial, spare: Item, places: Places) -> None:
    values = (spare.pk, 1, places.store.pk, places.van.pk, serial.pk, "", "transfer")
    assert refused(MOVE, *values) == "stock_movement_serial_of_item"


def test_item_tracked_by_batch_moves_with_one(places: Places) -> None:
    item = make.ItemFactory.create(tracking="batch")
    values = (item.pk, 5, places.supplier.pk, places.store.pk, None)
    assert refused(MOVE, *values, "", "receive") == "stock_movement_batch_named"
    with connection.cursor() as cursor:
        cursor.execute(MOVE, [*values, "B7", "receive"])
    assert on_hand(item, places.store) == 5


def test_tracking_is_fixed_once_something_moved(spare: Item) -> None:
    change = "UPDATE stock_item SET tracking = 'serial' WHERE id = %s"
    assert refused(change, spare.pk) == "stock_item_tracking_fixed"
    fresh = make.ItemFactory.create()
    with connection.cursor() as cursor:
        cursor.execute(change, [fresh.pk])
    fresh.refresh_from_db()
    assert fresh.tracking == "serial"


@pytest.mark.parametrize(("quantity", "same_end", "constraint"), [
    (0, False, "stock_movement_some"),
    (1, True, "stock_movement_two_ends"),
])
def test_movement_moves_something_somewhere(
    quantity: int, same_end: bool, constraint: str, spare: Item, places: Places
) -> None:
    end = places.store if same_end else places.van
    assert refused(MOVE, spare.pk, quantity, places.store.pk, end.pk, None, "", "transfer") == constraint


def test_correction_names_what_it_corrects_and_only_once(spare: Item, places: Places) -> None:
    first = Movement.objects.get(item=spare)
    assert refused(MOVE, spare.pk, 1, places.store.pk, places.van.pk, None, "", "correct") == (
        "stock_movement_correction_named"
    )
    correction = {"item": spare, "source": places.store, "destination": places.supplier, "kind": "correct"}
    make.MovementFactory.create(**correction, quantity=10, corrects=first)
    make.MovementFactory.create(item=spare, quantity=10, source=places.supplier, destination=places.store)
    again = """INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference,
               note, corrects_id) VALUES (%s, 10, %s, %s, '', 'correct', now(), '', '', %s)"""
    assert refused(again, spare.pk, places.store.pk, places.supplier.pk, first.pk) == "stock_movement_corrects_id_key"


def test_kind_of_a_location_is_fixed(spare: Item, places: Places) -> None:
    change = "UPDATE stock_location SET kind = 'scrap', branch_id = NULL WHERE id = %s"
    assert refused(change, places.store.pk) == "pgtrigger: Cannot update rows from stock_location table"


RESERVE = """
    INSERT INTO stock_reservation (item_id, location_id, quantity, ahead, needed_on, reference, state, made_at)
    VALUES (%s, %s, %s, %s, '2026-12-01', 'proposal 1', 'open', now())
"""


def test_reserved_never_exceeds_on_hand(spare: Item, places: Places) -> None:
    make.ReservationFactory.create(item=spare, location=places.store, quantity=8)
    # PostgreSQL checks in the order of the constraints' names; nothing is on order, so both forbid it.
    assert refused(RESERVE, spare.pk, places.store.pk, 3, False) == "stock_balance_reserved_ahead"
    assert refused("UPDATE stock_reservation SET quantity = 11") == "stock_balance_reserved_ahead"
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    make.OrderLineFactory.create(order=order, item=spare, quantity=50)
    assert refused(RESERVE, spare.pk, places.store.pk, 3, False) == "stock_balance_reserved_on_hand"
    assert balance(spare, places.store) == (10, 8, 0, 50)


def test_stock_that_is_promised_cannot_leave(spare: Item, places: Places) -> None:
    make.ReservationFactory.create(item=spare, location=places.store, quantity=8)
    values = (spare.pk, 3, places.store.pk, places.van.pk, None, "", "transfer")
    assert refused(MOVE, *values) == "stock_balance_reserved_ahead"
    assert balance(spare, places.store) == (10, 8, 0, 0)


def test_promised_ahead_rests_on_what_is_on_order(spare: Item, places: Places) -> None:
    assert refused(RESERVE, spare.pk, places.store.pk, 14, True) == "stock_balance_reserved_ahead"
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    make.OrderLineFactory.create(order=order, item=spare, quantity=5)
    with connection.cursor() as cursor:
        cursor.execute(RESERVE, [spare.pk, places.store.pk, 14, True])
    assert balance(spare, places.store) == (10, 0, 14, 5)
    assert refused("UPDATE stock_order SET state = 'cancelled'") == "stock_balance_reserved_ahead"
    assert refused("UPDATE stock_orderline SET quantity = 3") == "stock_balance_reserved_ahead"
    assert refused("DELETE FROM stock_orderline") == "stock_balance_reserved_ahead"


def test_closed_reservation_gives_back_once(spare: Item, places: Places) -> None:
    made = make.ReservationFactory.create(item=spare, location=places.store, quantity=8)
    for state in ("released", "used", "released"):
        Reservation.objects.filter(pk=made.pk).update(state=state)
        assert balance(spare, places.store) == (10, 0, 0, 0)
    Reservation.objects.filter(pk=made.pk).update(state="open")
    Reservation.objects.filter(pk=made.pk).delete()
    assert balance(spare, places.store) == (10, 0, 0, 0)


def test_order_line_is_not_over_received(spare: Item, places: Places) -> None:
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    make.OrderLineFactory.create(order=order, item=spare, quantity=5)
    assert refused("UPDATE stock_orderline SET received = 6") == "stock_orderline_not_over"
    assert balance(spare, places.store) == (10, 0, 0, 5)


def test_order_line_keeps_its_item_and_a_placed_order_its_destination(spare: Item, cover: Item, places: Places) -> None:
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    make.OrderLineFactory.create(order=order, item=spare, quantity=5)
    assert refused("UPDATE stock_orderline SET item_id = %s", cover.pk) == "stock_orderline_fixed"
    assert refused("UPDATE stock_order SET destination_id = %s", places.van.pk) == "stock_order_destination_fixed"


def test_on_order_follows_every_change_of_orders_and_lines(spare: Item, places: Places) -> None:
    order = make.OrderFactory.create(
        supplier=places.firm, destination=places.store, state="draft", ordered_on=None, expected_on=None
    )
    line = make.OrderLineFactory.create(order=order, item=spare, quantity=5)
    seen = [balance(spare, places.store)[3]]
    for change in ({"state": "placed", "ordered_on": "2026-11-01", "expected_on": "2026-11-08"},):
        Order.objects.filter(pk=order.pk).update(**change)
        seen.append(balance(spare, places.store)[3])
    OrderLine.objects.filter(pk=line.pk).update(received=2)
    seen.append(balance(spare, places.store)[3])
    OrderLine.objects.filter(pk=line.pk).update(quantity=9)
    seen.append(balance(spare, places.store)[3])
    Order.objects.filter(pk=order.pk).update(state="cancelled")
    seen.append(balance(spare, places.store)[3])
    Order.objects.filter(pk=order.pk).update(state="placed")
    seen.append(balance(spare, places.store)[3])
    OrderLine.objects.filter(pk=line.pk).delete()
    seen.append(balance(spare, places.store)[3])
    assert seen == [0, 5, 3, 7, 0, 7, 0]


def test_placed_order_has_its_days(places: Places) -> None:
    make.OrderFactory.create(supplier=places.firm, destination=places.store)
    assert refused("UPDATE stock_order SET expected_on = NULL") == "stock_order_dates_when_placed"


def test_level_makes_its_balance_row(spare: Item, places: Places) -> None:
    make.StockLevelFactory.create(item=spare, location=places.van)
    assert balance(spare, places.van) == (0, 0, 0, 0)
    assert refused("UPDATE stock_stocklevel SET minimum = 30") == "stock_stocklevel_order"


def test_van_belongs_to_an_engineer_and_a_store_to_a_branch(places: Places) -> None:
    assert refused(
        "UPDATE stock_location SET engineer_id = %s WHERE id = %s", places.van.engineer_id, places.scrap.pk
    ) == "stock_location_engineer_has_van"
    assert refused("UPDATE stock_location SET branch_id = NULL WHERE id = %s", places.store.pk) == (
        "stock_location_physical_has_branch"
    )
