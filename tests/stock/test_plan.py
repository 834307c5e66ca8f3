"""What to hold: what counts as demand, what the plan says of it, who decides, and what has to be ordered."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from stock.models import (
    Item,
    Location,
    Movement,
    PastDemand,
    Reservation,
    ServiceLevel,
    StockLevel,
    StockPlan,
    StoresPolicy,
    SupplierItem,
    Transfer,
    TransferLine,
)
from stock.queries.demand import known_work, past_use
from stock.queries.plan import OrderNeed, order_needs
from stock.services.planning import plan_stock
from stock.services.purchasing import set_stock_level
from stock.services.stores_policy import change_policy, ensure_policy, hold_by_hand, hold_by_plan, set_service_levels
from tests.conftest import api_client, logged_in
from tests.stock.conftest import Places
from tests.stock.test_pages import statements, text_of

TODAY = date(2026, 11, 25)  # a Wednesday
MONDAY = date(2026, 11, 23)


def at(day: date, hour: int = 11) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=ZoneInfo("Europe/London"))


def weeks_ago(weeks: int) -> date:
    return MONDAY - timedelta(weeks=weeks)


def move(
    item: Item, source: Location, destination: Location, quantity: int, day: date, kind: str, **more: Any
) -> Movement:
    return make.MovementFactory.create(
        item=item, source=source, destination=destination, quantity=quantity, at=at(day), kind=kind, **more
    )


def stock_up(item: Item, places: Places, quantity: int = 500) -> None:
    move(item, places.supplier, places.store, quantity, weeks_ago(104), "receive")


def used(item: Item, location: Location, *, weeks: int = 104) -> dict[int, tuple[int, int]]:
    """Weeks before the Monday: demand and, of it, planned."""
    past = past_use(item.pk, item.pk, until=MONDAY, weeks=weeks)
    return {
        weeks - int(week): (int(quantity), int(planned))
        for place, week, quantity, planned in zip(past.location, past.week, past.used, past.planned, strict=True)
        if place == location.pk and quantity
    }


def plan_of(item: Item, location: Location, day: date = TODAY) -> StockPlan:
    plan_stock(business_date=day)
    return StockPlan.objects.select_related("item", "supplier").get(item=item, location=location)


def sold(item: Item, places: Places, **more: Any) -> SupplierItem:
    return SupplierItem.objects.create(
        **{"supplier": places.firm, "item": item, "unit_price": Decimal(10), "minimum_order": 1, "pack_size": 1} | more
    )


@pytest.fixture
def part(places: Places) -> Item:
    """An item by quantity, five hundred in the store since two years ago, 10 pounds each."""
    item = make.ItemFactory.create(sku="PT-1", name="Part")
    stock_up(item, places)
    sold(item, places)
    return item


def weekly(item: Item, places: Places, quantity: int = 2, every: int = 2) -> None:
    """Fitted from the store every other week."""
    for week in range(1, 104, every):
        move(item, places.store, places.sites, quantity, weeks_ago(week), "fit")


# What counts as demand.


def test_demand_is_what_leaves_for_vans_and_sites_and_does_not_come_back(part: Item, places: Places) -> None:
    move(part, places.store, places.van, 5, weeks_ago(9), "transfer")
    move(part, places.van, places.sites, 3, weeks_ago(8), "fit")
    move(part, places.van, places.store, 2, weeks_ago(7), "transfer")
    move(part, places.store, places.sites, 4, weeks_ago(5), "fit")
    move(part, places.store, places.other_store, 7, weeks_ago(4), "transfer")
    move(part, places.store, places.scrap, 1, weeks_ago(4), "write-off")
    move(part, places.store, places.scrap, 1, weeks_ago(4), "scrap")
    move(part, places.store, places.scrap, 1, weeks_ago(4), "count")
    assert used(part, places.store) == {9: (5, 0), 7: (-2, 0), 5: (4, 0)}
    assert used(part, places.van) == {8: (3, 0)}
    # The return is taken off what went out before it.
    assert [n for n in plan_of(part, places.store).reasons["used"] if n] == [3, 4]


def test_a_corrected_movement_never_happened(part: Item, places: Places) -> None:
    wrong = move(part, places.store, places.sites, 4, weeks_ago(5), "fit")
    move(part, places.sites, places.store, 4, weeks_ago(1), "correct", corrects=wrong)
    assert used(part, places.store) == {}


def test_the_week_in_progress_is_not_looked_at(part: Item, places: Places) -> None:
    move(part, places.store, places.sites, 4, MONDAY, "fit")
    move(part, places.store, places.sites, 2, MONDAY - timedelta(days=1), "fit")
    assert used(part, places.store) == {1: (2, 0)}


def test_what_goes_by_parcel_counts_once(part: Item, places: Places) -> None:
    transit = make.TransitPlaceFactory.create()
    for number, source, destination in (("T-1", places.store, places.van), ("T-2", places.van, places.store),
                                        ("T-3", places.store, places.other_store)):
        Transfer.objects.create(number=number, source=source, destination=destination)
    move(part, places.store, transit, 6, weeks_ago(6), "transfer", reference="T-1")
    move(part, transit, places.van, 5, weeks_ago(5), "transfer", reference="T-1")
    move(part, transit, places.store, 1, weeks_ago(4), "transfer", reference="T-1")
    move(part, places.van, transit, 2, weeks_ago(3), "transfer", reference="T-2")
    move(part, transit, places.store, 2, weeks_ago(2), "transfer", reference="T-2")
    move(part, places.store, transit, 9, weeks_ago(1), "transfer", reference="T-3")
    assert used(part, places.store) == {6: (6, 0), 4: (-1, 0), 2: (-2, 0)}


def reserved(item: Item, location: Location, quantity: int, made: date, reference: str, state: str) -> Reservation:
    return make.ReservationFactory.create(
        item=item, location=location, quantity=quantity, made_at=at(made), reference=reference, state=state
    )


def test_what_was_promised_in_time_is_not_random(part: Item, places: Places) -> None:
    """The supplier takes five days: promised a week before it left is planned, two days before is not."""
    reserved(part, places.store, 3, weeks_ago(6), "proposal 1", "used")
    move(part, places.store, places.sites, 4, weeks_ago(5), "fit", reference="proposal 1")
    reserved(part, places.store, 2, weeks_ago(3) - timedelta(days=2), "proposal 2", "used")
    move(part, places.store, places.sites, 2, weeks_ago(3), "fit", reference="proposal 2")
    reserved(part, places.store, 2, weeks_ago(4), "proposal 3", "released")
    move(part, places.store, places.sites, 2, weeks_ago(2), "fit", reference="proposal 3")
    assert used(part, places.store) == {5: (4, 3), 3: (2, 0), 2: (2, 0)}
    why = plan_of(part, places.store).reasons
    assert ([n for n in why["used"] if n], [n for n in why["random"] if n]) == ([4, 2, 2], [1, 2, 2])


def test_a_promise_that_travelled_with_its_parcel_is_planned(part: Item, places: Places) -> None:
    transit = make.TransitPlaceFactory.create()
    promise = reserved(part, places.store, 2, weeks_ago(7), "visit 4", "open")
    parcel = Transfer.objects.create(number="T-1", source=places.store, destination=places.van)
    TransferLine.objects.create(
        transfer=parcel, item=part, wanted=3, sent=3, reasons=[{"kind": "work", "reservation": promise.pk}]
    )
    move(part, places.store, transit, 3, weeks_ago(5), "pick", reference="T-1")
    assert used(part, places.store) == {5: (3, 2)}


def test_imported_demand_counts_with_the_ledgers(part: Item, places: Places) -> None:
    PastDemand.objects.create(item=part, location=places.store, week=weeks_ago(100), quantity=8)
    PastDemand.objects.create(item=part, location=places.store, week=weeks_ago(200), quantity=8)
    move(part, places.store, places.sites, 1, weeks_ago(5), "fit")
    assert used(part, places.store) == {100: (8, 0), 5: (1, 0)}


def test_weeks_before_the_item_came_are_no_weeks_without_demand(places: Places) -> None:
    item = make.ItemFactory.create()
    move(item, places.supplier, places.store, 50, weeks_ago(10), "receive")
    move(item, places.store, places.sites, 10, weeks_ago(9), "fit")
    plan = plan_of(item, places.store)
    assert (plan.reasons["weeks_known"], plan.rate_per_week) == (10, 1.0)


# What the plan says.


def test_every_figure_of_a_plain_plan(part: Item, places: Places) -> None:
    """One a week for two years, from 2 every second week: 5 days usual, nothing seen of the supplier yet."""
    weekly(part, places)
    plan = plan_of(part, places.store)
    why = plan.reasons
    assert (plan.method, plan.abc, plan.xyz, plan.service_percent) == ("mean", "A", "Z", Decimal("95.00"))
    assert (plan.rate_per_week, why["weeks_known"], why["yearly"]) == (1.0, 104, pytest.approx(52.1786, abs=1e-3))
    assert (plan.lead_time_days, plan.lead_time_sd_days, why["window_days"]) == (5.0, 1.0, 8)
    # Root of 2 x 52.18 x 15 / (20 % of 10).
    assert (why["ideal"], plan.order_quantity) == (pytest.approx(27.9773, abs=1e-3), 28)
    assert plan.reorder_point == why["covered"] + 1
    assert plan.safety_stock == pytest.approx(why["covered"] - why["mean"], abs=1)
    assert plan.supplier == places.firm
    assert (plan.known_in_lead_time, why["known"], why["random"]) == (0, [], None)
    assert sum(why["used"]) == 104


def test_a_repeat_changes_nothing(part: Item, places: Places) -> None:
    weekly(part, places)
    make.StockLevelFactory.create(item=part, location=places.store, minimum=1, target=2, by_hand=False)
    first = plan_stock(business_date=TODAY)
    before = list(StockPlan.objects.values())
    again = plan_stock(business_date=TODAY)
    assert first == {"plans": 1, "changed": 1, "removed": 0, "levels changed": 1}
    assert again == {"plans": 1, "changed": 0, "removed": 0, "levels changed": 0}
    assert list(StockPlan.objects.values()) == before


def test_a_plan_that_has_lost_its_reason_goes(places: Places) -> None:
    item = make.ItemFactory.create()
    move(item, places.supplier, places.store, 5, weeks_ago(3), "receive")
    assert plan_of(item, places.store).method == "none"
    move(item, places.store, places.scrap, 5, weeks_ago(2), "write-off")
    assert plan_stock(business_date=TODAY) == {"plans": 0, "changed": 0, "removed": 1, "levels changed": 0}


def test_nothing_at_all_is_no_error(db: None) -> None:
    assert plan_stock(business_date=TODAY) == {"plans": 0, "changed": 0, "removed": 0, "levels changed": 0}


def test_known_work_raises_the_point_at_its_time(part: Item, places: Places, stores: User) -> None:
    weekly(part, places)
    alone = plan_of(part, places.store).reorder_point
    make.ReservationFactory.create(item=part, location=places.store, quantity=3, needed_on=TODAY + timedelta(days=6),
                                   reference="visit 1")
    make.ReservationFactory.create(item=part, location=places.store, quantity=9, needed_on=TODAY + timedelta(days=60),
                                   reference="visit 2")
    plan = plan_of(part, places.store)
    assert (plan.known_in_lead_time, plan.reorder_point) == (3, alone + 3)
    assert [row[1:] for row in plan.reasons["known"]] == [["visit 1", 3, True, True], ["visit 2", 9, True, True]]


def test_a_supplier_who_is_late_is_planned_for(part: Item, places: Places) -> None:
    weekly(part, places)
    before = plan_of(part, places.store)
    for number in range(20):
        day = weeks_ago(90 - 4 * number)
        order = make.OrderFactory.create(
            supplier=places.firm, destination=places.store, number=f"PO-{number}", ordered_on=day, state="received"
        )
        make.OrderLineFactory.create(order=order, item=part, quantity=5, received=5)
        move(part, places.supplier, places.store, 5, day + timedelta(days=10 + 6 * (number % 2)), "receive",
             reference=order.number)
    plan = plan_of(part, places.store)
    # 8 days later on average, of which 20/25 count; spread 3.08 seen, 1 usual.
    assert plan.reasons["late"]["seen"] == 20
    assert plan.reasons["late"]["mean"] == 8
    assert plan.lead_time_days == pytest.approx(5 + 8 * 20 / 25)
    assert plan.lead_time_sd_days == pytest.approx(((19 * 180 / 19 + 5 * 1) / 24) ** 0.5, abs=0.01)
    assert plan.reorder_point > before.reorder_point


def test_classes_give_the_service_level(part: Item, places: Places, stores: User) -> None:
    weekly(part, places)
    cheap = make.ItemFactory.create()
    stock_up(cheap, places)
    sold(cheap, places, unit_price=Decimal("0.01"))
    move(cheap, places.store, places.sites, 9, weeks_ago(20), "fit")
    set_service_levels({("A", "Z"): Decimal("99.5"), ("C", "Z"): Decimal(80)}, by=stores)
    rich, poor = plan_of(part, places.store), plan_of(cheap, places.store)
    assert (rich.abc + rich.xyz, rich.service_percent) == ("AZ", Decimal("99.50"))
    assert (poor.abc + poor.xyz, poor.service_percent) == ("CZ", Decimal("80.00"))


def test_no_more_is_held_against_chance_than_a_year_takes(part: Item, places: Places, stores: User) -> None:
    """Twice three at once in two years: a lot and more would be held, a year is expected to take three."""
    for weeks in (60, 8):
        move(part, places.store, places.sites, 3, weeks_ago(weeks), "fit")
    plan = plan_of(part, places.store)
    assert (plan.reorder_point, plan.reasons["limited"]) == (3, True)
    assert plan.reasons["reached"] < 0.95
    page = text_of(logged_in(stores).get(f"/stock/plan/{part.pk}/{places.store.pk}/"))
    assert "More is not held against chance than a year is expected to take" in page


def test_packs_and_the_least_order_are_kept(part: Item, places: Places) -> None:
    weekly(part, places)
    SupplierItem.objects.update(pack_size=12, minimum_order=40)
    assert plan_of(part, places.store).order_quantity == 48


def test_vans_are_planned_from_what_is_fitted(part: Item, places: Places) -> None:
    move(part, places.store, places.van, 60, weeks_ago(103), "transfer")
    for week in range(2, 103, 2):
        move(part, places.van, places.sites, 1, weeks_ago(week), "fit")
    plan = plan_of(part, places.van)
    assert (plan.lead_time_days, plan.lead_time_sd_days, plan.supplier, plan.order_quantity) == (1.0, 0.0, None, 1)
    assert plan.rate_per_week == pytest.approx(51 / 103, abs=0.05)


# Who decides a level.


def test_levels_follow_the_plan_unless_set_by_hand(part: Item, places: Places, stores: User) -> None:
    weekly(part, places)
    make.ReservationFactory.create(item=part, location=places.store, quantity=3, needed_on=TODAY, reference="visit 1")
    plan = plan_of(part, places.store)
    free = plan.reorder_point - 3
    level = hold_by_hand(part, places.store, minimum=1, target=1, by=stores)
    assert plan_stock(business_date=TODAY)["levels changed"] == 0
    # A level is compared with what is not promised, so what is promised is not part of it.
    level = hold_by_plan(part, places.store, by=stores)
    assert (level.minimum, level.target, level.by_hand) == (free, free + plan.order_quantity, False)
    StockLevel.objects.update(minimum=0)
    assert plan_stock(business_date=TODAY)["levels changed"] == 1
    level.refresh_from_db()
    assert level.minimum == free


def test_a_level_changed_by_a_person_is_by_hand_from_then_on(part: Item, places: Places, stores: User) -> None:
    weekly(part, places)
    plan_stock(business_date=TODAY)
    level = set_stock_level(hold_by_plan(part, places.store, by=stores), minimum=1, target=2, by=stores)
    assert plan_stock(business_date=TODAY)["levels changed"] == 0
    level.refresh_from_db()
    assert (level.minimum, level.target, level.by_hand) == (1, 2, True)


def test_nonsense_levels_are_refused(part: Item, places: Places, stores: User) -> None:
    for minimum, target, field in ((5, 4, "target"), (-1, 4, "minimum"), (0, 10_000_000, "target")):
        with pytest.raises(InvalidInput) as refused:
            hold_by_hand(part, places.store, minimum=minimum, target=target, by=stores)
        assert refused.value.field == field
    with pytest.raises(InvalidInput):
        hold_by_hand(part, places.sites, minimum=1, target=2, by=stores)
    with pytest.raises(Conflict, match="no plan"):
        hold_by_plan(part, places.store, by=stores)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"a_share_percent": 96}, "b_share_percent"),
        ({"x_variation": Decimal(2)}, "y_variation"),
        ({"carrying_percent": Decimal(0)}, "carrying_percent"),
        ({"review_days": 0}, "review_days"),
        ({"history_weeks": 40_000}, "history_weeks"),
        ({"history_weeks": 521}, "history_weeks"),
        ({"order_cost": Decimal("1e9")}, "order_cost"),
    ],
)
def test_a_policy_that_cannot_be_is_refused(db: None, stores: User, changes: dict[str, Any], field: str) -> None:
    with pytest.raises(InvalidInput) as refused:
        change_policy(ensure_policy(), changes=changes, by=stores)
    assert refused.value.field == field


# What has to be ordered.


def needs(user: User | None = None) -> list[OrderNeed]:
    return order_needs(user, today=TODAY)


def empty_store(part: Item, places: Places, left: int) -> None:
    held = 500 - 104
    move(part, places.store, places.scrap, held - left, TODAY - timedelta(days=1), "write-off")


def test_below_the_point_fills_up_in_whole_packs(part: Item, places: Places) -> None:
    weekly(part, places)
    SupplierItem.objects.update(pack_size=10)
    empty_store(part, places, 4)
    make.ReservationFactory.create(item=part, location=places.store, quantity=2, needed_on=TODAY, reference="visit 1")
    plan = plan_of(part, places.store)
    point = plan.reorder_point - 2
    assert point > 2
    (need,) = needs()
    assert (need.on_hand, need.on_order, need.reserved, need.known, need.position) == (4, 0, 2, 0, 2)
    assert (need.point, need.reorder_point, need.target) == (point, plan.reorder_point, point + plan.order_quantity)
    assert need.suggested == -(-(need.target - 2) // 10) * 10
    assert (need.supplier, need.unit_price, need.pack_size) == ("Wholesaler", Decimal("10.0000"), 10)
    assert need.reason == (
        f"4 on hand - 2 reserved = 2: below the reorder point {point} for random demand at 95 %; "
        f"fills up to {need.target}."
    )


def test_what_comes_already_is_not_ordered_again(part: Item, places: Places, stores: User) -> None:
    weekly(part, places)
    empty_store(part, places, 0)
    plan_stock(business_date=TODAY)
    (need,) = needs()
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store, state="draft", proposed=True)
    make.OrderLineFactory.create(order=order, item=part, quantity=need.suggested)
    assert len(needs()) == 1  # the service's own draft is made anew
    order.proposed = False
    order.save()
    assert needs() == []
    order.state = "placed"
    order.save()
    assert needs() == []


def test_later_work_can_still_wait(part: Item, places: Places) -> None:
    move(part, places.store, places.scrap, 498, weeks_ago(1), "write-off")
    make.ReservationFactory.create(item=part, location=places.store, quantity=2, needed_on=TODAY, reference="visit 1")
    assert needs() == []
    make.OrderLineFactory.create(
        order=make.OrderFactory.create(supplier=places.firm, destination=places.store), item=part, quantity=1
    )
    make.ReservationFactory.create(item=part, location=places.store, quantity=1, needed_on=TODAY + timedelta(days=90),
                                   reference="visit 2", ahead=True)
    assert needs() == []


def test_a_level_set_by_hand_decides(part: Item, places: Places, stores: User) -> None:
    hold_by_hand(part, places.store, minimum=600, target=640, by=stores)
    (need,) = needs()
    assert (need.point, need.suggested, need.by_hand) == (600, 140, True)
    assert need.reason == "500 on hand = 500: below the 600 set by hand; fills up to 640."


def test_what_is_no_longer_made_is_not_ordered(places: Places, stores: User) -> None:
    variant = make.VariantFactory.create(discontinued_on=TODAY)
    hold_by_hand(variant.cover, places.store, minimum=5, target=5, by=stores)
    assert needs() == []
    variant.discontinued_on = TODAY + timedelta(days=1)
    variant.save()
    assert [need.item_id for need in needs()] == [variant.cover_id]


def test_a_person_orders_for_the_own_branch(part: Item, places: Places, stores: User, stranger: User) -> None:
    hold_by_hand(part, places.store, minimum=600, target=640, by=stores)
    hold_by_hand(part, places.van, minimum=5, target=6, by=stores)
    assert [need.location for need in needs(stores)] == ["Main store"]
    assert needs(stranger) == []


@pytest.mark.parametrize("count", [1, 3])
def test_needs_take_the_same_statements_whatever_there_is(places: Places, stores: User, count: int) -> None:
    for _ in range(count):
        item = make.ItemFactory.create()
        hold_by_hand(item, places.store, minimum=2, target=4, by=stores)
    with CaptureQueriesContext(connection) as seen:
        assert len(needs(stores)) == count
    assert len(seen) == 6  # the registered lookup of planned work is one


def test_known_work_goes_to_the_first_store_of_the_branch(part: Item, places: Places) -> None:
    made = make.ReservationFactory.create(
        item=part, location=places.store, quantity=3, needed_on=TODAY - timedelta(days=3), reference="visit 1"
    )
    (known,) = known_work(TODAY)
    assert (known.item_id, known.location_id, known.quantity, known.day, known.reserved) == (
        part.pk, made.location_id, 3, TODAY, True,
    )


# Pages and REST.


@pytest.fixture
def planned(part: Item, places: Places) -> StockPlan:
    weekly(part, places)
    return plan_of(part, places.store)


def test_the_list_says_what_to_hold(planned: StockPlan, stores: User) -> None:
    answer = logged_in(stores).get("/stock/plan/")
    assert f"Part PT-1 · Spare part Main store AZ 95 % 1.00 396 pc 0 pc {planned.reorder_point} pc 28 pc Enough" in (
        text_of(answer)
    )
    for query, found in (("below=on", False), ("abc=A&xyz=Z&kind=spare", True), ("abc=B", False), ("search=pt-", True),
                         ("search=none", False)):
        assert ("PT-1" in text_of(logged_in(stores).get(f"/stock/plan/?{query}"))) is found
    assert logged_in(stores).get("/stock/plan/?abc=Q").status_code == 400


@pytest.mark.parametrize("count", [1, 3])
def test_the_list_takes_the_same_statements_whatever_it_shows(places: Places, stores: User, count: int) -> None:
    for number in range(count):
        item = make.ItemFactory.create(name=f"Part {number}")
        move(item, places.supplier, places.store, 5, weeks_ago(3), "receive")
    plan_stock(business_date=TODAY)
    client = logged_in(stores)
    # Session, person and branch of every page among them.
    assert statements(client, "/stock/plan/") == 5
    assert statements(client, f"/stock/plan/{item.pk}/{places.store.pk}/") == 8


def test_the_page_of_an_item_gives_every_reason(planned: StockPlan, places: Places, stores: User) -> None:
    make.ReservationFactory.create(item=planned.item, location=places.store, quantity=3, needed_on=TODAY,
                                   reference="visit 77")
    text = text_of(logged_in(stores).get(f"/stock/plan/{planned.item_id}/{places.store.pk}/"))
    for words in (
        "Enough: 396 on hand and 0 on order", "By mean of the weeks, from 104 weeks",
        "Wholesaler usually takes 5 days; no delivery has been seen yet", "Class AZ: 0 % of the place's yearly value",
        "Root of 2 x 52.2 a year x 15 for an order / 2 for keeping one a year (20 % of 10) = 28",
        "Teunter, Syntetos and Babai", "visit 77", "Harris 1913", "Let the plan set it", "52 weeks with demand",
    ):
        assert words in text, words


def test_who_may_set_levels(planned: StockPlan, places: Places, stores: User, engineer: User, stranger: User) -> None:
    address = f"/stock/plan/{planned.item_id}/{places.store.pk}/"
    assert "Set by hand" not in text_of(logged_in(engineer).get(address))
    assert logged_in(stranger).get(address).status_code == 404
    for person, status in ((engineer, 403), (stranger, 403)):
        assert logged_in(person).post(f"{address}by-plan/").status_code == status
    client = logged_in(stores)
    wrong = client.post(f"{address}by-hand/", {"minimum": 9, "target": 3})
    assert wrong.status_code == 400
    assert "It cannot be filled up to 3 and hold at least 9." in text_of(wrong)
    assert not StockLevel.objects.exists()
    assert "set by hand" in text_of(client.post(f"{address}by-hand/", {"minimum": 9, "target": 30}, follow=True))
    assert StockLevel.objects.get().by_hand
    assert "the plan sets it each night" in text_of(client.post(f"{address}by-plan/", follow=True))
    assert not StockLevel.objects.get().by_hand


def policy_fields(**changes: Any) -> dict[str, Any]:
    return {
        "order_cost": "15", "carrying_percent": "20", "approval_limit": "500", "review_days": "1",
        "history_weeks": "104", "a_share_percent": "80", "b_share_percent": "95", "x_variation": "0.5",
        "y_variation": "1", "top_up_days": "2", **{abc + xyz: "95" for abc in "ABC" for xyz in "XYZ"}, **changes,
    }


def test_the_policy_page_sets_everything_or_nothing(stores: User, engineer: User) -> None:
    client = logged_in(stores)
    assert "Service levels" in text_of(client.get("/stock/plan/policy/"))
    assert client.post("/stock/plan/policy/", policy_fields(order_cost="22.50", BX="98.5")).status_code == 302
    assert StoresPolicy.current().order_cost == Decimal("22.50")
    assert ServiceLevel.objects.get(abc="B", xyz="X").percent == Decimal("98.50")
    assert ServiceLevel.objects.count() == 9
    for changes, words in (
        ({"a_share_percent": "97"}, "Write a larger share for B than for A."),
        ({"BX": "100"}, "less than or equal to 99.99"), ({"history_weeks": "99999"}, "32767"),
        ({"review_days": "0"}, "Write a whole number from 1 to 90."),
    ):
        answer = client.post("/stock/plan/policy/", policy_fields(order_cost="1", **changes))
        assert (answer.status_code, words in text_of(answer)) == (400, True), words
    assert StoresPolicy.current().order_cost == Decimal("22.50")
    assert logged_in(engineer).get("/stock/plan/policy/").status_code == 403


def test_the_limit_of_approvals_is_set_by_those_who_approve(stores: User, service_manager: User) -> None:
    answer = logged_in(stores).post("/stock/plan/policy/", policy_fields(approval_limit="9000", order_cost="22"))
    assert (answer.status_code, "is set by those who approve" in text_of(answer)) == (403, True)
    assert (StoresPolicy.current().approval_limit, StoresPolicy.current().order_cost) == (Decimal(500), Decimal(15))
    assert logged_in(service_manager).post(
        "/stock/plan/policy/", policy_fields(approval_limit="9000")
    ).status_code == 302
    assert StoresPolicy.current().approval_limit == Decimal(9000)


def test_plans_and_policy_by_rest(planned: StockPlan, stores: User, stranger: User, engineer: User) -> None:
    client = api_client(stores)
    (row,) = client.get("/api/stock-plans/?abc=A").json()["results"]
    assert (row["item"], row["reorder_point"], row["reasons"]["weeks_known"]) == (
        planned.item_id, planned.reorder_point, 104,
    )
    assert api_client(stranger).get("/api/stock-plans/").json()["results"] == []
    answer = client.get("/api/stores-policy/1/")
    change = {"order_cost": "30.00"}
    assert client.patch("/api/stores-policy/1/", change, format="json").status_code == 428
    assert client.patch("/api/stores-policy/1/", change, format="json", headers={"If-Match": '"x"'}).status_code == 412
    headers = {"If-Match": answer["ETag"]}
    assert client.patch("/api/stores-policy/1/", change, format="json", headers=headers).json()["order_cost"] == 30
    wrong = client.patch(
        "/api/stores-policy/1/", {"x_variation": "3"}, format="json",
        headers={"If-Match": client.get("/api/stores-policy/1/")["ETag"]},
    )
    assert (wrong.status_code, wrong.json()["field"]) == (400, "y_variation")
    level = ServiceLevel.objects.get(abc="A", xyz="X")
    address = f"/api/service-levels/{level.pk}/"
    headers = {"If-Match": client.get(address)["ETag"]}
    assert client.patch(address, {"percent": "99.90"}, format="json", headers=headers).json()["percent"] == 99.9
    assert api_client(engineer).patch(address, {"percent": "50"}, format="json").status_code == 403
