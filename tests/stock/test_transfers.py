"""Transfers: picked, sent, confirmed by the receiver; what is on the way is always what the open transfers say."""

from __future__ import annotations

import random
import threading
from collections import Counter
from datetime import date
from typing import Any

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.accounts.models import Branch, Firm, User
from config.accounts.rights import Role
from config.again import Busy
from config.demo import factories as make
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, NotAllowed, ZonewrightError
from stock import services
from stock.models import Item, Movement, Reservation, Serial, Transfer
from stock.queries.transfers import transfer_detail, transfer_page, transit_difference
from stock.services.ledger import post_movement
from stock.services.parcels import transit_place
from stock.services.settling import Settling, settle
from stock.services.transfer_scans import scan_into
from stock.services.transfers import (
    add_line,
    cancel_transfer,
    confirm,
    make_transfer,
    new_transfer,
    pick,
    send,
)
from tests.conftest import person
from tests.stock.conftest import Places, balance, on_hand


@pytest.fixture
def other_stores(branch: Branch) -> User:
    return person(Role.STORES, branch, "second-stores@nb.example")


@pytest.fixture
def batched(places: Places) -> Item:
    """By batch: four of one in the store, six of another."""
    item = make.ItemFactory.create(sku="BT-1", name="Battery", tracking="batch")
    for batch, quantity in (("B1", 4), ("B2", 6)):
        make.MovementFactory.create(item=item, quantity=quantity, source=places.supplier, destination=places.store,
                                    batch=batch)
    return item


def to_van(places: Places, stores: User, **lines: int) -> Transfer:
    return make_transfer(source=places.store, destination=places.van, by=stores,
                         lines={Item.objects.get(sku=sku.replace("_", "-")): n for sku, n in lines.items()})


def line_of(transfer: Transfer, sku: str, batch: str = "") -> int:
    rows = transfer.lines.filter(item__sku=sku)
    return rows.get(batch=batch).pk if batch else rows.order_by("pk")[0].pk


def sent_parcel(places: Places, stores: User, *, springs: int = 4) -> Transfer:
    transfer = to_van(places, stores, SP_1=springs)
    transfer = pick(transfer, line_of(transfer, "SP-1"), quantity=springs, by=stores, version=None)
    return send(transfer, by=stores, version=None)


def counts(transfer: Transfer, sku: str) -> tuple[int, int, int, int]:
    """Wanted, sent, arrived, settled over the lines of an item."""
    rows = transfer.lines.filter(item__sku=sku).values_list("wanted", "sent", "arrived", "settled")
    return tuple(sum(column) for column in zip(*rows, strict=True))  # type: ignore[return-value]


def test_a_parcel_is_picked_sent_and_confirmed(
    places: Places, spare: Item, serial: Serial, stores: User, engineer: User
) -> None:
    transfer = to_van(places, stores, SP_1=4, CV_1=1)
    assert transfer.number == f"TR-{transfer.pk:05}"
    transfer = pick(transfer, line_of(transfer, "SP-1"), quantity=4, by=stores, version=1)
    transfer = pick(transfer, line_of(transfer, "CV-1"), serials=[serial], by=stores, version=2)
    assert on_hand(spare, places.store) == 10  # picked is not moved yet
    transfer = send(transfer, by=stores, version=3)
    way = transit_place()
    assert (on_hand(spare, places.store), on_hand(spare, way), on_hand(spare, places.van)) == (6, 4, 0)
    assert transit_difference() == []
    transfer = confirm(transfer, by=engineer, version=4, everything=True)
    assert (transfer.state, transfer.confirmed_by, transfer.version) == ("confirmed", engineer, 5)
    assert (on_hand(spare, way), on_hand(spare, places.van), on_hand(serial.item, places.van)) == (0, 4, 1)
    moved = Movement.objects.filter(reference=transfer.number).order_by("pk")
    assert [(m.kind, m.quantity, m.source, m.destination, m.posted_by) for m in moved if m.item == spare] == [
        ("transfer", 4, places.store, way, stores), ("transfer", 4, way, places.van, engineer)
    ]
    assert transit_difference() == []


