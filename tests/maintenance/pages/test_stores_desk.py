"""The first page of the stores: what waits is counted for the person who looks, in a fixed number of statements."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from maintenance.queries.stores_desk import stores_desk
from stock.models import LedgerCheck, LedgerDifference, Location, Order, StockCount, StockLevel, Transfer, TransferLine
from tests.conftest import logged_in

pytestmark = pytest.mark.django_db

TODAY = date(2026, 11, 25)


@pytest.fixture
def store(branch: Branch) -> Location:
    return make.LocationFactory.create(code="store", name="Main store", branch=branch)  # type: ignore[no-any-return]


@pytest.fixture
def van(branch: Branch, engineer: User) -> Location:
    return make.VanFactory.create(code="van", name="Van 1", branch=branch, engineer=engineer)  # type: ignore[no-any-return]


def waits(user: User) -> dict[str, int]:
    return {one.words.partition(":")[0]: one.number for one in stores_desk(user, today=TODAY).waiting}


def test_nothing_waits_in_an_empty_store(store: Location, stores: User) -> None:
    desk = stores_desk(stores, today=TODAY)
    assert (desk.alarm, desk.waiting, desk.shortages, desk.van) == (0, [], [], None)


def test_everything_that_waits_is_counted(
    store: Location, van: Location, stores: User, engineer: User, other_branch: Branch
) -> None:
    item = make.ItemFactory.create()
    make.MovementFactory.create(item=item, quantity=2, destination=store)
    StockLevel.objects.create(item=item, location=store, minimum=5, target=9)
    quarantine = make.LocationFactory.create(kind="quarantine", branch=store.branch)
    make.MovementFactory.create(item=item, quantity=1, destination=quarantine)
    far = make.LocationFactory.create(branch=other_branch)
    for number, (state, source, destination) in enumerate((
        ("to pick", store, van), ("sent", store, van), ("confirmed", store, van), ("to pick", far, quarantine),
    )):
        made = Transfer.objects.create(number=f"TR-{number}", source=source, destination=destination, state=state)
        lost = state == "confirmed"
        TransferLine.objects.create(transfer=made, item=item, wanted=2, sent=2, arrived=1 if lost else 0)
    StockCount.objects.create(number="CT-1", location=store, state="review")
    StockCount.objects.create(number="CT-2", location=van, state="counting")
    late: dict[str, Any] = {"destination": store, "state": "placed", "expected_on": date(2026, 11, 20)}
    make.OrderFactory.create(**late)
    make.OrderFactory.create(destination=store, state="draft", proposed=True)
    asked = make.OrderFactory.create(destination=store, state="draft", proposed=True)
    Order.objects.filter(pk=asked.pk).update(approval_asked_at="2026-11-24T10:00Z")
    make.OrderFactory.create(**late | {"destination": far})
    make.ShortageFactory.create(branch=store.branch, item=item)
    assert waits(stores) == {
        "pick lists and transfers to pick": 2, "parcels with pieces that did not arrive": 1,
        "orders that wait for an approval": 1, "proposed orders to look over": 1, "orders that are late": 1,
        "counts to look over and post": 1, "counts under way": 1, "items in quarantine": 1,
        "items below their level": 1,
    }
    assert [row.item_id for row in stores_desk(stores, today=TODAY).shortages] == [item.pk]
    assert waits(engineer) == {
        "parcels on the way to you": 1, "counts to look over and post": 1, "counts under way": 1,
        "items in quarantine": 1, "items below their level": 1,
    }


@pytest.mark.parametrize("count", [1, 3])
def test_the_page_takes_the_same_statements_for_more(
    count: int, store: Location, stores: User, django_assert_num_queries: Any
) -> None:
    for _ in range(count):
        item = make.ItemFactory.create()
        make.ShortageFactory.create(branch=store.branch, item=item)
        StockLevel.objects.create(item=item, location=store, minimum=5, target=9)
    client = logged_in(stores)
    client.get("/work/stores/")
    with django_assert_num_queries(11):  # session, person, branch; eight of its own
        assert client.get("/work/stores/").status_code == 200


def test_a_difference_in_the_ledger_is_the_first_thing_seen(store: Location, stores: User) -> None:
    run = LedgerCheck.objects.create(differences=1)
    LedgerDifference.objects.create(
        check_run=run, kind="balance", item=make.ItemFactory.create(), location=store, kept="5", proven="4"
    )
    assert "1 difference between what the ledger keeps" in logged_in(stores).get("/work/stores/").content.decode()
