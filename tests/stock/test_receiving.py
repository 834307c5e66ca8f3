"""Deliveries: parts, numbers, too many, damaged, wrong; what becomes of held pieces; what it costs."""

from __future__ import annotations

import uuid
from decimal import Decimal
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client

from config.accounts.models import User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from stock.models import ExchangeRate, HeldDelivery, Item, ItemCost, Location, Movement, Order, Serial
from stock.services.ledger import correct_movement, post_movement
from stock.services.orders import close_short
from stock.services.receiving import keep_held, receive_order_line, receive_wrong_item, return_held, settle_held
from tests.conftest import logged_in
from tests.stock.conftest import Places, balance, on_hand
from tests.stock.order_scene import placed, quarantine, sells
from tests.stock.test_at_once import at_once
from tests.stock.test_services import refusal


@pytest.fixture
def held_back(places: Places) -> Location:
    return quarantine(places)


@pytest.fixture
def order(spare: Item, cover: Item, places: Places, held_back: Location, stores: User) -> Order:
    """Ten spares at 2.50 and three covers at 40, placed; ten spares lie in the store."""
    sells(places.firm, spare, "2.50")
    sells(places.firm, cover, "40")
    return placed(places, {spare: 10, cover: 3}, stores)


def line(order: Order, item: Item) -> Any:
    return order.lines.select_related("order", "item").get(item=item)


def counts(order: Order, item: Item) -> tuple[int, int]:
    found = order.lines.get(item=item)
    return found.received, found.over


def test_receipts_cost_the_lines_price_at_the_orders_rate(spare: Item, places: Places, stores: User) -> None:
    places.firm.currency = "EUR"
    places.firm.save()
    ExchangeRate.objects.create(currency="EUR", valid_from="2020-01-01", rate=Decimal("0.863100"))
    sells(places.firm, spare, "2.50")
    order = placed(places, {spare: 4}, stores)
    ExchangeRate.objects.update(rate=Decimal("0.9"))
    (made,) = receive_order_line(line(order, spare), quantity=4, by=stores)
    made.refresh_from_db()
    assert made.unit_cost == Decimal("2.1578")  # 2.50 x 0.8631, half up
    assert ItemCost.objects.get().average == Decimal("2.157800")


def test_without_a_price_there_is_no_cost(order: Order, spare: Item, stores: User) -> None:
    order.lines.update(unit_price=None)
    (made,) = receive_order_line(line(order, spare), quantity=4, by=stores)
    assert (made.unit_cost, ItemCost.objects.count()) == (None, 0)


def test_numbered_pieces_keep_their_batch(order: Order, cover: Item, stores: User) -> None:
    receive_order_line(line(order, cover), quantity=2, by=stores, serial_numbers=["S2", "S1"], batch="B7")
    assert list(Serial.objects.order_by("number").values_list("number", "batch")) == [("S1", "B7"), ("S2", "B7")]
    assert list(Movement.objects.filter(serial__isnull=False).values_list("unit_cost", "batch")) == [
        (Decimal("40"), "B7")
    ] * 2


def test_a_known_number_is_named_with_its_place(order: Order, serial: Serial, stores: User) -> None:
    act = lambda: receive_order_line(line(order, serial.item), quantity=2, by=stores, serial_numbers=["A100", "S1"])  # noqa: E731
    assert refusal(act, Conflict)[2] == (
        "One of these serial numbers of CV-1 Cover of a detector has been received before (A100: Main store). "
        "Compare the numbers with the labels; a returned piece is moved, not received again."
    )
    assert Serial.objects.count() == 1


def test_a_piece_that_went_back_may_come_again(order: Order, serial: Serial, places: Places, stores: User) -> None:
    post_movement(serial.item, quantity=1, source=places.store, destination=places.supplier, kind="return", by=stores,
                  serial=serial)
    receive_order_line(line(order, serial.item), quantity=1, by=stores, serial_numbers=["A100"], batch="B9")
    serial.refresh_from_db()
    assert (serial.location, serial.batch) == (places.store, "B9")