def test_a_batch_is_named_and_several_batches_are_several_lines(
    places: Places, batched: Item, stores: User, engineer: User
) -> None:
    transfer = to_van(places, stores, BT_1=7)
    first = line_of(transfer, "BT-1")
    with pytest.raises(InvalidInput, match="tracked by batch"):
        pick(transfer, first, quantity=4, by=stores, version=None)
    pick(transfer, first, quantity=4, batch="B1", by=stores, version=None)
    pick(transfer, first, quantity=3, batch="B2", by=stores, version=None)
    assert list(transfer.lines.order_by("pk").values_list("batch", "wanted", "sent")) == [("B1", 7, 4), ("B2", 0, 3)]
    transfer = send(transfer, by=stores, version=None)
    with pytest.raises(InvalidInput, match="2 batches"):
        scan_into(transfer, "BT-1", by=engineer, version=None)
    confirm(transfer, by=engineer, version=None, quantities={line_of(transfer, "BT-1", "B2"): 3})
    held = places.van
    assert list(batched.batch_balances.filter(location=held).values_list("batch", "on_hand")) == [("B2", 3)]
    assert transit_difference() == []


def test_less_than_wanted_needs_a_reason(places: Places, spare: Item, stores: User) -> None:
    transfer = to_van(places, stores, SP_1=4)
    line = line_of(transfer, "SP-1")
    with pytest.raises(Conflict, match="4 pc of SP-1 are not picked, and nobody said why"):
        send(transfer, by=stores, version=None)
    pick(transfer, line, quantity=3, by=stores, version=None)
    with pytest.raises(Conflict, match="1 pc of SP-1"):
        send(transfer, by=stores, version=None)
    pick(transfer, line, quantity=3, short_reason="one is broken", by=stores, version=None)
    assert send(transfer, by=stores, version=None).state == "sent"
    assert on_hand(spare, places.store) == 7


def test_nothing_picked_is_not_a_parcel(places: Places, spare: Item, stores: User) -> None:
    transfer = to_van(places, stores, SP_1=4)
    pick(transfer, line_of(transfer, "SP-1"), quantity=0, short_reason="shelf is empty", by=stores, version=None)
    with pytest.raises(Conflict, match="Nothing was picked"):
        send(transfer, by=stores, version=None)


def test_of_two_people_at_one_list_only_the_first_gets_through(places: Places, spare: Item, stores: User) -> None:
    transfer = to_van(places, stores, SP_1=4)
    line = line_of(transfer, "SP-1")
    pick(transfer, line, quantity=4, by=stores, version=1)
    with pytest.raises(ChangedMeanwhile, match="changed by somebody else"):
        pick(transfer, line, quantity=2, by=stores, version=1)
    with pytest.raises(ChangedMeanwhile):
        send(transfer, by=stores, version=1)
    assert counts(transfer, "SP-1") == (4, 4, 0, 0)


def test_a_sent_list_is_no_longer_edited_and_a_picked_one_may_be_cancelled(
    places: Places, spare: Item, stores: User
) -> None:
    parcel = sent_parcel(places, stores)
    for change in (
        lambda: pick(parcel, line_of(parcel, "SP-1"), quantity=1, by=stores, version=None),
        lambda: add_line(parcel, make.ItemFactory.create(), by=stores, version=None),
        lambda: cancel_transfer(parcel, by=stores, version=None),
        lambda: send(parcel, by=stores, version=None),
        lambda: settle(parcel, line_of(parcel, "SP-1"), how=Settling.BACK, quantity=1, by=stores, version=None),
    ):
        with pytest.raises(Conflict, match="is sent, so it cannot be"):
            change()
    listed = to_van(places, stores, SP_1=2)
    pick(listed, line_of(listed, "SP-1"), quantity=2, by=stores, version=None)
    assert cancel_transfer(listed, by=stores, version=None).state == "cancelled"
    assert counts(listed, "SP-1") == (2, 0, 0, 0)
    assert transit_difference() == []


