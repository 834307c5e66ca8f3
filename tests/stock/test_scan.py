"""The scan box and the address that labels carry."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import User
from config.demo import factories as make
from stock.models import Item, Serial, StockCount, Transfer
from stock.queries.scan import find
from tests.conftest import logged_in
from tests.stock.conftest import Places


@pytest.fixture
def piece(cover: Item, places: Places) -> Serial:
    serial = make.SerialFactory.create(item=cover, number="SN77001")
    make.MovementFactory.create(item=cover, serial=serial, source=places.supplier, destination=places.store)
    return serial


def names(user: User, text: str) -> list[tuple[str, str]]:
    return [(hit.kind, hit.name) for hit in find(user, text)]


def test_code_address_and_numbers_find_the_same_serial(piece: Serial, stores: User) -> None:
    one = [("serial", "SN77001")]
    assert names(stores, f"s-{piece.pk}") == one
    assert names(stores, f"https://stock.example/stock/scan/s-{piece.pk}/") == one
    assert names(stores, " sn77001 ") == one
    assert names(stores, "SN770") == one
    assert names(stores, "SN99") == []
    assert names(stores, "") == []


def test_label_opens_its_thing(piece: Serial, places: Places, stores: User) -> None:
    client = logged_in(stores)
    assert client.get(f"/stock/scan/s-{piece.pk}/").headers["Location"] == f"/stock/serials/{piece.pk}/"
    assert client.get("/stock/scan/", {"q": piece.item.sku}).headers["Location"] == (
        f"/stock/items/{piece.item_id}/here/"
    )
    assert client.get("/stock/scan/", {"q": f"l-{places.store.pk}"}).headers["Location"] == (
        f"/stock/places/{places.store.pk}/"
    )


def test_several_are_listed_and_none_is_explained(places: Places, stores: User) -> None:
    for number in (1, 2):
        make.ItemFactory.create(sku=f"BRACKET-{number}", name=f"Bracket {number}")
    several = logged_in(stores).get("/stock/scan/", {"q": "bracket"})
    assert several.status_code == 200
    assert "BRACKET-1" in several.content.decode()
    assert "BRACKET-2" in several.content.decode()
    none = logged_in(stores).get("/stock/scan/s-999999999/")
    assert none.status_code == 404
    assert "Nothing found" in none.content.decode()
    assert logged_in(stores).get("/stock/scan/").status_code == 200


def test_what_a_person_does_not_see_is_not_found(places: Places, stores: User, engineer: User) -> None:
    assert names(stores, f"l-{places.other_store.pk}") == []
    van = make.VanFactory.create(branch=places.store.branch)
    assert names(stores, f"l-{van.pk}") == [("location", van.name)]
    assert names(engineer, f"l-{van.pk}") == []


def test_statements_do_not_grow(places: Places, stores: User, piece: Serial) -> None:
    for rows in (1, 3):
        while Item.objects.filter(name__startswith="Clip").count() < rows:
            make.ItemFactory.create(name="Clip")
        with CaptureQueriesContext(connection) as seen:
            assert len(find(stores, "clip")) == rows
        assert len(seen) == 9
    with CaptureQueriesContext(connection) as seen:
        find(stores, f"s-{piece.pk}")
    assert len(seen) == 1
    with CaptureQueriesContext(connection) as seen:
        find(stores, "SN77001")
    assert len(seen) == 6


def test_labels_of_papers_open_their_pages(places: Places, stores: User) -> None:
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store, number="PO-77")
    transfer = Transfer.objects.create(number="TR-77", source=places.store, destination=places.van)
    count = StockCount.objects.create(number="CT-77", location=places.store)
    client = logged_in(stores)
    for code, number, address in (
        (f"o-{order.pk}", "PO-77", f"/stock/orders/{order.pk}/"),
        (f"t-{transfer.pk}", "tr-77", f"/stock/transfers/{transfer.pk}/"),
        (f"c-{count.pk}", "CT-77", f"/stock/counts/{count.pk}/"),
    ):
        assert client.get(f"/stock/scan/{code}/").headers["Location"] == address
        assert client.get("/stock/scan/", {"q": number}).headers["Location"] == address
