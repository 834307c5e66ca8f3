"""Transfers under /api/: each step once for its key, by the right person, from the version that was read."""

from __future__ import annotations

from typing import Any

from config.accounts.models import Branch, User
from config.accounts.rights import Role
from config.demo import factories as make
from stock.models import Item, Movement, Serial, Transfer
from tests.conftest import api_client, person
from tests.stock.conftest import Places, on_hand

KEYS = iter(range(10**9))


def post(user: User, path: str, body: dict[str, Any], *, key: str = "") -> Any:
    return api_client(user).post(
        f"/api/transfers/{path}", body, format="json", headers={"Idempotency-Key": key or f"key-{next(KEYS)}"}
    )


def made(places: Places, stores: User, *items: tuple[Item, int]) -> dict[str, Any]:
    answer = post(stores, "", {"source": places.store.pk, "destination": places.van.pk,
                               "lines": [{"item": item.pk, "quantity": n} for item, n in items]})
    assert answer.status_code == 201
    found: dict[str, Any] = answer.json()
    return found


def test_make_pick_send_confirm_settle(
    places: Places, spare: Item, serial: Serial, stores: User, engineer: User
) -> None:
    parcel = made(places, stores, (spare, 3), (serial.item, 1))
    lines = {line["sku"]: line["id"] for line in parcel["lines"]}
    path = f"{parcel['id']}/"
    answer = post(stores, f"{path}pick/", {"version": 1, "line": lines["SP-1"], "quantity": 2,
                                           "short_reason": "The shelf is empty"})
    assert (answer.status_code, answer.json()["version"]) == (200, 2)
    answer = post(stores, f"{path}pick/", {"version": 2, "line": lines["CV-1"], "serials": [serial.pk]})
    assert [line["serials"] for line in answer.json()["lines"]] == [[], [serial.pk]]
    assert post(stores, f"{path}send/", {"version": 2}).status_code == 412
    assert post(stores, f"{path}send/", {"version": 3}).json()["state"] == "sent"
    assert post(stores, f"{path}confirm/", {"version": 4, "everything": True}).status_code == 403
    body = {"version": 4, "lines": [{"line": lines["SP-1"], "quantity": 1}], "serials": [serial.pk], "finish": True}
    answer = post(engineer, f"{path}confirm/", body, key="once")
    again = post(engineer, f"{path}confirm/", body, key="once")
    assert (answer.status_code, answer.json()) == (again.status_code, again.json())
    assert again.headers["Idempotency-Replayed"] == "true"
    assert answer.json()["state"] == "confirmed"
    lost = {"version": 5, "line": lines["SP-1"], "how": "lost", "quantity": 1}
    assert post(engineer, f"{path}settle/", lost | {"reason": "gone"}).status_code == 403
    refused = post(stores, f"{path}settle/", lost).json()
    assert (refused["status"], refused["field"]) == (400, "reason")
    assert post(stores, f"{path}settle/", lost | {"reason": "gone"}).json()["lines"][0]["settled"] == 1
    assert [on_hand(spare, p) for p in (places.store, places.van, places.scrap)] == [8, 1, 1]
    assert Movement.objects.filter(reference=parcel["number"]).count() == 5


def test_a_list_is_cancelled_and_lists_are_filtered(
    places: Places, spare: Item, stores: User, branch: Branch, stranger: User
) -> None:
    first, second = made(places, stores, (spare, 1)), made(places, stores, (spare, 1))
    assert post(stores, f"{first['id']}/cancel/", {"version": 1}).json()["state"] == "cancelled"
    found = api_client(stores).get("/api/transfers/", {"state": "to pick"}).json()["results"]
    assert [row["number"] for row in found] == [second["number"]]
    assert api_client(stranger).get(f"/api/transfers/{second['id']}/").status_code == 404
    other = person(Role.ENGINEER, branch, "other@nb.example")
    assert api_client(other).get("/api/transfers/").json()["results"] == []
    assert post(other, f"{second['id']}/send/", {"version": 1}).status_code == 404


def test_requests_that_say_nothing_useful_are_refused(places: Places, spare: Item, stores: User) -> None:
    parcel = made(places, stores, (spare, 1))
    path, line = f"{parcel['id']}/", parcel["lines"][0]["id"]
    other = make.ItemFactory.create()
    for body, status in (
        ({"source": places.store.pk, "destination": places.van.pk, "lines": []}, 400),
        ({"source": places.store.pk, "destination": places.store.pk, "lines": [{"item": other.pk, "quantity": 1}]},
         400),
        ({"source": places.other_store.pk, "destination": places.van.pk, "lines": [{"item": 1, "quantity": 1}]}, 400),
        ({"source": places.store.pk, "destination": places.van.pk,
          "lines": [{"item": other.pk, "quantity": 1}, {"item": other.pk, "quantity": 1}]}, 400),
    ):
        assert post(stores, "", body).status_code == status
    assert post(stores, f"{path}pick/", {"version": 1, "line": line + 999, "quantity": 1}).status_code == 400
    assert post(stores, f"{path}pick/", {"version": 1, "line": line}).status_code == 400
    assert post(stores, f"{path}confirm/", {"version": 1}).status_code == 409
    assert Transfer.objects.count() == 1


def test_a_page_of_transfers_takes_a_fixed_number_of_statements(
    places: Places, spare: Item, stores: User, django_assert_num_queries: Any
) -> None:
    client = api_client(stores)
    for _ in (1, 2, 3):
        made(places, stores, (spare, 1))
        # The transfers, their lines with items, and the lines' pieces.
        with django_assert_num_queries(3):
            client.get("/api/transfers/")