def test_what_was_picked_may_be_gone_by_the_time_it_is_sent(places: Places, spare: Item, stores: User) -> None:
    transfer = to_van(places, stores, SP_1=8)
    pick(transfer, line_of(transfer, "SP-1"), quantity=8, by=stores, version=None)
    services.reserve(spare, places.store, quantity=5, needed_on=date(2026, 12, 1), reference="visit 9", by=stores)
    with pytest.raises(Conflict, match="5 are reserved"):
        send(transfer, by=stores, version=None)
    assert (transit_difference(), on_hand(spare, places.store)) == ([], 10)


def test_serials_must_be_at_the_source_and_on_one_list_only(
    places: Places, serial: Serial, stores: User, spare: Item
) -> None:
    away = make.SerialFactory.create(item=serial.item, number="A900")
    make.MovementFactory.create(item=serial.item, source=places.supplier, destination=places.van, serial=away)
    first, second = to_van(places, stores, CV_1=1), to_van(places, stores, CV_1=1)
    with pytest.raises(Conflict, match="Serial A900 is at Van 1, not at Main store"):
        pick(first, line_of(first, "CV-1"), serials=[away], by=stores, version=None)
    pick(first, line_of(first, "CV-1"), serials=[serial], by=stores, version=None)
    with pytest.raises(Conflict, match=f"Serial A100 is picked for {first.number}"):
        pick(second, line_of(second, "CV-1"), serials=[serial], by=stores, version=None)
    other = to_van(places, stores, SP_1=1)
    with pytest.raises(InvalidInput, match="not tracked by serial"):
        pick(other, line_of(other, "SP-1"), serials=[serial], by=stores, version=None)


# --- the receiver ----------------------------------------------------------------------------------------------------


def test_the_receiver_confirms_and_never_the_sender_alone(
    places: Places, spare: Item, stores: User, engineer: User, other_stores: User, branch: Branch, stranger: User
) -> None:
    parcel = sent_parcel(places, stores)
    with pytest.raises(NotAllowed, match="You sent this parcel yourself"):
        confirm(parcel, by=stores, version=None, everything=True)
    with pytest.raises(NotAllowed, match="You do not answer for Van 1"):
        confirm(parcel, by=person(Role.ENGINEER, branch, "else@nb.example"), version=None, everything=True)
    with pytest.raises(NotAllowed, match="You do not answer for Van 1"):
        confirm(parcel, by=stranger, version=None, everything=True)
    assert confirm(parcel, by=other_stores, version=None, everything=True).state == "confirmed"


def test_the_sender_confirms_when_nobody_else_receives_there(
    places: Places, spare: Item, stores: User, engineer: User
) -> None:
    engineer.is_active = False
    engineer.save()
    parcel = sent_parcel(places, stores)
    assert confirm(parcel, by=stores, version=None, everything=True).state == "confirmed"


def test_an_engineer_brings_back_from_the_own_van_and_stores_confirm(
    places: Places, spare: Item, stores: User, engineer: User
) -> None:
    parcel = sent_parcel(places, stores)
    confirm(parcel, by=engineer, version=None, everything=True)
    with pytest.raises(NotAllowed, match="You do not answer for Main store"):
        make_transfer(source=places.store, destination=places.van, lines={spare: 1}, by=engineer)
    with pytest.raises(NotAllowed, match="stores of the own branch"):
        make_transfer(source=places.van, destination=places.other_store, lines={spare: 1}, by=engineer)
    back = make_transfer(source=places.van, destination=places.store, lines={spare: 3}, by=engineer)
    assert back.purpose == "back"
    pick(back, line_of(back, "SP-1"), quantity=3, by=engineer, version=None)
    send(back, by=engineer, version=None)
    with pytest.raises(NotAllowed, match="You do not answer for Main store"):
        confirm(back, by=engineer, version=None, everything=True)
    confirm(back, by=stores, version=None, everything=True)
    assert (on_hand(spare, places.store), on_hand(spare, places.van)) == (9, 1)


