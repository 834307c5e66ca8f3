"""Orders, deliveries and suppliers under /api/."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from config.accounts.models import User
from config.demo import factories as make
from stock.models import HeldDelivery, Item, Order, SupplierItem
from tests.conftest import api_client
from tests.stock.conftest import Places, balance, on_hand
from tests.stock.order_scene import limit, quarantine, sells
from tests.stock.test_api import key, problem


@pytest.fixture
def made(spare: Item, cover: Item, places: Places, stores: User) -> dict[str, Any]:
    """Six spares at 2.50 and one cover at a price of its own."""
    sells(places.firm, spare, "2.50")
    quarantine(places)
    body = {"supplier": places.firm.pk, "destination": places.store.pk, "lines": [
        {"item": spare.pk, "quantity": 6}, {"item": cover.pk, "quantity": 1, "unit_price": "39.5"}]}
    answer = api_client(stores).post("/api/orders/", body, headers=key())
    assert answer.status_code == 201
    return dict(answer.json())


def test_an_order_says_its_prices_and_what_came_of_it(made: dict[str, Any]) -> None:
    assert (made["currency"], made["rate"], made["state"], made["proposed"]) == ("GBP", "1.000000", "draft", False)
    assert [(line["quantity"], line["unit_price"], line["over"], line["by_hand"]) for line in made["lines"]] == [
        (6, "2.5000", 0, True), (1, "39.5000", 0, True)
    ]


def test_a_draft_is_changed_as_it_was_read(made: dict[str, Any], spare: Item, stores: User) -> None:
    client = api_client(stores)
    address = f"/api/orders/{made['id']}/"
    tag = client.get(address)["ETag"]
    assert problem(client.patch(address, {"note": "x"}), 428)["field"] == "If-Match"
    body = {"lines": [{"item": spare.pk, "quantity": 8, "unit_price": "2.4"}], "expected_on": "2027-01-04"}
    changed = client.patch(address, body, headers={"If-Match": tag})
    assert changed.status_code == 200, changed.json()
    assert [(line["item"], line["quantity"]) for line in changed.json()["lines"]] == [(spare.pk, 8)]
    assert (changed.json()["expected_on"], changed["ETag"]) == ("2027-01-04", client.get(address)["ETag"])
    noted = client.patch(address, {"note": "By noon"}, headers={"If-Match": changed["ETag"]})
    assert (noted.json()["note"], len(noted.json()["lines"])) == ("By noon", 1)
    assert problem(client.patch(address, body, headers={"If-Match": tag}), 412)["value"] == tag


def test_approval_over_the_interface(
    made: dict[str, Any], stores: User, service_manager: User, administrator: User
) -> None:
    limit("10")
    client, manager = api_client(stores), api_client(service_manager)
    address = f"/api/orders/{made['id']}/"
    assert problem(client.post(f"{address}place/", {}), 409)["field"] == "approval"
    assert client.post(f"{address}ask-approval/").json()["approval_asked_at"] is not None
    tag = client.get(address)["ETag"]
    assert problem(client.post(f"{address}approve/", headers={"If-Match": tag}), 403)["field"] == "role"
    assert problem(manager.post(f"{address}approve/"), 428)["field"] == "If-Match"
    assert problem(manager.post(f"{address}refuse/", {}), 400)["errors"] == {"reason": ["This field is required."]}
    assert manager.post(f"{address}refuse/", {"reason": "Half"}).json()["refusal"] == "Half"
    assert problem(manager.post(f"{address}approve/", headers={"If-Match": tag}), 412)["value"] == tag
    tag = client.get(address)["ETag"]
    assert manager.post(f"{address}approve/", headers={"If-Match": tag}).json()["state"] == "approved"
    assert client.post(f"{address}place/", {}).json()["state"] == "placed"
    assert client.post(f"{address}mark-sent/").json()["sent_at"] is not None
    assert problem(client.post(f"{address}mail/"), 409)["field"] == "order"


def test_deliveries_over_the_interface(
    made: dict[str, Any], spare: Item, cover: Item, places: Places, stores: User
) -> None:
    client = api_client(stores)
    address = f"/api/orders/{made['id']}/"
    client.post(f"{address}place/", {})
    spares, covers = (line["id"] for line in made["lines"])
    many = {"line": spares, "quantity": 8}
    assert problem(client.post(f"{address}receive/", many, headers=key("key-9")), 409)["field"] == "quantity"
    for _ in range(2):
        got = client.post(f"{address}receive/", many | {"beyond": "hold"}, headers=key("key-2"))
        assert got.json()["lines"][0]["received"] == 6
    piece = {"line": covers, "quantity": 1, "serial_numbers": ["S1"], "batch": "B1", "damaged": True}
    assert client.post(f"{address}receive/", piece, headers=key("key-3")).status_code == 201
    other = make.ItemFactory.create()
    wrong = {"item": other.pk, "quantity": 3}
    assert client.post(f"{address}receive-wrong/", wrong, headers=key("key-4")).status_code == 201
    held = client.get(f"/api/held-deliveries/?order={made['id']}&open=true").json()["results"]
    assert [(row["why"], row["item"], row["quantity"], row["batch"]) for row in held] == [
        ("wrong", other.pk, 3, ""), ("damaged", cover.pk, 1, "B1"), ("beyond", spare.pk, 2, "")
    ]
    unknown = client.post(f"{address}return-held/", {"held": [999_999]}, headers=key("key-5"))
    assert list(problem(unknown, 400)["errors"]) == ["held"]
    back = client.post(f"{address}return-held/", {"held": [held[2]["id"]]}, headers=key("key-6"))
    assert back.status_code == 201, back.json()
    kept = client.post(f"{address}keep-held/", {"held": [held[0]["id"], held[1]["id"]], "unit_price": "1.5"},
                       headers=key("key-7"))
    assert (kept.status_code, kept.json()["state"]) == (201, "received")
    assert [(line["quantity"], line["received"], line["unit_price"]) for line in kept.json()["lines"]] == [
        (6, 6, "2.5000"), (1, 1, "39.5000"), (3, 3, "1.5000")
    ]
    assert client.get("/api/held-deliveries/?open=true").json()["results"] == []
    assert balance(spare, places.store) == (16, 0, 0, 0)


def test_closing_short_over_the_interface(made: dict[str, Any], spare: Item, places: Places, stores: User) -> None:
    client = api_client(stores)
    address = f"/api/orders/{made['id']}/"
    client.post(f"{address}place/", {})
    assert problem(client.post(f"{address}close-short/"), 409)["field"] == "order"
    line = made["lines"][0]["id"]
    client.post(f"{address}receive/", {"line": line, "quantity": 2}, headers=key("key-2"))
    assert client.post(f"{address}close-short/").json()["state"] == "received"
    assert balance(spare, places.store)[3] == 0
    assert client.post(f"{address}reopen/").json()["state"] == "placed"
    assert on_hand(spare, places.store) == 12


def test_proposals_over_the_interface(spare: Item, places: Places, stores: User, engineer: User) -> None:
    make.StockLevelFactory.create(item=spare, location=places.store, minimum=12, target=30)
    sells(places.firm, spare, "2.50")
    done = api_client(stores).post("/api/orders/propose/").json()
    assert (done["made"], done["problems"]) == (1, [])
    assert done["orders"] == [Order.objects.get(proposed=True).pk]
    problem(api_client(engineer).post("/api/orders/propose/"), 403)


def test_suppliers_terms_and_rates(spare: Item, places: Places, stores: User) -> None:
    client = api_client(stores)
    body = {"name": "Far & Co", "currency": "EUR", "lead_time_days": 9, "email": "a@far.example"}
    made = client.post("/api/suppliers/", body)
    assert (made.status_code, made["ETag"]) == (201, client.get(f"/api/suppliers/{made.json()['id']}/")["ETag"])
    assert problem(client.post("/api/suppliers/", body), 409)["field"] == "name"
    assert problem(client.post("/api/suppliers/", body | {"name": "Z", "currency": "eur"}), 400)["field"] == "currency"
    address = f"/api/suppliers/{made.json()['id']}/"
    assert client.patch(address, {"lead_time_days": 12}, headers={"If-Match": "*"}).json()["lead_time_days"] == 12
    terms = {"supplier": made.json()["id"], "item": spare.pk, "unit_price": "1.8", "pack_size": 5}
    sold = client.post("/api/supplier-items/", terms)
    assert (sold.status_code, sold.json()["preferred"]) == (201, True)
    assert client.patch(f"/api/supplier-items/{sold.json()['id']}/", {"unit_price": "2"}, headers={"If-Match": "*"}
                        ).json()["unit_price"] == "2.0000"
    assert SupplierItem.objects.get().unit_price == Decimal(2)
    assert len(client.get(f"/api/supplier-items/?item={spare.pk}&preferred=true").json()["results"]) == 1
    rate = {"currency": "EUR", "valid_from": "2026-01-01", "rate": "0.85"}
    assert client.post("/api/exchange-rates/", rate).status_code == 201
    assert problem(client.post("/api/exchange-rates/", rate | {"currency": "GBP"}), 400)["field"] == "currency"
    assert [row["rate"] for row in client.get("/api/exchange-rates/").json()["results"]] == ["0.850000"]


def test_other_branches_orders_do_not_exist(made: dict[str, Any], stranger: User, places: Places) -> None:
    HeldDelivery.objects.create(
        order_id=made["id"], why="wrong",
        movement=make.MovementFactory.create(source=places.supplier, destination=places.store),
    )
    stranger.role = "stores"
    stranger.save()
    client = api_client(stranger)
    assert client.get("/api/held-deliveries/").json()["results"] == []
    for step in ("approve", "cancel", "mail", "mark-sent", "close-short", "reopen", "ask-approval"):
        problem(client.post(f"/api/orders/{made['id']}/{step}/", headers={"If-Match": "*"}), 404)
    for step in ("receive", "receive-wrong", "return-held", "keep-held", "settle-held"):
        problem(client.post(f"/api/orders/{made['id']}/{step}/", {}, headers=key(step)), 404)