def test_more_than_ordered_asks_what_to_do(order: Order, spare: Item, places: Places, stores: User) -> None:
    act = lambda **how: receive_order_line(line(order, spare), quantity=12, by=stores, **how)  # noqa: E731
    assert refusal(act, Conflict)[2] == (
        "The order line for SP-1 Tamper spring has 10 pc still to come; 12 are 2 too many. "
        "Say whether to keep the rest or to put it into quarantine, or correct the quantity."
    )
    (made,) = act(beyond="keep")
    assert (made.quantity, counts(order, spare), balance(spare, places.store)) == (12, (10, 2), (22, 0, 0, 0))


def test_what_is_beyond_may_wait_in_quarantine(
    order: Order, cover: Item, places: Places, held_back: Location, stores: User
) -> None:
    numbers = ["S1", "S2", "S3", "S4"]
    receive_order_line(line(order, cover), quantity=4, by=stores, serial_numbers=numbers, beyond="hold")
    assert (on_hand(cover, places.store), on_hand(cover, held_back), counts(order, cover)) == (3, 1, (3, 0))
    held = HeldDelivery.objects.get()
    assert (held.why, held.movement.serial.number, held.movement.unit_cost) == ("beyond", "S4", None)
    (back,) = return_held([held], by=stores, note="Parcel 12")
    assert (back.kind, back.destination, back.reference) == ("return", places.supplier, order.number)
    held.refresh_from_db()
    assert (held.outcome, held.note, held.decided_by) == ("returned", "Parcel 12", stores)
    assert refusal(lambda: return_held([held], by=stores), Conflict)[0] == "held"


def test_damaged_pieces_do_not_count(
    order: Order, spare: Item, places: Places, held_back: Location, stores: User
) -> None:
    make.ReservationFactory.create(item=spare, location=places.store, quantity=20, ahead=True)
    receive_order_line(line(order, spare), quantity=3, by=stores, damaged=True)
    assert (on_hand(spare, held_back), counts(order, spare), balance(spare, places.store)) == (
        3, (0, 0), (10, 0, 20, 10)
    )
    receive_order_line(line(order, spare), quantity=9, by=stores)
    keep_held(list(HeldDelivery.objects.all()), by=stores)
    assert (on_hand(spare, held_back), counts(order, spare), balance(spare, places.store)) == (
        0, (10, 2), (22, 0, 20, 0)
    )
    assert [m.unit_cost for m in Movement.objects.filter(kind="receive", destination=places.store).order_by("-id")[:2]
            ] == [Decimal("2.5"), Decimal("2.5")]


def test_a_wrong_item_is_returned_or_kept(
    order: Order, spare: Item, places: Places, held_back: Location, stores: User
) -> None:
    assert refusal(lambda: receive_wrong_item(order, spare, quantity=1, by=stores), Conflict)[0] == "item"
    other = make.ItemFactory.create(sku="ZZ-9")
    receive_wrong_item(order, other, quantity=5, by=stores, note="Delivery note 77")
    receive_wrong_item(order, other, quantity=2, by=stores)
    first, second = HeldDelivery.objects.order_by("id")
    assert (on_hand(other, held_back), first.note, order.lines.count()) == (7, "Delivery note 77", 2)
    return_held([first], by=stores)
    keep_held([second], by=stores, unit_price=Decimal("1.20"))
    added = order.lines.get(item=other)
    assert (added.quantity, added.received, added.unit_price) == (2, 2, Decimal("1.2000"))
    assert (on_hand(other, held_back), balance(other, places.store)) == (0, (2, 0, 0, 0))
    assert ItemCost.objects.get(item=other).unit_cost == Decimal("1.2000")
    # Another one of it later: it is on the order now.
    receive_order_line(added, quantity=1, by=stores, beyond="keep")
    assert counts(order, other) == (2, 1)


def test_numbered_pieces_of_a_wrong_item_are_kept(
    spare: Item, cover: Item, places: Places, held_back: Location, stores: User
) -> None:
    order = placed(places, {spare: 1}, stores)
    receive_wrong_item(order, cover, quantity=2, by=stores, serial_numbers=["S1", "S2"], batch="B1")
    keep_held(list(HeldDelivery.objects.all()), by=stores)
    assert counts(order, cover) == (1, 1)
    assert set(Serial.objects.values_list("location__code", "batch")) == {("store", "B1")}