def test_scans_pick_and_confirm_piece_by_piece(
    places: Places, spare: Item, serial: Serial, stores: User, engineer: User
) -> None:
    transfer = to_van(places, stores, SP_1=3, CV_1=1)
    for text in ("a100", f"i-{spare.pk}", f"https://firm.example/stock/scan/i-{spare.pk}/", "sp-1"):
        transfer = scan_into(transfer, text, by=stores, version=transfer.version)
    for wrong, said in (("A100", "picked already"), ("nothing", "no stock number"), ("CV-1", "by serial number")):
        with pytest.raises(ZonewrightError, match=said):
            scan_into(transfer, wrong, by=stores, version=None)
    transfer = send(transfer, by=stores, version=None)
    transfer = scan_into(transfer, f"s-{serial.pk}", by=engineer, version=None)
    with pytest.raises(Conflict, match="or has been confirmed already"):
        scan_into(transfer, "A100", by=engineer, version=None)
    transfer = scan_into(transfer, "SP-1", by=engineer, version=None, quantity=2)
    with pytest.raises(Conflict, match="1 pc of SP-1 are still to come, not 2"):
        scan_into(transfer, "SP-1", by=engineer, version=None, quantity=2)
    assert transfer.state == "sent"
    transfer = scan_into(transfer, "SP-1", by=engineer, version=None)
    assert transfer.state == "confirmed"
    assert on_hand(spare, places.van) == 3


# --- differences -----------------------------------------------------------------------------------------------------


def test_a_difference_stays_on_the_way_until_stores_settle_it(
    places: Places, spare: Item, stores: User, engineer: User
) -> None:
    parcel = sent_parcel(places, stores, springs=6)
    line = line_of(parcel, "SP-1")
    parcel = confirm(parcel, by=engineer, version=None, quantities={line: 2}, finish=True)
    assert (parcel.state, transfer_detail(stores, parcel.pk).missing) == ("confirmed", 4)
    assert [row.number for row in transfer_page(stores, show="differences").rows] == [parcel.number]
    with pytest.raises(NotAllowed, match="settled by the stores"):
        settle(parcel, line, how=Settling.FOUND, quantity=1, by=engineer, version=None)
    with pytest.raises(InvalidInput, match="needs a reason"):
        settle(parcel, line, how=Settling.LOST, quantity=1, by=stores, version=None)
    settle(parcel, line, how=Settling.FOUND, quantity=1, by=stores, version=None)
    settle(parcel, line, how=Settling.BACK, quantity=2, by=stores, version=None)
    with pytest.raises(Conflict, match="1 pc of SP-1 are still to come, not 2"):
        settle(parcel, line, how=Settling.LOST, quantity=2, reason="fell off", by=stores, version=None)
    settle(parcel, line, how=Settling.LOST, quantity=1, reason="fell off", by=stores, version=None)
    places_now = [on_hand(spare, p) for p in (places.store, transit_place(), places.van, places.scrap)]
    assert places_now == [6, 0, 3, 1]
    assert counts(parcel, "SP-1") == (6, 6, 2, 4)
    assert transfer_page(stores, show="differences").rows == []
    assert transfer_detail(stores, parcel.pk).lines[0].history[2].startswith("1 pc: Written off: fell off (Stores")
    assert transit_difference() == []


def test_a_missing_piece_is_settled_by_its_number(
    places: Places, serial: Serial, stores: User, engineer: User
) -> None:
    transfer = to_van(places, stores, CV_1=1)
    pick(transfer, line_of(transfer, "CV-1"), serials=[serial], by=stores, version=None)
    send(transfer, by=stores, version=None)
    confirm(transfer, by=engineer, version=None, finish=True)
    settle(transfer, line_of(transfer, "CV-1"), how=Settling.LOST, serials=[serial], reason="stolen", by=stores,
           version=None)
    serial.refresh_from_db()
    assert serial.location == places.scrap
    assert transit_difference() == []


