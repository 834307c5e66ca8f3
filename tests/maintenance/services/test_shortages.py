"""Shortages: what the work of the coming weeks needs and a branch will not have, and from when."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, Firm
from config.demo.factories import (
    BoardFactory,
    BranchFactory,
    ItemFactory,
    LocationFactory,
    OrderFactory,
    OrderLineFactory,
    ReservationFactory,
    StockLevelFactory,
    SwapProposalFactory,
    VanFactory,
    VisitFactory,
    receive,
    receive_serial,
)
from maintenance.models import Shortage, SwapProposal
from maintenance.services.shortages import list_shortages
from stock.models import Item, Location

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 25)
NONE = {"short items": 0, "short pieces": 0}


@pytest.fixture
def store(firm: Firm, branch: Branch) -> Location:
    return LocationFactory.create(branch=branch, code="store")


@pytest.fixture
def item() -> Item:
    return ItemFactory.create()


def day(offset: int) -> date:
    return DAY + timedelta(days=offset)


def ordered(item: Item, store: Location, quantity: int, expected: date) -> None:
    order = OrderFactory.create(destination=store, ordered_on=day(-30), expected_on=expected)
    OrderLineFactory.create(order=order, item=item, quantity=quantity)


def ahead(item: Item, store: Location, quantity: int, needed_on: date, reference: str = "visit 1") -> None:
    ReservationFactory.create(
        item=item, location=store, quantity=quantity, ahead=True, needed_on=needed_on, reference=reference
    )


def accepted(**fields: object) -> SwapProposal:
    return SwapProposalFactory.create(state="accepted", decided_at=timezone.now(), **fields)


def found() -> list[tuple[object, ...]]:
    return list(
        Shortage.objects.order_by("item_id", "branch_id").values_list(
            "branch", "item", "needed_on", "needed", "on_hand", "on_order", "short", "references"
        )
    )


def test_work_that_comes_before_its_delivery_is_short_until_then(store: Location, item: Item) -> None:
    receive(item, store, 2)
    ordered(item, store, 5, day(20))
    ahead(item, store, 2, day(3), "visit 1")
    ahead(item, store, 1, day(10), "visit 2")
    ahead(item, store, 3, day(12), "proposal 7")
    ahead(item, store, 1, day(21), "visit 3")
    assert list_shortages(business_date=DAY) == {"short items": 1, "short pieces": 4}
    # Runs out on day 10; the worst is day 12: 6 needed, 2 there.
    assert found() == [(store.branch_id, item.pk, day(10), 6, 2, 0, 4, ["proposal 7", "visit 1", "visit 2"])]


def test_a_delivery_on_the_day_counts_and_the_day_after_does_not(store: Location, item: Item) -> None:
    ordered(item, store, 1, day(10))
    ahead(item, store, 1, day(10))
    assert list_shortages(business_date=DAY) == NONE
    other = ItemFactory.create()
    ordered(other, store, 1, day(11))
    ahead(other, store, 1, day(10))
    list_shortages(business_date=DAY)
    assert found() == [(store.branch_id, other.pk, day(10), 1, 0, 0, 1, ["visit 1"])]


def test_late_orders_count_from_today_and_late_work_is_wanted_today(store: Location, item: Item) -> None:
    ordered(item, store, 2, day(-9))
    ahead(item, store, 2, day(-5))
    assert list_shortages(business_date=DAY) == NONE


def test_work_beyond_the_weeks_looked_at_is_left_out(store: Location, item: Item) -> None:
    ordered(item, store, 2, day(90))
    ahead(item, store, 1, day(42))
    ahead(item, store, 1, day(43), "visit 2")
    list_shortages(business_date=DAY)
    assert found() == [(store.branch_id, item.pk, day(42), 1, 0, 0, 1, ["visit 1"])]
    Firm.objects.update(shortage_weeks=5)
    assert list_shortages(business_date=DAY) == NONE


def test_vans_of_the_branch_count_but_not_quarantine_nor_another_branch(store: Location, item: Item) -> None:
    van = VanFactory.create(branch=store.branch)
    receive(item, van, 1)
    receive(item, LocationFactory.create(branch=store.branch, kind="quarantine"), 7)
    elsewhere = LocationFactory.create()
    receive(item, elsewhere, 9)
    ordered(item, store, 3, day(60))
    ahead(item, store, 3, day(5))
    list_shortages(business_date=DAY)
    assert found() == [(store.branch_id, item.pk, day(5), 3, 1, 0, 2, ["visit 1"])]


def test_parts_of_an_accepted_proposal_without_reservation_are_wanted_at_the_next_visit(
    store: Location, branch: Branch
) -> None:
    proposal = accepted(device__system__site__branch=branch, verdict__board=BoardFactory.create())
    site = proposal.device.system.site
    VisitFactory.create(site=site, state="aborted", period=_hour(day(1)))
    VisitFactory.create(site=site, period=_hour(day(9)))
    VisitFactory.create(site=site, period=_hour(day(12)))
    SwapProposalFactory.create(device__system__site__branch=branch)  # waiting: wants nothing
    cover, board = proposal.verdict.variant.cover, proposal.verdict.board.item
    assert list_shortages(business_date=DAY) == {"short items": 2, "short pieces": 2}
    reference = [f"proposal {proposal.pk}"]
    assert found() == sorted(
        [(branch.pk, part.pk, day(9), 1, 0, 0, 1, reference) for part in (cover, board)], key=lambda row: row[1]
    )
    receive_serial(cover, store)
    receive(board, store)
    assert list_shortages(business_date=DAY) == NONE


def test_a_proposal_without_a_visit_is_wanted_by_the_end_of_the_weeks(store: Location, branch: Branch) -> None:
    proposal = accepted(device__system__site__branch=branch)
    list_shortages(business_date=DAY)
    assert [(row[1], row[2]) for row in found()] == [(proposal.verdict.variant.cover_id, day(42))]


def test_a_reserved_proposal_is_not_counted_twice(store: Location, branch: Branch) -> None:
    proposal = accepted(device__system__site__branch=branch)
    cover = proposal.verdict.variant.cover
    ordered(cover, store, 1, day(30))
    ahead(cover, store, 1, day(10), f"proposal {proposal.pk}")
    list_shortages(business_date=DAY)
    assert found() == [(branch.pk, cover.pk, day(10), 1, 0, 0, 1, [f"proposal {proposal.pk}"])]


def test_below_minimum_is_no_shortage(store: Location, item: Item) -> None:
    StockLevelFactory.create(item=item, location=store)
    assert list_shortages(business_date=DAY) == NONE


def test_the_list_is_rebuilt_and_a_repeat_gives_the_same(store: Location, item: Item) -> None:
    ordered(item, store, 3, day(30))
    ahead(item, store, 3, day(5))
    assert list_shortages(business_date=DAY) == list_shortages(business_date=DAY) == {
        "short items": 1, "short pieces": 3,
    }
    receive(item, store, 3)
    assert list_shortages(business_date=DAY) == NONE


@pytest.mark.parametrize("items", [1, 25])
def test_number_of_statements_does_not_grow(firm: Firm, items: int) -> None:
    for _ in range(items):
        store, item = LocationFactory.create(branch=BranchFactory.create()), ItemFactory.create()
        ordered(item, store, 3, day(30))
        ahead(item, store, 3, day(5))
    with CaptureQueriesContext(connection) as queries:
        assert list_shortages(business_date=DAY) == {"short items": items, "short pieces": 3 * items}
    assert len([q for q in queries if "SAVEPOINT" not in q["sql"]]) == 4


def _hour(when: date) -> tuple[object, object]:
    begin = datetime(when.year, when.month, when.day, 9, tzinfo=timezone.get_default_timezone())
    return begin, begin + timedelta(hours=1)
