"""The list of levels is read in two parts, and must be what one sort of everything would give."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import InvalidInput
from config.keyset import read_cursor, write_cursor
from stock import queries
from stock.models import Balance, Item, Location, StockLevel
from tests.conftest import api_client
from tests.stock.conftest import Places

NAMES = ("Bracket", "bracket", "Anchor", "Élan", "Zip tie")
# Name, on hand, least; none of it is allowed to lie below 0.
ROW = st.tuples(st.sampled_from(NAMES), st.integers(0, 2), st.integers(0, 2), st.booleans())


def walked(user: User, size: int, **filters: Any) -> list[tuple[str, str, int, int]]:
    """Every page, put together."""
    found = []
    cursor: str | None = None
    while True:
        page = queries.level_page(user, cursor=cursor, size=size, **filters)
        assert len(page.rows) <= size
        assert page.first is (cursor is None)
        found += [(row.name, row.location, row.on_hand, row.shortfall) for row in page.rows]
        if page.next_cursor is None:
            return found
        assert len(page.rows) == size
        cursor = page.next_cursor


def sorted_as_one(user: User, **filters: Any) -> list[tuple[str, str, int, int]]:
    rows = queries.levels(user, **filters).order_by(*queries.LEVEL_ORDER)
    return [(row["item__name"], row["location__name"], row["on_hand"], row["shortfall"]) for row in rows]


@pytest.mark.django_db
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(ROW, max_size=9), size=st.integers(1, 5))
def test_pages_in_two_parts_are_one_sorted_list(
    rows: list[tuple[str, int, int, bool]], size: int, branch: Branch, stores: User
) -> None:
    with transaction.atomic():
        supplier = make.SuppliersPlaceFactory.create()
        places = [make.LocationFactory.create(branch=branch, name=name) for name in ("Far store", "Main store")]
        for name, on_hand, least, main in rows:
            item = make.ItemFactory.create(name=name)
            if on_hand:
                make.MovementFactory.create(item=item, quantity=on_hand, source=supplier, destination=places[main])
            if least:
                make.StockLevelFactory.create(item=item, location=places[main], minimum=least, target=least)
        assert walked(stores, size) == sorted_as_one(stores)
        assert walked(stores, size, below_only=True) == sorted_as_one(stores, below_only=True)
        assert walked(stores, size, location=places[0].pk) == sorted_as_one(stores, location=places[0].pk)
        transaction.set_rollback(True)


def kept(item: Item, place: Location) -> tuple[int, bool]:
    return Balance.objects.values_list("level_minimum", "short").get(item=item, location=place)


def test_the_least_is_kept_with_the_balance(spare: Item, places: Places) -> None:
    level = StockLevel.objects.create(item=spare, location=places.store, minimum=10, target=12)
    assert kept(spare, places.store) == (10, False)
    StockLevel.objects.filter(pk=level.pk).update(minimum=11)
    assert kept(spare, places.store) == (11, True)
    make.MovementFactory.create(item=spare, quantity=1, source=places.supplier, destination=places.store)
    assert kept(spare, places.store) == (11, False)
    make.ReservationFactory.create(item=spare, location=places.store, quantity=1)
    assert kept(spare, places.store) == (11, True)
    StockLevel.objects.filter(pk=level.pk).update(location=places.van)
    assert (kept(spare, places.store), kept(spare, places.van)) == ((0, False), (11, True))
    StockLevel.objects.filter(pk=level.pk).delete()
    assert kept(spare, places.van) == (0, False)
    StockLevel.objects.create(item=spare, location=places.van, minimum=0, target=3)
    assert kept(spare, places.van) == (0, False)


def test_a_page_full_of_shortages_is_one_statement(
    places: Places, stores: User, django_assert_num_queries: Any
) -> None:
    for _ in range(3):
        item = make.ItemFactory.create()
        make.StockLevelFactory.create(item=item, location=places.store, minimum=1, target=1)
    with django_assert_num_queries(1):
        page = queries.level_page(stores, size=2)
    assert page.next_cursor is not None
    with django_assert_num_queries(2):
        assert len(queries.level_page(stores, size=2, cursor=page.next_cursor).rows) == 1
    # The last of them ends the page: whether anything follows is asked.
    with django_assert_num_queries(2):
        assert queries.level_page(stores, size=3).next_cursor is None
    make.MovementFactory.create(
        item=make.ItemFactory.create(name="Other"), source=places.supplier, destination=places.store
    )
    page = queries.level_page(stores, size=3)
    assert page.next_cursor is not None
    with django_assert_num_queries(2):
        assert [row.name for row in queries.level_page(stores, size=3, cursor=page.next_cursor).rows] == ["Other"]


@pytest.mark.parametrize("values", [[2, "a", "b", 1], ["x", "a", "b", 1], [0, 1, "b", 1], [1, "a", "b", "c"], [1, 2]])
def test_foreign_cursors_are_explained(values: list[Any], places: Places, stores: User) -> None:
    with pytest.raises(InvalidInput) as refused, transaction.atomic():
        queries.level_page(stores, cursor=write_cursor(values))
    assert refused.value.field == "cursor"


def test_the_interface_gives_the_same_order(spare: Item, places: Places, stores: User) -> None:
    for name, least in (("Anchor", 0), ("Zip tie", 5)):
        item = make.ItemFactory.create(name=name)
        make.MovementFactory.create(item=item, source=places.supplier, destination=places.store)
        if least:
            make.StockLevelFactory.create(item=item, location=places.store, minimum=least, target=least)
    first = api_client(stores).get("/api/balances/", {"size": 2}).json()
    rest = api_client(stores).get(first["next"]).json()
    shown = [row["item"] for row in first["results"] + rest["results"]]
    assert shown == [row.item_id for row in queries.level_page(stores).rows]
    # A cursor of one serves the other.
    cursor = queries.level_page(stores, size=2).next_cursor
    assert cursor is not None
    assert read_cursor(cursor, 4)[0] == 1
    assert [row["item"] for row in api_client(stores).get("/api/balances/", {"cursor": cursor}).json()["results"]] == (
        shown[2:]
    )