def test_a_piece_that_is_sent_a_second_time_no_longer_belongs_to_the_first_parcel(
    places: Places, serial: Serial, stores: User, engineer: User
) -> None:
    second = make.SerialFactory.create(item=serial.item, number="A101")
    make.MovementFactory.create(item=serial.item, source=places.supplier, destination=places.store, serial=second)
    first = to_van(places, stores, CV_1=2)
    pick(first, line_of(first, "CV-1"), serials=[serial, second], by=stores, version=None)
    send(first, by=stores, version=None)
    confirm(first, by=engineer, version=None, finish=True)
    settle(first, line_of(first, "CV-1"), how=Settling.BACK, serials=[serial], by=stores, version=None)
    again = to_van(places, stores, CV_1=1)
    pick(again, line_of(again, "CV-1"), serials=[serial], by=stores, version=None)
    send(again, by=stores, version=None)
    pieces = [(piece.number, piece.missing) for piece in transfer_detail(stores, first.pk).lines[0].pieces]
    assert pieces == [("A100", False), ("A101", True)]
    with pytest.raises(Conflict, match=f"A100 is not in {first.number}"):
        settle(first, line_of(first, "CV-1"), how=Settling.BACK, serials=[serial], by=stores, version=None)
    assert confirm(again, by=engineer, version=None, everything=True).state == "confirmed"
    assert transit_difference() == []


# --- promises travel with their goods --------------------------------------------------------------------------------


def promised_parcel(places: Places, stores: User, spare: Item, *, quantity: int) -> tuple[Transfer, Reservation]:
    """A list of 4 springs, some of them promised to a visit, picked."""
    kept = services.reserve(
        spare, places.store, quantity=quantity, needed_on=date(2026, 11, 26), reference="visit 7", by=stores
    )
    notes = [{"kind": "work", "text": "visit 7", "quantity": quantity, "reservation": kept.pk}]
    transfer = new_transfer(
        source=places.store, destination=places.van, purpose="top-up", lines=[(spare, 4, notes)], by=stores,
        for_day=date(2026, 11, 25),
    )
    return pick(transfer, line_of(transfer, "SP-1"), quantity=4, by=stores, version=None), kept


def promises(item: Item) -> list[tuple[str, int, str]]:
    rows = Reservation.objects.filter(item=item, state="open").order_by("pk")
    return [(row.location.code, row.quantity, row.reference) for row in rows]


def test_a_promise_goes_along_and_nobody_else_can_take_the_part(
    places: Places, spare: Item, stores: User, engineer: User
) -> None:
    transfer, _ = promised_parcel(places, stores, spare, quantity=3)
    services.record_movement(spare, quantity=5, source=places.store, destination=places.other_store, kind="transfer",
                             by=stores)
    # Five left, three promised: picked for the visit, so nobody takes more than two.
    with pytest.raises(Conflict, match="3 are reserved"):
        services.record_movement(spare, quantity=3, source=places.store, destination=places.van, kind="transfer",
                                 by=stores)
    transfer = send(transfer, by=stores, version=None)
    way = transit_place()
    assert promises(spare) == [("on-the-way", 3, "visit 7")]
    assert (balance(spare, places.store), balance(spare, way)) == ((1, 0, 0, 0), (4, 3, 0, 0))
    assert Movement.objects.get(reference=transfer.number).kind == "pick"
    with pytest.raises(Conflict, match="3 are reserved"):
        post_movement(spare, quantity=2, source=way, destination=places.store, kind="transfer", by=stores)
    confirm(transfer, by=engineer, version=None, everything=True)
    assert promises(spare) == [("van", 3, "visit 7")]
    assert balance(spare, places.van) == (4, 3, 0, 0)
    with pytest.raises(Conflict, match="3 are reserved"):
        services.record_movement(spare, quantity=2, source=places.van, destination=places.store, kind="transfer",
                                 by=stores)