def test_pieces_that_are_gone_cannot_be_returned(
    order: Order, spare: Item, places: Places, held_back: Location, stores: User
) -> None:
    receive_order_line(line(order, spare), quantity=3, by=stores, damaged=True)
    post_movement(spare, quantity=3, source=held_back, destination=places.scrap, kind="scrap", by=stores)
    held = list(HeldDelivery.objects.all())
    assert refusal(lambda: return_held(held, by=stores), Conflict)[0] == "quantity"
    assert refusal(lambda: settle_held(held, by=stores, note=""), InvalidInput)[0] == "note"
    settle_held(held, by=stores, note="Scrapped, credit promised")
    assert HeldDelivery.objects.get().outcome == "settled"


def test_wrong_pieces_of_an_order_that_is_all_in(order: Order, spare: Item, cover: Item, stores: User) -> None:
    receive_order_line(line(order, spare), quantity=10, by=stores)
    receive_order_line(line(order, cover), quantity=3, by=stores, serial_numbers=["1", "2", "3"])
    order.refresh_from_db()
    assert order.state == "received"
    refusal(lambda: receive_order_line(line(order, spare), quantity=1, by=stores), Conflict)
    receive_order_line(line(order, spare), quantity=1, by=stores, beyond="hold")
    receive_wrong_item(order, make.ItemFactory.create(), quantity=1, by=stores)
    order.refresh_from_db()
    assert (order.state, HeldDelivery.objects.count()) == ("received", 2)


def test_without_a_quarantine_it_is_said(spare: Item, places: Places, stores: User) -> None:
    order = placed(places, {spare: 1}, stores)
    act = lambda: receive_wrong_item(order, make.ItemFactory.create(), quantity=1, by=stores)  # noqa: E731
    assert refusal(act, InvalidInput)[0] == "destination"


# Corrections


def test_a_corrected_receipt_opens_its_line_what_was_over_first(
    order: Order, spare: Item, places: Places, stores: User
) -> None:
    (made,) = receive_order_line(line(order, spare), quantity=12, by=stores, beyond="keep")
    correct_movement(made, by=stores, note="Counted wrong")
    assert (counts(order, spare), balance(spare, places.store)) == ((0, 0), (10, 0, 0, 10))
    receive_order_line(line(order, spare), quantity=10, by=stores)
    (more,) = receive_order_line(line(order, spare), quantity=2, by=stores, beyond="keep")
    correct_movement(more, by=stores, note="Were not ours")
    assert (counts(order, spare), balance(spare, places.store)) == ((10, 0), (20, 0, 0, 0))


def test_a_correction_does_not_open_an_order_that_was_closed_short(order: Order, spare: Item, stores: User) -> None:
    (made,) = receive_order_line(line(order, spare), quantity=4, by=stores)
    close_short(order, by=stores)
    correct_movement(made, by=stores, note="Wrong delivery")
    order.refresh_from_db()
    assert (order.state, counts(order, spare), balance(spare, order.destination)[3]) == ("received", (0, 0), 0)


def test_a_held_receipt_posted_by_mistake_is_corrected(order: Order, spare: Item, stores: User) -> None:
    receive_order_line(line(order, spare), quantity=4, by=stores)
    (made,) = receive_order_line(line(order, spare), quantity=3, by=stores, damaged=True)
    correct_movement(made, by=stores, note="They are fine")
    assert (HeldDelivery.objects.get().outcome, counts(order, spare)) == ("corrected", (4, 0))


# Doors


def post(client: Client, order: Order, path: str, **values: Any) -> HttpResponse:
    body = {"token": uuid.uuid4().hex, "do": "receive", "delivery_note": "DN 5"} | values
    return client.post(f"/stock/orders/{order.pk}/{path}", body)  # type: ignore[return-value]


def test_scanned_numbers_are_checked_one_by_one(order: Order, serial: Serial, stores: User) -> None:
    client = logged_in(stores)
    path = f"receive/{line(order, serial.item).pk}/"

    def scan(number: str, so_far: str = "") -> str:
        return post(client, order, path, do="add", scan=number, numbers=so_far).content.decode()

    assert "S1</span> is fine" in scan("S1")
    assert "S1 is on the list already." in scan("S1", "S1")
    assert "In stock or fitted already: A100 (Main store)" in scan("A100", "S1")
    assert "one of the firm&#x27;s own labels" in scan("s-12", "S1")
    assert ">\nS1\nS2</textarea>" in scan("S2", "S1")
    assert "Twice on the list: S1" in scan("", "S1, S1; S2")
    answer = post(client, order, path, numbers="S1\nS2", batch="B1")
    assert answer.status_code == 302
    assert answer.url == f"/stock/orders/{order.pk}/receive/?delivery_note=DN+5"  # type: ignore[attr-defined]
    assert list(Movement.objects.filter(reference=order.number).values_list("serial__number", "note")) == [
        ("S1", "Delivery note DN 5"), ("S2", "Delivery note DN 5")
    ]


