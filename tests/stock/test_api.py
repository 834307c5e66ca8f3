"""The stock app over REST."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from rest_framework.test import APIClient

from config.accounts.authentication import issue_token
from config.accounts.models import User
from config.accounts.rights import Right
from config.demo import factories as make
from stock import services
from stock.models import Item, Movement, Order, Reservation, Serial, StockLevel
from tests.conftest import api_client
from tests.stock.conftest import Places, balance, on_hand

LISTS = (
    "topologies", "families", "items", "variants", "boards", "backplates", "inserts", "cable-types", "kit-lines",
    "locations", "serials", "balances", "movements", "reservations", "suppliers", "orders", "stock-levels",
)


def key(text: str = "key-1") -> dict[str, str]:
    return {"Idempotency-Key": text}


def problem(answer: Any, status: int) -> dict[str, Any]:
    """The problem details of a refusal."""
    assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
    return dict(answer.json())


def add_one_of_each(places: Places, by: User) -> None:
    """One more row in every list of the stock app."""
    family = make.FamilyFactory.create()
    variant = make.VariantFactory.create(family=family)
    make.BoardFactory.create(families=[family], topology__code=f"single-{family.pk}", topology__name="One",
                             topology__circuit={}, topology__functions=["alarm"])
    make.BackplateFactory.create(family=family)
    make.InsertFactory.create(families=[family])
    make.CableTypeFactory.create()
    make.KitLineFactory.create(variant=variant)
    make.fitted_device(variant=variant)
    item = make.ItemFactory.create()
    make.MovementFactory.create(item=item, quantity=5, source=places.supplier, destination=places.store)
    made = make.SerialFactory.create(item=variant.cover)
    make.MovementFactory.create(item=variant.cover, source=places.supplier, destination=places.store, serial=made)
    services.reserve(item, places.store, quantity=1, needed_on=date(2026, 12, 1), reference="visit", by=by)
    make.OrderLineFactory.create(order=make.OrderFactory.create(supplier=make.SupplierFactory.create(),
                                                                destination=places.store))
    make.StockLevelFactory.create(location=places.store)
    make.LocationFactory.create(branch=places.store.branch)


@pytest.mark.parametrize("name", LISTS)
def test_list_takes_a_fixed_number_of_statements(name: str, places: Places, stores: User) -> None:
    client = api_client(stores)
    counts, rows = [], []
    for _ in range(3):
        add_one_of_each(places, stores)
        with CaptureQueriesContext(connection) as seen:
            answer = client.get(f"/api/{name}/")
        assert answer.status_code == 200
        counts.append(len(seen))
        rows.append(len(answer.json()["results"]))
    # One for the rows; boards, inserts and orders one more for what hangs on them, serials for where they are fitted.
    stated = 2 if name in {"boards", "inserts", "orders", "serials"} else 1
    assert counts == [stated, stated, stated]
    assert rows[0] >= 1
    assert rows[2] > rows[1] > rows[0]


@pytest.mark.parametrize("name", LISTS)
def test_single_record_is_as_in_the_list_and_has_an_etag(name: str, places: Places, stores: User) -> None:
    add_one_of_each(places, stores)
    client = api_client(stores)
    row = client.get(f"/api/{name}/").json()["results"][0]
    answer = client.get(f"/api/{name}/{row['id']}/")
    assert answer.json() == row
    assert bool(answer.get("ETag")) == (name not in {"serials", "balances"})
    problem(client.get(f"/api/{name}/999999999/"), 404)


def test_keyset_pages_walk_all_rows_once(places: Places, stores: User) -> None:
    items = [make.ItemFactory.create() for _ in range(7)]
    for item in items:
        make.MovementFactory.create(item=item, quantity=5, source=places.supplier, destination=places.store)
    client = api_client(stores)
    for name, expected in (
        ("items", [i.pk for i in items]),
        ("movements", list(Movement.objects.order_by("-id").values_list("id", flat=True))),
    ):
        walked: list[int] = []
        address = f"/api/{name}/?size=3"
        while address:
            body = client.get(address).json()
            walked += [row["id"] for row in body["results"]]
            following = body["next"]
            address = f"{urlsplit(following).path}?{urlsplit(following).query}" if following else ""
        assert walked == expected


def test_page_size_and_cursor_are_checked(places: Places, stores: User) -> None:
    client = api_client(stores)
    assert problem(client.get("/api/items/?size=0"), 400)["field"] == "size"
    assert problem(client.get("/api/items/?cursor=x"), 400)["field"] == "cursor"


def ids(client: APIClient, address: str) -> list[int]:
    answer = client.get(address)
    assert answer.status_code == 200, answer.json()
    return [row["id"] for row in answer.json()["results"]]


def test_filters(places: Places, stores: User, spare: Item, serial: Serial) -> None:
    client = api_client(stores)
    services.record_movement(
        spare, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores, reference="round 7"
    )
    transfer = Movement.objects.get(kind="transfer")
    assert ids(client, "/api/items/?kind=cover") == [serial.item_id]
    assert ids(client, "/api/items/?sku=sp") == [spare.pk]
    assert ids(client, "/api/movements/?kind=transfer") == [transfer.pk]
    assert ids(client, "/api/movements/?reference=round+7") == [transfer.pk]
    assert ids(client, f"/api/movements/?serial={serial.pk}") == [Movement.objects.get(serial=serial).pk]
    assert ids(client, f"/api/serials/?location={places.van.pk}") == []
    assert ids(client, "/api/serials/?number=a1") == [serial.pk]
    assert ids(client, f"/api/movements/?item={10**30}") == []
    make.StockLevelFactory.create(item=spare, location=places.van, minimum=3, target=5)
    (row,) = client.get("/api/balances/?below_only=true").json()["results"]
    assert (row["sku"], row["location_name"], row["on_hand"], row["available"], row["minimum"], row["shortfall"]) == (
        "SP-1", "Van 1", 2, 2, 3, 1
    )
    assert "kind" in problem(client.get("/api/movements/?kind=gift"), 400)["errors"]


@pytest.fixture
def move(spare: Item, places: Places) -> dict[str, Any]:
    return {"item": spare.pk, "quantity": 3, "source": places.store.pk, "destination": places.van.pk,
            "kind": "transfer"}


def test_post_moves_once_and_answers_a_retry_alike(
    move: dict[str, Any], spare: Item, places: Places, stores: User
) -> None:
    client = api_client(stores)
    first = client.post("/api/movements/", move, headers=key())
    again = client.post("/api/movements/", move, headers=key())
    assert (first.status_code, again.status_code, again["Idempotency-Replayed"]) == (201, 201, "true")
    assert again.json() == first.json()
    assert (first.json()["posted_by"], first.json()["source_name"]) == (stores.name, "Main store")
    assert on_hand(spare, places.van) == 3
    different = client.post("/api/movements/", move | {"quantity": 4}, headers=key())
    assert problem(different, 422)["field"] == "Idempotency-Key"
    assert on_hand(spare, places.van) == 3


def test_retry_is_answered_as_before_though_the_world_moved_on(
    serial: Serial, places: Places, stores: User
) -> None:
    client = api_client(stores)
    body = {"item": serial.item_id, "quantity": 1, "source": places.store.pk, "destination": places.van.pk,
            "kind": "transfer", "serial": serial.pk}
    first = client.post("/api/movements/", body, headers=key())
    services.record_movement(
        serial.item, quantity=1, source=places.van, destination=places.other_store, kind="transfer", by=stores,
        serial=serial,
    )
    # The serial is now where this person sees nothing.
    again = client.post("/api/movements/", body, headers=key())
    assert (again.status_code, again.json()) == (201, first.json())


def test_post_without_key_is_refused(move: dict[str, Any], stores: User) -> None:
    assert problem(api_client(stores).post("/api/movements/", move), 400)["field"] == "Idempotency-Key"


def test_refused_movement_tells_field_value_and_remedy_and_frees_its_key(
    move: dict[str, Any], spare: Item, places: Places, stores: User
) -> None:
    client = api_client(stores)
    assert problem(client.post("/api/movements/", move | {"quantity": 11}, headers=key()), 409) == {
        "type": "about:blank",
        "title": "The record as it stands forbids this",
        "status": 409,
        "detail": "Main store holds 10 pc of SP-1; 11 pc cannot leave it. "
                  "Move no more than it holds, or first correct the count.",
        "field": "quantity",
        "value": "11",
        "remedy": "Move no more than it holds, or first correct the count.",
    }
    assert client.post("/api/movements/", move, headers=key()).status_code == 201


@pytest.mark.parametrize(("change", "field"), [
    ({"quantity": 0}, "quantity"), ({"quantity": "many"}, "quantity"), ({"quantity": 10**12}, "quantity"),
    ({"kind": "gift"}, "kind"), ({"item": 999_999}, "item"), ({"source": None}, "source"),
    ({"note": "x" * 201}, "note"), ({"note": "a\x00b"}, "note"), ({"serial": 999_999}, "serial"),
    ({"at": "soon"}, "at"),
])
def test_unusable_values_are_named(change: dict[str, Any], field: str, move: dict[str, Any], stores: User) -> None:
    answer = problem(api_client(stores).post("/api/movements/", move | change, headers=key()), 400)
    assert list(answer["errors"]) == [field]


def test_movement_in_the_future_is_refused(move: dict[str, Any], stores: User) -> None:
    later = (timezone.now() + timedelta(days=2)).isoformat()
    answer = api_client(stores).post("/api/movements/", move | {"at": later}, headers=key())
    assert problem(answer, 400)["field"] == "at"


def test_correction_over_rest(move: dict[str, Any], spare: Item, places: Places, stores: User) -> None:
    client = api_client(stores)
    wrong = client.post("/api/movements/", move, headers=key()).json()
    address = f"/api/movements/{wrong['id']}/correct/"
    answers = [client.post(address, {"note": "wrong van"}, headers=key("key-2")) for _ in range(2)]
    assert [a.status_code for a in answers] == [201, 201]
    assert (answers[0].json()["corrects"], answers[0].json()) == (wrong["id"], answers[1].json())
    assert on_hand(spare, places.van) == 0
    assert client.get(f"/api/movements/{wrong['id']}/").json()["corrected_by"] == answers[0].json()["id"]
    assert problem(client.post(address, {"note": "again"}, headers=key("key-3")), 409)["field"] == "movement"
    empty = client.post(address, {}, headers=key("key-4"))
    assert problem(empty, 400)["errors"] == {"note": ["This field is required."]}


def test_reservation_is_made_and_released(spare: Item, places: Places, stores: User) -> None:
    client = api_client(stores)
    body = {"item": spare.pk, "location": places.store.pk, "quantity": 4, "needed_on": "2026-12-01",
            "reference": "visit 9"}
    made = client.post("/api/reservations/", body, headers=key())
    assert (made.status_code, made.json()["state"]) == (201, "open")
    assert balance(spare, places.store) == (10, 4, 0, 0)
    assert problem(client.post("/api/reservations/", body | {"quantity": 7}, headers=key("key-2")), 409)["value"] == "7"
    address = f"/api/reservations/{made.json()['id']}/release/"
    assert client.post(address).json()["state"] == "released"
    assert problem(client.post(address), 409)["field"] == "reservation"
    assert Reservation.objects.get().state == "released"


def test_order_from_draft_to_received(spare: Item, cover: Item, places: Places, stores: User) -> None:
    client = api_client(stores)
    body = {"supplier": places.firm.pk, "destination": places.store.pk,
            "lines": [{"item": spare.pk, "quantity": 6}, {"item": cover.pk, "quantity": 1}]}
    made = client.post("/api/orders/", body, headers=key())
    assert (made.status_code, made.json()["state"], [line["quantity"] for line in made.json()["lines"]]) == (
        201, "draft", [6, 1]
    )
    address = f"/api/orders/{made.json()['id']}/"
    placed = client.post(f"{address}place/", {"ordered_on": "2026-11-25"}).json()
    assert (placed["state"], placed["expected_on"]) == ("placed", "2026-11-30")
    spares, covers = (line["id"] for line in placed["lines"])
    for _ in range(2):
        got = client.post(f"{address}receive/", {"line": spares, "quantity": 6}, headers=key("key-2"))
        assert (got.status_code, got.json()["lines"][0]["received"]) == (201, 6)
    missing = client.post(f"{address}receive/", {"line": covers, "quantity": 1}, headers=key("key-3"))
    assert problem(missing, 400)["field"] == "serial_numbers"
    done = client.post(
        f"{address}receive/", {"line": covers, "quantity": 1, "serial_numbers": ["S1"]}, headers=key("key-4")
    )
    assert done.json()["state"] == "received"
    assert (on_hand(spare, places.store), on_hand(cover, places.store)) == (16, 1)
    problem(client.post(f"{address}receive/", {"line": 999_999, "quantity": 1}, headers=key("key-5")), 404)
    assert problem(client.post(f"{address}cancel/"), 409)["field"] == "order"


def test_order_states_each_item_once(spare: Item, places: Places, stores: User) -> None:
    line = {"item": spare.pk, "quantity": 6}
    body = {"supplier": places.firm.pk, "destination": places.store.pk, "lines": [line, line]}
    answer = problem(api_client(stores).post("/api/orders/", body, headers=key()), 400)
    assert answer["errors"] == {"lines": ["An item stands on an order only once: add the quantities up."]}
    assert problem(api_client(stores).post("/api/orders/", body | {"lines": []}, headers=key()), 400)["title"] == (
        "A value cannot be used"
    )


@pytest.mark.parametrize("name", ["items", "variants", "stock-levels"])
def test_update_says_which_state_it_changes(name: str, places: Places, stores: User) -> None:
    add_one_of_each(places, stores)
    client = api_client(stores)
    row = client.get(f"/api/{name}/").json()["results"][0]
    address = f"/api/{name}/{row['id']}/"
    change = {"stock-levels": {"target": 41}}.get(name, {"name": "Another name"})
    tag = client.get(address)["ETag"]

    assert problem(client.patch(address, change), 428)["field"] == "If-Match"
    changed = client.patch(address, change, headers={"If-Match": tag})
    assert (changed.status_code, changed.json()) == (200, row | change)
    assert changed["ETag"] == client.get(address)["ETag"] != tag
    assert problem(client.patch(address, change, headers={"If-Match": tag}), 412)["value"] == tag
    assert client.put(address, row, headers={"If-Match": changed["ETag"]}).status_code == 405
    assert client.delete(address, headers={"If-Match": changed["ETag"]}).status_code == 405


def test_fixed_fields_are_not_changed(spare: Item, stores: User) -> None:
    client = api_client(stores)
    address = f"/api/items/{spare.pk}/"
    tag = client.get(address)["ETag"]
    assert client.patch(address, {"kind": "cable"}, headers={"If-Match": tag}).json()["kind"] == "spare"
    assert problem(client.patch(address, {"tracking": "serial"}, headers={"If-Match": tag}), 409)["field"] == "tracking"
    spare.refresh_from_db()
    assert (spare.kind, spare.tracking) == ("spare", "none")


def test_level_is_added_once(spare: Item, places: Places, stores: User) -> None:
    client = api_client(stores)
    body = {"item": spare.pk, "location": places.van.pk, "minimum": 2, "target": 6}
    made = client.post("/api/stock-levels/", body)
    assert (made.status_code, StockLevel.objects.get().target) == (201, 6)
    assert made["ETag"] == client.get(f"/api/stock-levels/{made.json()['id']}/")["ETag"]
    assert problem(client.post("/api/stock-levels/", body), 409)["field"] == "location"


def test_serials_answer_where_they_are(serial: Serial, places: Places, stores: User) -> None:
    fitted = make.fitted_device(variant=make.VariantFactory.create(cover=serial.item)).serial
    rows = {row["number"]: row for row in api_client(stores).get("/api/serials/").json()["results"]}
    assert (rows["A100"]["place"], rows["A100"]["location"]) == ({"text": "Main store", "url": None}, places.store.pk)
    assert rows[fitted.number]["location"] == places.sites.pk
    assert rows[fitted.number]["place"]["url"] is None


def test_another_branch_neither_sees_nor_moves_this_ones_stock(
    spare: Item, serial: Serial, places: Places, stores: User, stranger: User, other_branch: Any, move: dict[str, Any]
) -> None:
    services.reserve(spare, places.store, quantity=1, needed_on=date(2026, 12, 1), reference="visit", by=stores)
    make.StockLevelFactory.create(item=spare, location=places.store)
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    make.OrderLineFactory.create(order=order, item=spare)
    mine, theirs = api_client(stores), api_client(stranger)
    for name in ("balances", "movements", "reservations", "orders", "stock-levels", "serials"):
        own = ids(mine, f"/api/{name}/")
        assert own != []
        assert ids(theirs, f"/api/{name}/") == []
        problem(theirs.get(f"/api/{name}/{own[0]}/"), 404)
    assert places.store.pk not in ids(theirs, "/api/locations/")

    stranger.role = "stores"
    stranger.save()
    answer = problem(theirs.post("/api/movements/", move, headers=key()), 400)
    assert sorted(answer["errors"]) == ["destination", "source"]
    first = Movement.objects.filter(item=spare).get()
    problem(theirs.post(f"/api/movements/{first.pk}/correct/", {"note": "x"}, headers=key("key-2")), 404)
    problem(theirs.post(f"/api/reservations/{Reservation.objects.get().pk}/release/"), 404)
    problem(theirs.post(f"/api/orders/{Order.objects.get().pk}/cancel/"), 404)
    level = StockLevel.objects.get()
    problem(theirs.patch(f"/api/stock-levels/{level.pk}/", {"target": 99}, headers={"If-Match": "*"}), 404)
    assert (on_hand(spare, places.store), StockLevel.objects.get().target) == (10, 20)


def test_engineer_sees_own_van_only(spare: Item, places: Places, engineer: User, branch: Any) -> None:
    other = make.VanFactory.create(code="van2", branch=branch)
    for van in (places.van, other):
        make.MovementFactory.create(item=spare, source=places.supplier, destination=van)
    client = api_client(engineer)
    assert places.van.pk in ids(client, "/api/locations/")
    assert other.pk not in ids(client, "/api/locations/")
    rows = client.get("/api/balances/").json()["results"]
    assert sorted(row["location_name"] for row in rows) == ["Main store", "Van 1"]


def test_reading_does_not_carry_writing(spare: Item, move: dict[str, Any], engineer: User, scheduler: User) -> None:
    for user in (engineer, scheduler):
        client = api_client(user)
        problem(client.post("/api/movements/", move, headers=key()), 403)
        problem(client.patch(f"/api/items/{spare.pk}/", {"name": "x"}, headers={"If-Match": "*"}), 403)
        problem(client.post("/api/orders/", {}, headers=key()), 403)
        problem(client.post("/api/stock-levels/", {}), 403)
        problem(client.post("/api/reservations/", {}, headers=key()), 403)


def test_token_carries_only_its_scopes(move: dict[str, Any], stores: User) -> None:
    token = issue_token(
        stores, name="scanner", scopes=[Right.SEE_STOCK], expires_at=timezone.now() + timedelta(days=1)
    )
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    assert client.get("/api/movements/").status_code == 200
    problem(client.get("/api/items/"), 403)
    problem(client.post("/api/movements/", move, headers=key()), 403)
    assert Movement.objects.filter(kind="transfer").count() == 0