def test_what_arrives_first_keeps_the_promise_and_what_is_lost_breaks_it_last(
    places: Places, spare: Item, stores: User, engineer: User
) -> None:
    transfer, _ = promised_parcel(places, stores, spare, quantity=3)
    line = line_of(transfer, "SP-1")
    send(transfer, by=stores, version=None)
    confirm(transfer, by=engineer, version=None, quantities={line: 1})
    assert sorted(promises(spare)) == [("on-the-way", 2, "visit 7"), ("van", 1, "visit 7")]
    confirm(transfer, by=engineer, version=None, finish=True)
    settle(transfer, line, how=Settling.LOST, quantity=2, reason="box was open", by=stores, version=None)
    assert sorted(promises(spare)) == [("on-the-way", 1, "visit 7"), ("van", 1, "visit 7")]
    settle(transfer, line, how=Settling.BACK, quantity=1, by=stores, version=None)
    assert sorted(promises(spare)) == [("store", 1, "visit 7"), ("van", 1, "visit 7")]
    assert transit_difference() == []


def test_a_short_pick_leaves_the_rest_of_the_promise_at_the_store(
    places: Places, spare: Item, stores: User
) -> None:
    transfer, _ = promised_parcel(places, stores, spare, quantity=3)
    pick(transfer, line_of(transfer, "SP-1"), quantity=2, short_reason="cannot find them", by=stores, version=None)
    send(transfer, by=stores, version=None)
    assert sorted(promises(spare)) == [("on-the-way", 2, "visit 7"), ("store", 1, "visit 7")]


def test_a_promise_given_back_meanwhile_does_not_travel(places: Places, spare: Item, stores: User) -> None:
    transfer, kept = promised_parcel(places, stores, spare, quantity=3)
    services.release_reservation(kept, by=stores)
    send(transfer, by=stores, version=None)
    assert promises(spare) == []


# --- the law ---------------------------------------------------------------------------------------------------------


def _step(rng: random.Random, users: list[User], places: Places, items: list[Item], lost: list[int]) -> None:
    """One random act of one random person; what is refused changes nothing."""
    by = rng.choice(users)
    found: list[Transfer] = list(Transfer.objects.order_by("pk"))
    transfer = rng.choice(found) if found else None
    act = rng.choice(["make", "pick", "pick", "send", "send", "confirm", "confirm", "finish", "settle", "cancel"])
    try:
        with transaction.atomic():
            if act == "make" or transfer is None:
                source, destination = rng.sample([places.store, places.van], 2)
                make_transfer(source=source, destination=destination, by=by,
                              lines={item: rng.randint(1, 4) for item in rng.sample(items, rng.randint(1, 2))})
                return
            line = rng.choice(list(transfer.lines.select_related("item")))
            pieces = list(Serial.objects.filter(item=line.item).order_by("pk"))
            some: dict[str, Any] = (
                {"serials": rng.sample(pieces, rng.randint(0, 2))} if line.item.tracking == "serial"
                else {"quantity": rng.randint(0, 3)}
            )
            match act:
                case "pick":
                    batch = rng.choice(["B1", "B2"]) if line.item.tracking == "batch" else ""
                    pick(transfer, line.pk, by=by, version=None, batch=batch, short_reason="no more", **some)
                case "send":
                    for each in transfer.lines.all():
                        if not each.sent:
                            pick(transfer, each.pk, by=by, version=None, quantity=0, short_reason="none")
                    send(transfer, by=by, version=None)
                case "confirm":
                    quantities = {line.pk: some["quantity"]} if "quantity" in some else {}
                    confirm(transfer, by=by, version=None, quantities=quantities, serials=some.get("serials", ()))
                case "finish":
                    confirm(transfer, by=by, version=None, finish=True, everything=rng.random() < 0.5)
                case "settle":
                    how = rng.choice(list(Settling))
                    before = line.settled
                    settle(transfer, line.pk, how=how, by=by, version=None, reason="seen", **some)
                    line.refresh_from_db()
                    lost[0] += line.settled - before if how == Settling.LOST else 0
                case "cancel":
                    cancel_transfer(transfer, by=by, version=None)
    except ZonewrightError:
        pass


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_on_the_way_is_always_what_the_open_transfers_say(
    places: Places, spare: Item, serial: Serial, batched: Item, stores: User, engineer: User, other_stores: User,
    seed: int,
) -> None:
    rng = random.Random(seed)
    with transaction.atomic():
        for number in range(3):
            piece = make.SerialFactory.create(item=serial.item, number=f"R{number}")
            make.MovementFactory.create(item=serial.item, source=places.supplier, destination=places.store,
                                        serial=piece)
        services.reserve(spare, places.store, quantity=3, needed_on=date(2026, 12, 1), reference="visit 1", by=stores)
        items = [spare, serial.item, batched]
        owned = {item: sum(b.on_hand for b in item.balances.filter(physical=True)) for item in items}
        lost = [0]
        for _ in range(40):
            _step(rng, [stores, engineer, other_stores], places, items, lost)
            assert transit_difference() == []
        kept = {item: sum(b.on_hand for b in item.balances.filter(physical=True)) for item in items}
        assert sum(owned.values()) - sum(kept.values()) == lost[0]
        for transfer in Transfer.objects.filter(state="confirmed"):
            for line in transfer.lines.filter(item__tracking="serial"):
                assert line.arrived == line.pieces.filter(arrived=True).count()
        transaction.set_rollback(True)


