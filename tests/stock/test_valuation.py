"""What the stock was worth: quantity and average cost both as of the moment, with what has no cost shown as such."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from stock.models import (
    Item,
    ItemCost,
    LedgerCheck,
    Location,
    Movement,
    StoresPolicy,
    Transfer,
    TransferLine,
)
from stock.queries.as_of import stock_as_of
from stock.queries.valuation import Sum, valuation
from stock.services.reconciliation import check_ledger
from tests.conftest import api_client, logged_in
from tests.stock.conftest import Places
from tests.stock.test_pages import statements, text_of
from tests.stock.test_reconciliation import damage

LONDON = ZoneInfo("Europe/London")


def day(number: int, hour: int = 0) -> datetime:
    return datetime(2026, 10, 1, hour, tzinfo=LONDON) + timedelta(days=number)


def move(
    item: Item, quantity: int, source: Location, destination: Location, at: datetime, *, kind: str = "transfer",
    cost: str | None = None, **more: Any,
) -> Movement:
    return Movement.objects.create(
        item=item, quantity=quantity, source=source, destination=destination, at=at, kind=kind,
        unit_cost=None if cost is None else Decimal(cost), **more,
    )


@pytest.fixture
def quarantine(branch: Branch) -> Location:
    return make.LocationFactory.create(code="quarantine", name="Quarantine shelf", kind="quarantine", branch=branch)


@pytest.fixture
def transit(branch: Branch) -> Location:
    return make.LocationFactory.create(code="way", name="On the way", kind="transit", branch=None)


@pytest.fixture
def stock(places: Places, quarantine: Location, transit: Location) -> tuple[Item, Item, Item]:
    """A board at two prices, a cover at one price, a gift without a price.

    Board: 10 at 4.00 on day 0, 10 at 5.00 on day 10, so 4.50; 4 to the van on day 5, 2 to quarantine on day 12, 1 on
    the way since day 14. Cover: 3 at 31.1111. Gift: 7 without a price, in store and van.
    """
    board = make.ItemFactory.create(sku="BD-1", name="Board", kind="board")
    cover = make.ItemFactory.create(sku="CV-9", name="Cover", kind="cover")
    gift = make.ItemFactory.create(sku="GF-1", name="Sample", kind="spare")
    move(board, 10, places.supplier, places.store, day(0), kind="receive", cost="4.00")
    move(cover, 3, places.supplier, places.store, day(1), kind="receive", cost="31.1111")
    move(gift, 7, places.supplier, places.store, day(2), kind="receive")
    move(gift, 2, places.store, places.van, day(3))
    move(board, 4, places.store, places.van, day(5))
    move(board, 10, places.supplier, places.store, day(10), kind="receive", cost="5.00")
    move(board, 2, places.store, quarantine, day(12))
    move(board, 1, places.store, transit, day(14))
    parcel = Transfer.objects.create(number="TR-1", source=places.store, destination=places.van, state="sent")
    TransferLine.objects.create(transfer=parcel, item=board, wanted=1, sent=1)
    return board, cover, gift


def money(text: str, lines: int, uncosted: int = 0) -> Sum:
    return Sum(lines, uncosted, Decimal(text))


def test_value_by_state_place_and_kind(stock: Any, places: Places, stores: User) -> None:
    worth = valuation(stores, day(20))
    assert worth.currency == "GBP"
    # 20 boards at 4.50 and 3 covers at 31.1111 (93.3333, so 93.33); the gift is counted as without a cost.
    assert worth.total == money("183.33", 7, 2)
    assert worth.ready == money("169.83", 5, 2)
    assert worth.quarantine == money("9.00", 1)
    assert worth.transit == money("4.50", 1)
    assert [(row.name, row.kind, row.sum) for row in worth.places] == [
        ("Main store", "Store", money("151.83", 3, 1)),
        ("On the way", "On the way", money("4.50", 1)),
        ("Quarantine shelf", "Quarantine", money("9.00", 1)),
        ("Van 1", "Van", money("18.00", 2, 1)),
    ]
    assert [(row.kind, row.sum) for row in worth.kinds] == [
        ("cover", money("93.33", 1)), ("board", money("90.00", 4)), ("spare", money("0", 2, 2)),
    ]


def test_value_at_each_moment_is_of_that_moment(stock: Any, stores: User) -> None:
    board = stock[0]
    assert [valuation(stores, day(n), item=board.pk).total.value for n in (0, 1, 9, 10, 11, 20)] == [
        Decimal(0), Decimal("40.00"), Decimal("40.00"), Decimal("40.00"), Decimal("90.00"), Decimal("90.00")
    ]
    # Nothing was known of the cover's cost before its first receipt, nor was it there.
    assert valuation(stores, day(1), kind="cover").total == money("0", 0)


def test_the_firms_currency(stock: Any, stores: User) -> None:
    StoresPolicy.objects.create(pk=1, currency="EUR")
    assert valuation(stores, day(20)).currency == "EUR"


def test_a_receipt_posted_late_counts_from_the_last_one_on(stock: Any, places: Places, stores: User) -> None:
    """Averages follow each other in the order of posting, and none changes what counted before the last."""
    board = stock[0]
    move(board, 20, places.supplier, places.store, day(8), kind="receive", cost="3.50")
    # 20 held at 4.50 and 20 at 3.50: 4.00.
    assert ItemCost.objects.filter(item=board).latest("id").average == Decimal("4.000000")
    assert valuation(stores, day(7), item=board.pk).total.value == Decimal("40.00")
    # 30 were there by then, at the average that was known: it does not know yet what came on day 10.
    assert valuation(stores, day(9), item=board.pk).total.value == Decimal("120.00")
    assert valuation(stores, day(20), item=board.pk).total.value == Decimal("160.00")


def test_taking_back_a_receipt_takes_its_cost_back(stock: Any, places: Places, stores: User) -> None:
    board = stock[0]
    first = Movement.objects.get(item=board, kind="receive", at=day(10))
    move(board, 10, places.store, places.supplier, day(15), kind="correct", cost="5.00", corrects=first)
    assert valuation(stores, day(14, 12), item=board.pk).total.value == Decimal("90.00")
    assert valuation(stores, day(16), item=board.pk).total.value == Decimal("40.00")


def test_rows_add_up_to_the_sums(stock: Any, places: Places, stores: User) -> None:
    worth = valuation(stores, day(20))
    rows = stock_as_of(stores, day(20)).rows
    assert sum((row.value or Decimal(0) for row in rows), Decimal(0)) == worth.total.value
    assert [(row.name, row.location, row.quantity, row.average, row.value) for row in rows] == [
        ("Board", "Main store", 13, Decimal("4.500000"), Decimal("58.50")),
        ("Cover", "Main store", 3, Decimal("31.111100"), Decimal("93.33")),
        ("Sample", "Main store", 5, None, None),
        ("Board", "On the way", 1, Decimal("4.500000"), Decimal("4.50")),
        ("Board", "Quarantine shelf", 2, Decimal("4.500000"), Decimal("9.00")),
        ("Board", "Van 1", 4, Decimal("4.500000"), Decimal("18.00")),
        ("Sample", "Van 1", 2, None, None),
    ]
    assert [row.name for row in stock_as_of(stores, day(20), uncosted_only=True).rows] == ["Sample", "Sample"]
    assert [row.value for row in stock_as_of(stores, day(20), kind="board", location=places.van.pk).rows] == [
        Decimal("18.00")
    ]


def test_each_values_their_own_places(stock: Any, places: Places, stores: User, service_manager: User) -> None:
    move(stock[0], 100, places.supplier, places.other_store, day(11), kind="receive")
    assert valuation(stores, day(20)).total.value == Decimal("183.33")
    assert valuation(service_manager, day(20)).total.value == Decimal("633.33")
    assert valuation(stores, day(20), location=places.other_store.pk).total == money("0", 0)


def test_three_statements_however_much(stock: Any, stores: User, django_assert_num_queries: Any) -> None:
    for moment in (day(1), day(20)):
        with django_assert_num_queries(3):
            valuation(stores, moment)


# Pages


def test_value_page_opens_into_its_items(stock: Any, places: Places, stores: User) -> None:
    client = logged_in(stores)
    answer = client.get("/stock/value/", {"at": "2026-10-21T00:00"})
    text = text_of(answer)
    assert "In all 183.33 GBP In stores and vans 169.83 GBP In quarantine 9.00 GBP On the way 4.50 GBP" in text
    assert "2 of 7 lines were never received with a price" in text
    body = answer.content.decode()
    link = f"/stock/as-of/?at=2026-10-21T00%3A00%3A00&amp;location={places.van.pk}"
    assert f'href="{link}"' in body
    opened = text_of(client.get(link.replace("&amp;", "&")))
    assert "As of 21 Oct 2026, 00:00:00 : 18.00 GBP, and 1 line of which no cost is known." in opened
    assert "Board BD-1 · End-of-line board Van 1 4 pc 4.5000 18.00" in opened
    assert "Sample GF-1 · Spare part Van 1 2 pc no cost known not valued" in opened
    uncosted = text_of(client.get("/stock/as-of/?at=2026-10-21T00:00&uncosted=on"))
    assert "Board" not in uncosted
    assert uncosted.count("no cost known") == 2


def test_as_of_page_shows_quantities_without_money_to_those_who_do_not_order(
    stock: Any, engineer: User, scheduler: User
) -> None:
    for user in (engineer, scheduler):
        text = text_of(logged_in(user).get("/stock/as-of/", {"at": "2026-10-21T00:00"}))
        assert "Board BD-1 · End-of-line board Van 1 4 pc" in text
        assert "GBP" not in text
        assert "cost" not in text.lower().replace("no cost", "")
        assert logged_in(user).get("/stock/value/").status_code == 403


def test_moments_that_cannot_be(stock: Any, stores: User) -> None:
    client = logged_in(stores)
    for address in ("/stock/as-of/", "/stock/value/"):
        for wrong, said in (("2099-01-01T00:00", "still to come"), ("yesterday", "Enter a valid date/time")):
            answer = client.get(address, {"at": wrong})
            assert answer.status_code == 400
            assert said in text_of(answer)
        assert client.get(address).status_code == 200
    assert client.get("/stock/as-of/", {"location": "999999"}).status_code == 400
    assert client.get("/stock/as-of/", {"cursor": "nonsense"}).status_code == 400


def test_as_of_pages_and_htmx(stock: Any, places: Places, stores: User) -> None:
    for n in range(60):
        move(make.ItemFactory.create(name=f"Part {n:02}"), 1, places.supplier, places.store, day(1))
    client = logged_in(stores)
    first = client.get("/stock/as-of/", {"at": "2026-10-21T00:00"}, headers={"HX-Request": "true"})
    body = first.content.decode()
    assert "<html" not in body
    (following,) = [part.split('"')[0] for part in body.split('href="')[1:] if "cursor=" in part.split('"')[0]]
    rest = text_of(client.get("/stock/as-of/" + following.replace("&amp;", "&")))
    assert "Part 59" in rest
    assert "Part 00" not in rest


def test_pages_take_a_fixed_number_of_statements(stock: Any, places: Places, stores: User) -> None:
    client = logged_in(stores)
    # Session, user, branch; places to choose from, those seen with the nearest kept state, the rows of the first and of
    # the other places; the sums and the currency.
    assert statements(client, "/stock/as-of/?at=2026-10-02T00:00") == 10
    assert statements(client, "/stock/as-of/?at=2026-10-21T00:00") == 10
    assert statements(client, "/stock/value/?at=2026-10-02T00:00") == 6
    assert statements(client, "/stock/value/?at=2026-10-21T00:00") == 6


# Checks of the ledger


@pytest.fixture
def damaged(stock: Any, places: Places) -> LedgerCheck:
    damage("stock_balance", "UPDATE stock_balance SET on_hand = 15 WHERE item_id = %s AND location_id = %s",
           stock[0].pk, places.store.pk)
    return check_ledger()


def test_alarm_is_shown_until_somebody_looked_into_it(damaged: LedgerCheck, stores: User, engineer: User) -> None:
    client = logged_in(stores)
    assert "The ledger does not add up: 1 difference that nobody has looked into." in text_of(client.get("/stock/"))
    assert "does not add up" not in text_of(logged_in(engineer).get("/stock/"))
    text = text_of(client.get("/stock/checks/"))
    assert "1 to look into" in text
    assert "Balance is not the sum of its movements Board BD-1 · Main store 15 13 not yet" in text
    (found,) = damaged.found.all()
    address = f"/stock/checks/differences/{found.pk}/"
    assert "Kept 15 Proven 13 Too much 2" in text_of(client.get(address))
    answer = client.post(address, {"note": "", "token": "t1"})
    assert answer.status_code == 400
    for _ in range(2):
        answer = client.post(address, {"note": "Typed into the table by hand", "token": "t1"})
        assert (answer.status_code, answer.headers["Location"]) == (302, "/stock/checks/")
    answer = client.post(address, {"note": "Another", "token": "t2"})
    assert answer.status_code == 409
    assert "looked into this already" in text_of(answer)
    assert "does not add up" not in text_of(client.get("/stock/"))
    assert "Typed into the table by hand" in text_of(client.get(f"/stock/checks/{damaged.pk}/"))
    assert "Nothing to look into" in text_of(client.get("/stock/checks/"))


def test_checks_are_for_those_who_move_stock(damaged: LedgerCheck, engineer: User, scheduler: User) -> None:
    (found,) = damaged.found.all()
    for user in (engineer, scheduler):
        for address in ("", f"{damaged.pk}/", f"differences/{found.pk}/"):
            assert logged_in(user).get(f"/stock/checks/{address}").status_code == 403


def test_pages_without_a_check(stores: User) -> None:
    text = text_of(logged_in(stores).get("/stock/checks/"))
    assert "No check yet" in text
    assert logged_in(stores).get("/stock/checks/7/").status_code == 404
    assert logged_in(stores).get("/stock/checks/differences/7/").status_code == 404


# REST


def test_api_as_of_pages_and_hides_money(stock: Any, places: Places, stores: User, engineer: User) -> None:
    client = api_client(stores)
    first = client.get("/api/stock-as-of/", {"at": "2026-10-21T00:00:00Z", "size": 4}).json()
    assert first["results"][0] == {
        "item": stock[0].pk, "sku": "BD-1", "name": "Board", "location": places.store.pk,
        "location_name": "Main store", "quantity": 13, "unit": "pc", "average": 4.5, "value": 58.5,
    }
    rest = client.get(first["next"]).json()
    assert [row["name"] for row in rest["results"]] == ["Board", "Board", "Sample"]
    assert (rest["next"], rest["results"][2]["value"]) == (None, None)
    seen = api_client(engineer).get("/api/stock-as-of/", {"item": stock[1].pk}).json()["results"]
    assert [(sorted(row), row["quantity"]) for row in seen] == [
        (["item", "location", "location_name", "name", "quantity", "sku", "unit"], 3)
    ]


def test_api_value(stock: Any, stores: User, engineer: User) -> None:
    answer = api_client(stores).get("/api/stock-value/as-of/", {"at": "2026-10-21T00:00:00Z", "kind": "board"}).json()
    assert answer["total"] == {"lines": 4, "uncosted": 0, "value": 90.0}
    assert [(kind["kind"], kind["sum"]["value"]) for kind in answer["kinds"]] == [("board", 90.0)]
    assert api_client(engineer).get("/api/stock-value/as-of/").status_code == 403


@pytest.mark.parametrize("query", [
    {"at": "2099-01-01T00:00:00Z"}, {"at": "x"}, {"location": "0"}, {"item": "9" * 30}, {"kind": "gold"},
    {"cursor": "nonsense"}, {"size": "0"},
])
def test_api_explains_what_cannot_be_asked(query: dict[str, str], stock: Any, stores: User) -> None:
    answer = api_client(stores).get("/api/stock-as-of/", query)
    assert answer.status_code == 400
    assert answer.json()["status"] == 400


def test_api_of_checks(damaged: LedgerCheck, stores: User, engineer: User) -> None:
    client = api_client(stores)
    (run,) = client.get("/api/ledger-checks/").json()["results"]
    assert (run["id"], run["differences"]) == (damaged.pk, 1)
    (found,) = client.get("/api/ledger-differences/").json()["results"]
    assert (found["kind"], found["kept"], found["proven"], found["gap"]) == ("balance", "15", "13", 2)
    address = f"/api/ledger-differences/{found['id']}/look-into/"
    for _ in range(2):
        answer = client.post(address, {"note": "seen"}, headers={"Idempotency-Key": "k1"})
        assert (answer.status_code, answer.json()["note"]) == (200, "seen")
    again = client.post(address, {"note": "seen"}, headers={"Idempotency-Key": "k2"})
    assert again.status_code == 409
    assert api_client(engineer).get("/api/ledger-checks/").status_code == 403
    assert api_client(engineer).get("/api/ledger-differences/").status_code == 403
    assert timezone.now() > damaged.started_at
