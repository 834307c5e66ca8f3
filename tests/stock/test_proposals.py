"""Order proposals: what is drafted for whom, why, and what a repeat leaves alone."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core import mail

from config.accounts.models import User
from config.demo import factories as make
from stock.models import Item, Order, StockLevel
from stock.services.orders import LineAsked, approve_order, ask_approval, change_order, make_order, place_order
from stock.services.proposals import propose_orders
from tests.conftest import logged_in
from tests.stock.conftest import Places
from tests.stock.order_scene import limit, sells, step
from tests.stock.test_at_once import at_once

TODAY = date(2026, 11, 25)


def lines_of(order: Order) -> list[tuple[str, int, Any]]:
    return list(order.lines.order_by("item__sku").values_list("item__sku", "quantity", "unit_price"))


@pytest.fixture
def short(spare: Item, places: Places) -> Item:
    """Ten there, at least 12 wanted, filled up to 30; sold in packs of 8, 24 at least."""
    make.StockLevelFactory.create(item=spare, location=places.store, minimum=12, target=30)
    sells(places.firm, spare, "2.50", pack_size=8, minimum_order=24)
    return spare


def proposals() -> list[Order]:
    return list(Order.objects.filter(proposed=True).order_by("id"))


def test_a_proposal_is_rounded_priced_and_says_why(short: Item, places: Places) -> None:
    done = propose_orders(business_date=TODAY)
    (order,) = proposals()
    (line,) = order.lines.all()
    assert (done.made, done.lines, order.state, order.made_by, order.supplier) == (1, 1, "draft", None, places.firm)
    assert (line.quantity, line.unit_price, line.by_hand) == (24, Decimal("2.5000"), False)
    assert line.reason == (
        "10 on hand = 10: below the 12 set by hand; fills up to 30. "
        "20 pc rounded up to 24 (least order 24 pc, packs of 8 pc)."
    )


def test_a_repeat_doubles_nothing_and_follows_the_need(short: Item, places: Places) -> None:
    propose_orders(business_date=TODAY)
    again = propose_orders(business_date=TODAY)
    assert (again.made, again.changed, again.lines) == (0, 0, 0)
    StockLevel.objects.update(target=60)
    assert propose_orders(business_date=TODAY).changed == 1
    (order,) = proposals()
    assert (order.version, order.lines.get().quantity) == (2, 56)
    StockLevel.objects.update(minimum=2)
    assert propose_orders(business_date=TODAY).dropped == 1
    assert proposals() == []


def test_what_a_person_set_or_took_off_is_left_alone(
    short: Item, cover: Item, places: Places, stores: User
) -> None:
    make.StockLevelFactory.create(item=cover, location=places.store, minimum=2, target=4)
    sells(places.firm, cover, "40")
    propose_orders(business_date=TODAY)
    (order,) = proposals()
    change_order(order, lines=[LineAsked(short, 8, Decimal("2.50"))], note="", expected_on=None, version=1, by=stores)
    again = propose_orders(business_date=TODAY)
    assert (again.made, again.changed, lines_of(order)) == (0, 0, [("SP-1", 8, Decimal("2.5000"))])
    assert proposals() == [order]


@pytest.mark.parametrize("state", ["waiting", "approved", "placed"])
def test_an_order_taken_on_is_cover(
    state: str, short: Item, places: Places, stores: User, service_manager: User
) -> None:
    propose_orders(business_date=TODAY)
    (order,) = proposals()
    ask_approval(order, version=1, by=stores)
    if state != "waiting":
        approve_order(order, version=2, by=service_manager)
    if state == "placed":
        place_order(order, by=stores)
    assert propose_orders(business_date=TODAY).lines == 0
    # 10 there and 24 coming: 34, until more is wanted than that.
    StockLevel.objects.update(minimum=35, target=44)
    assert propose_orders(business_date=TODAY).made == 1
    first, second = proposals()
    assert (first, second.lines.get().quantity) == (order, 24)


@pytest.mark.django_db(transaction=True)
def test_proposing_at_once_makes_one_draft(short: Item, places: Places) -> None:
    answers = at_once([lambda: propose_orders(business_date=TODAY) for _ in range(8)])
    assert sorted(answer.made for answer in answers) == [0] * 7 + [1]
    (order,) = proposals()
    assert [line.quantity for line in order.lines.all()] == [24]


def test_a_draft_by_hand_is_cover(short: Item, places: Places, stores: User) -> None:
    make_order(supplier=places.firm, destination=places.store, lines={short: 2}, by=stores)
    assert propose_orders(business_date=TODAY).made == 0


def test_what_keeps_a_proposal_from_being_made_is_said(short: Item, cover: Item, places: Places) -> None:
    make.StockLevelFactory.create(item=cover, location=places.store, minimum=2, target=4)
    places.firm.currency = "EUR"
    places.firm.save()
    done = propose_orders(business_date=TODAY)
    assert (done.made, done.without_supplier) == (0, 1)
    (problem,) = done.problems
    assert problem.startswith("Wholesaler: There is no exchange rate for EUR on ")


def test_stores_of_two_branches_get_an_order_each(short: Item, places: Places) -> None:
    make.StockLevelFactory.create(item=short, location=places.other_store, minimum=1, target=2)
    # A van is filled from its store.
    make.StockLevelFactory.create(item=short, location=places.van, minimum=1, target=2)
    propose_orders(business_date=TODAY)
    assert [order.destination for order in proposals()] == [places.store, places.other_store]


def test_a_proposal_becomes_an_order_on_the_pages(
    short: Item, places: Places, stores: User, service_manager: User
) -> None:
    limit("10")
    places.firm.email = "orders@wholesaler.example"
    places.firm.save()
    client, manager = logged_in(stores), logged_in(service_manager)
    assert client.post("/stock/orders/propose/").status_code == 302
    order = Order.objects.get(proposed=True)
    page = client.get(f"/stock/orders/{order.pk}/")
    assert "Ask for approval" in page.content.decode()
    line = order.lines.get()
    edited = step(client, order, "edit", **{f"quantity-{line.pk}": 32, f"price-{line.pk}": "2.50", "note": "Soon"})
    assert edited.status_code == 302
    assert step(client, order, "place").status_code == 409
    assert step(client, order, "approve").status_code == 403
    assert step(client, order, "ask").status_code == 302
    assert step(manager, order, "refuse").status_code == 400
    assert step(manager, order, "approve").status_code == 302
    assert step(client, order, "place", mail="1").status_code == 302
    order.refresh_from_db()
    assert (order.state, order.note, order.lines.get().quantity, order.sent_to) == (
        "placed", "Soon", 32, "orders@wholesaler.example"
    )
    assert len(mail.outbox) == 1
    assert client.get(f"/stock/orders/{order.pk}/paper/")["Content-Type"] == "application/pdf"
    assert client.get(f"/stock/orders/{order.pk}/table/").content.decode().count("\r\n") == 2