def test_the_query_of_the_difference_sees_goods_that_no_transfer_explains(
    places: Places, spare: Item, stores: User
) -> None:
    post_movement(spare, quantity=2, source=places.store, destination=transit_place(), kind="transfer", by=stores)
    assert [(row.item_id, row.held, row.should) for row in transit_difference()] == [(spare.pk, 2, 0)]


def test_places_that_are_not_counted_take_no_transfer(places: Places, spare: Item, stores: User) -> None:
    for source, destination in (
        (places.store, places.sites), (places.supplier, places.store), (places.store, places.store),
    ):
        with pytest.raises((InvalidInput, NotAllowed)):
            make_transfer(source=source, destination=destination, lines={spare: 1}, by=stores)
    with pytest.raises(InvalidInput, match="at least one line"):
        make_transfer(source=places.store, destination=places.van, lines={}, by=stores)
    with pytest.raises(InvalidInput, match="cannot be asked for"):
        make_transfer(source=places.store, destination=places.van, lines={spare: 0}, by=stores)


# --- at once ---------------------------------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_parcels_in_both_directions_and_two_receivers_at_once(transactional_db: None) -> None:
    """Sixteen parcels of two hot items cross each other while two people confirm each: nothing is lost or doubled."""
    Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
    branch = Branch.objects.create(code="NB", name="Northbeck")
    first, second = person(Role.STORES, branch, "one@nb.example"), person(Role.STORES, branch, "two@nb.example")
    third = person(Role.STORES, branch, "three@nb.example")
    ends = [make.LocationFactory.create(branch=branch) for _ in range(2)]
    items = [make.ItemFactory.create() for _ in range(2)]
    outside = make.SuppliersPlaceFactory.create()
    for item in items:
        for place in ends:
            make.MovementFactory.create(item=item, quantity=40, source=outside, destination=place)
    parcels = []
    for number in range(16):
        source, destination = ends[:: 1 if number % 2 else -1]
        transfer = make_transfer(source=source, destination=destination, lines=dict.fromkeys(items, 2), by=first)
        for line in transfer.lines.all():
            pick(transfer, line.pk, quantity=2, by=first, version=None)
        parcels.append(transfer)
    done: list[str] = []

    def work(by: User, mine: list[Transfer]) -> None:
        try:
            for transfer in mine:
                for act in (
                    lambda t=transfer: send(t, by=first, version=None),
                    lambda t=transfer: confirm(t, by=by, version=None, everything=True),
                ):
                    for _ in range(20):
                        try:
                            act()
                        except Busy:
                            continue
                        except Conflict:
                            break
                        done.append(transfer.number)
                        break
        finally:
            connection.close()

    threads = [
        threading.Thread(target=work, args=(by, parcels[share::4])) for share in range(4) for by in (second, third)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # Each was sent once and confirmed once, by whoever came first.
    assert Counter(done) == {transfer.number: 2 for transfer in parcels}
    assert [on_hand(item, place) for item in items for place in ends] == [40, 40, 40, 40]
    assert [on_hand(item, transit_place()) for item in items] == [0, 0]
    assert transit_difference() == []
    assert Movement.objects.exclude(reference="").count() == 16 * 4
