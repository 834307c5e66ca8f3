"""Many movements in one request: all of them or none, the bad one named, once for its key, and no deadlock."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from stock.models import Item, Location, Movement, Serial
from stock.services.many import record_movements
from tests.conftest import api_client
from tests.stock.conftest import Places, on_hand

ADDRESS = "/api/movements/many/"


def row(item: Item, source: Location, destination: Location, **more: Any) -> dict[str, Any]:
    return {"item": item.pk, "quantity": 1, "source": source.pk, "destination": destination.pk, "kind": "transfer",
            **more}


def send(user: User, rows: list[dict[str, Any]], key: str = "k1") -> Any:
    return api_client(user).post(ADDRESS, {"movements": rows}, format="json", headers={"Idempotency-Key": key})


@pytest.mark.django_db
def test_all_are_posted_in_their_order_and_once(places: Places, spare: Item, serial: Serial, stores: User) -> None:
    rows = [
        row(spare, places.store, places.van, quantity=3, note="first"),
        row(serial.item, places.store, places.van, serial=serial.pk),
        row(spare, places.van, places.scrap, kind="scrap"),
    ]
    answer = send(stores, rows)
    assert answer.status_code == 201, answer.json()
    ids = answer.json()["ids"]
    found = Movement.objects.in_bulk(ids)
    assert [(found[pk].kind, found[pk].quantity, found[pk].note, found[pk].posted_by) for pk in ids] == [
        ("transfer", 3, "first", stores), ("transfer", 1, "", stores), ("scrap", 1, "", stores)
    ]
    assert (on_hand(spare, places.store), on_hand(spare, places.van)) == (7, 2)
    serial.refresh_from_db()
    assert serial.location == places.van
    assert send(stores, rows).json() == {"ids": ids}
    assert send(stores, rows[:1]).status_code == 422
    assert on_hand(spare, places.store) == 7


@pytest.mark.django_db
def test_the_bad_one_is_named_and_nothing_is_kept(places: Places, spare: Item, serial: Serial, stores: User) -> None:
    good = row(spare, places.store, places.van)
    for bad, field, status in (
        (row(spare, places.store, places.van, quantity=10), "movements.1.quantity", 409),
        (row(spare, places.store, places.other_store), "movements.1.destination", 400),
        (row(spare, places.supplier, places.store), "movements.1.source", 400),
        (row(serial.item, places.store, places.van), "movements.1.serial", 400),
        (row(serial.item, places.store, places.sites, serial=serial.pk, kind="fit"), "movements.1.serial", 409),
        (row(spare, places.store, places.van, kind="correct"), "movements.1.kind", 400),
        (good | {"item": 999_999}, "movements.1.item", 400),
    ):
        answer = send(stores, [good, bad])
        assert (answer.status_code, answer.json().get("field")) == (status, field), answer.json()
        assert answer.json()["detail"].startswith("Movement 2: ")
    assert on_hand(spare, places.store) == 10


@pytest.mark.django_db
def test_a_serial_moves_once_and_a_request_has_its_bounds(
    places: Places, spare: Item, serial: Serial, stores: User, engineer: User
) -> None:
    there = row(serial.item, places.store, places.van, serial=serial.pk)
    back = row(serial.item, places.van, places.store, serial=serial.pk)
    assert send(stores, [there, back]).json()["field"] == "movements.1.serial"
    assert send(stores, []).status_code == 400
    assert send(stores, [row(spare, places.store, places.van)] * 501).status_code == 400
    assert send(engineer, [row(spare, places.store, places.van)]).status_code == 403
    with pytest.raises(InvalidInput):
        record_movements([], by=stores)


@pytest.mark.django_db
@pytest.mark.parametrize("count", [1, 3])
def test_a_request_takes_the_same_statements_for_more(count: int, places: Places, stores: User) -> None:
    items = [make.ItemFactory.create() for _ in range(count)]
    for item in items:
        make.MovementFactory.create(item=item, quantity=5, source=places.supplier, destination=places.store)
    client = api_client(stores)
    body = {"movements": [row(item, places.store, places.van) for item in items]}
    with CaptureQueriesContext(connection) as captured:
        answer = client.post(ADDRESS, body, format="json", headers={"Idempotency-Key": f"n{count}"})
    assert answer.status_code == 201
    # The session's context rides in front of the first statement.
    asked = [query["sql"] for query in captured if "SAVEPOINT" not in query["sql"].split(";")[-1]]
    # The key, items, places, locks, movements, the answer kept.
    assert len(asked) == 6


@pytest.mark.django_db(transaction=True)
def test_requests_that_cross_each_other_neither_deadlock_nor_lose(places: Places, stores: User) -> None:
    items = [make.ItemFactory.create() for _ in range(4)]
    for item in items:
        for place in (places.store, places.van):
            make.MovementFactory.create(item=item, quantity=500, source=places.supplier, destination=place)

    def post(number: int) -> int:
        there = number % 2 == 0
        ends = (places.store, places.van) if there else (places.van, places.store)
        order = items if there else items[::-1]
        try:
            made = record_movements(
                [Movement(item=item, quantity=1, source=ends[0], destination=ends[1], kind="transfer", batch="")
                 for item in order * 10],
                by=stores,
            )
        except Conflict:
            return 0
        finally:
            connection.close()
        return len(made)

    with ThreadPoolExecutor(8) as pool:
        posted = list(pool.map(post, range(32)))
    assert posted == [40] * 32
    assert [(on_hand(item, places.store), on_hand(item, places.van)) for item in items] == [(500, 500)] * 4
