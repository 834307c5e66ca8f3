"""The short way of POST /api/movements/: it answers, refuses and repeats exactly as the long one would."""

from __future__ import annotations

from datetime import timedelta
from itertools import product
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.authentication import issue_token
from config.accounts.models import IdempotencyKey, User
from config.accounts.rights import Right, Role
from config.demo import factories as make
from stock.api_posting import ordinary_movement
from stock.models import Item, Location, Movement, Serial
from stock.queries.posting import sees_place
from tests.conftest import api_client, person
from tests.stock.conftest import Places, on_hand


def post(user: User, body: dict[str, Any], key: str = "k-1") -> Any:
    return api_client(user).post("/api/movements/", body, headers={"Idempotency-Key": key})


@pytest.fixture
def body(spare: Item, places: Places) -> dict[str, Any]:
    return {"item": spare.pk, "quantity": 3, "source": places.store.pk, "destination": places.van.pk,
            "kind": "transfer", "reference": "round 7", "note": "from the shelf"}


def test_post_takes_the_key_the_look_and_the_insert(body: dict[str, Any], stores: User) -> None:
    """With a token: who it is, what is moved between which places, and one statement for key and movement."""
    key = issue_token(stores, name="scanner", scopes=[Right.SEE_STOCK, Right.MOVE_STOCK],
                      expires_at=timezone.now() + timedelta(days=1))
    sent = {"Authorization": f"Bearer {key}", "Idempotency-Key": "k-1"}
    with CaptureQueriesContext(connection) as seen:
        answer = Client().post("/api/movements/", body, content_type="application/json", headers=sent)
    assert answer.status_code == 201
    # The savepoint is there because the test itself is a transaction; each write names who it is for the history.
    tables = ("accounts_apitoken", "stock_item", "SAVEPOINT", "accounts_idempotencykey", "stock_movement", "RELEASE")
    assert [[name for name in tables if name in query["sql"]] for query in seen.captured_queries] == [
        ["accounts_apitoken"], ["stock_item"], ["SAVEPOINT"], ["accounts_idempotencykey", "stock_movement"],
        ["SAVEPOINT", "RELEASE"],
    ]


def test_answer_is_the_record_as_it_is_read_afterwards(body: dict[str, Any], stores: User) -> None:
    made = post(stores, body)
    assert made.status_code == 201
    assert made.json() == api_client(stores).get(f"/api/movements/{made.json()['id']}/").json()
    assert IdempotencyKey.objects.get().answer == made.json()
    again = post(stores, body)
    assert (again.status_code, again.json(), again["Idempotency-Replayed"]) == (201, made.json(), "true")


def test_answer_with_a_serial_is_the_record_too(serial: Serial, places: Places, stores: User) -> None:
    body = {"item": serial.item_id, "quantity": 1, "source": places.store.pk, "destination": places.van.pk,
            "kind": "transfer", "serial": serial.pk, "at": "2026-11-02T10:00:00Z"}
    made = post(stores, body)
    assert made.status_code == 201
    assert (made.json()["serial_number"], made.json()["at"]) == ("A100", "2026-11-02T10:00:00Z")
    assert made.json() == api_client(stores).get(f"/api/movements/{made.json()['id']}/").json()


@pytest.mark.parametrize("change", [
    {"quantity": "3"}, {"batch": " B7 "}, {"note": "x" * 201}, {"quantity": 0}, {"quantity": 1.5}, {"quantity": True},
    {"item": 10**9}, {"source": 2**70}, {"kind": "gift"}, {"kind": None}, {"note": None}, {"colour": "red"},
    {"at": "2026-11-02T10:00:00Z"}, {"item": "abc"}, {"batch": "a\u0000b"}, {"note": "two\nlines"}, {"source": None},
])
def test_whatever_is_out_of_the_ordinary_goes_through_the_serializer(
    change: dict[str, Any], body: dict[str, Any], stores: User
) -> None:
    assert ordinary_movement(body | change, stores) is None


def test_body_that_is_no_object_goes_through_the_serializer(stores: User) -> None:
    assert [ordinary_movement(data, stores) for data in ([], "x", None, 7)] == [None] * 4
    answer = api_client(stores).post("/api/movements/", [1], headers={"Idempotency-Key": "k-1"})
    assert answer.status_code == 400


def test_ordinary_movement_is_what_the_serializer_makes_of_it(body: dict[str, Any], stores: User) -> None:
    found = ordinary_movement(body, stores)
    made = Movement.objects.get(pk=post(stores, body | {"quantity": "3"}).json()["id"])
    assert found is not None
    same = ("item_id", "source_id", "destination_id", "quantity", "kind", "posted_by_id", "batch", "reference", "note",
            "serial_id", "unit_cost", "corrects_id")
    assert [getattr(found, name) for name in same] == [getattr(made, name) for name in same]


@pytest.mark.parametrize("role", [Role.STORES, Role.ENGINEER, Role.SERVICE_MANAGER, Role.ADMINISTRATOR, Role.SCHEDULER])
def test_seen_places_are_those_of_the_query(role: Role, places: Places, branch: Any, other_branch: Any) -> None:
    make.LocationFactory.create(kind="van", branch=branch)
    make.LocationFactory.create(kind="quarantine", branch=other_branch)
    make.LocationFactory.create(kind="transit", branch=None)
    homes = (branch, other_branch) if role == Role.ENGINEER else (branch, other_branch, None)
    people = [person(role, home, f"{role}-{n}@x.example") for n, home in enumerate(homes)]
    people += list(User.objects.filter(van__isnull=False))
    for user, place in product(people, Location.objects.all()):
        assert sees_place(user, place) is Location.objects.visible_to(user).filter(pk=place.pk).exists()


def test_retry_is_answered_as_before_though_the_world_moved_on(
    body: dict[str, Any], spare: Item, places: Places, stores: User
) -> None:
    made = post(stores, body | {"quantity": 9})
    # Now the post could not be made: too few are left, and then the van belongs to another branch.
    assert on_hand(spare, places.store) == 1
    assert post(stores, body | {"quantity": 9}).json() == made.json()
    Location.objects.filter(pk=places.van.pk).update(branch=places.other_store.branch)
    assert post(stores, body | {"quantity": 9}).json() == made.json()
    assert post(stores, body | {"quantity": 9}, key="k-2").status_code == 400


def test_known_key_with_other_content_is_refused_before_the_content_is(body: dict[str, Any], stores: User) -> None:
    post(stores, body)
    for change in ({"quantity": 2}, {"quantity": 0}, {"quantity": 5000}):
        answer = post(stores, body | change)
        assert (answer.status_code, answer.json()["field"]) == (422, "Idempotency-Key")
    assert Movement.objects.filter(kind="transfer").count() == 1


def test_refused_post_leaves_no_key(body: dict[str, Any], stores: User) -> None:
    answer = post(stores, body | {"quantity": 11})
    assert (answer.status_code, answer.json()["field"]) == (409, "quantity")
    assert IdempotencyKey.objects.count() == 0
    assert post(stores, body | {"quantity": 10}).status_code == 201