def test_a_delivery_is_posted_once(order: Order, spare: Item, stores: User) -> None:
    client = logged_in(stores)
    for _ in range(2):
        assert post(client, order, f"receive/{line(order, spare).pk}/", quantity=4, token="one").status_code == 302
    assert counts(order, spare) == (4, 0)
    page = client.get(f"/stock/orders/{order.pk}/receive/").content.decode()
    assert page.count("Received 4 pc of Tamper spring into Main store. 6 pc still to come.") == 1
    assert "4 of 10 pc" in page


def test_the_page_asks_what_becomes_of_the_rest(order: Order, spare: Item, stores: User) -> None:
    client = logged_in(stores)
    path = f"receive/{line(order, spare).pk}/"
    asked = post(client, order, path, quantity=11)
    assert (asked.status_code, "Keep it at the line" in asked.content.decode()) == (409, True)
    assert "10 pc still to come; 11 are 1 too many" in asked.content.decode()
    assert post(client, order, path, quantity=11, ask_beyond=1).status_code == 409
    assert post(client, order, path, quantity=11, ask_beyond=1, beyond="keep").status_code == 302
    assert counts(order, spare) == (10, 1)


def test_a_batch_is_asked_for(places: Places, stores: User) -> None:
    item = make.ItemFactory.create(tracking="batch")
    order = placed(places, {item: 5}, stores)
    client = logged_in(stores)
    path = f"receive/{line(order, item).pk}/"
    assert post(client, order, path, quantity=5).status_code == 400
    assert post(client, order, path, quantity=5, batch="B3").status_code == 302
    assert Movement.objects.get().batch == "B3"


def test_wrong_items_on_the_pages(order: Order, held_back: Location, stores: User) -> None:
    other = make.ItemFactory.create(sku="ZZ-9")
    client = logged_in(stores)
    assert client.get(f"/stock/orders/{order.pk}/receive/other/").status_code == 200
    assert client.get(f"/stock/orders/{order.pk}/receive/other/?item=NONE").status_code == 400
    assert client.get(f"/stock/orders/{order.pk}/receive/other/?item=zz-9").status_code == 200
    assert post(client, order, "receive/other/?item=zz-9", quantity=2).status_code == 302
    held = HeldDelivery.objects.get()
    assert (held.movement.item, held.note) == (other, "Delivery note DN 5")
    assert post(client, order, "held/", act="return").status_code == 400
    assert post(client, order, "held/", act="settle", held=held.pk).status_code == 400
    assert post(client, order, "held/", act="keep", held=held.pk, unit_price="3").status_code == 302
    assert post(client, order, "held/", act="keep", held=held.pk, unit_price="3").status_code == 409
    assert on_hand(other, order.destination) == 2


def test_receiving_is_for_stores(order: Order, spare: Item, engineer: User, stranger: User) -> None:
    path = f"/stock/orders/{order.pk}/receive/{line(order, spare).pk}/"
    assert logged_in(engineer).post(path, {"quantity": 1}).status_code == 403
    stranger.role = "stores"
    stranger.save()
    assert logged_in(stranger).post(path, {"quantity": 1}).status_code == 404


@pytest.mark.django_db(transaction=True)
def test_many_receive_one_line_at_once(places: Places, stores: User, held_back: Location) -> None:
    """Twenty pieces for a line of ten: nobody deadlocks, and each piece is received, over or held."""
    item = make.ItemFactory.create()
    order = placed(places, {item: 10}, stores)
    target = line(order, item)
    answers = at_once(
        [lambda: receive_order_line(target, quantity=2, by=stores, beyond="hold") for _ in range(4)]
        + [lambda: receive_order_line(target, quantity=3, by=stores, beyond="keep") for _ in range(4)]
    )
    assert [answer for answer in answers if not isinstance(answer, list)] == []
    received, over = counts(order, item)
    assert received == 10
    assert on_hand(item, places.store) == 10 + over
    assert on_hand(item, places.store) + on_hand(item, held_back) == 4 * 2 + 4 * 3
