"""Batches, costs and the kinds of movement: what the ledger keeps of each, and how it refuses."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection, transaction

from config.accounts.models import User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput, ZonewrightError
from stock import services
from stock.models import BatchBalance, Item, ItemCost, Location, Movement
from tests.stock.conftest import Places, on_hand
from tests.stock.test_invariants_in_sql import refused


@pytest.fixture
def batched(places: Places) -> Item:
    """Tracked by batch: in the store eight of batch B7 and two of batch B8."""
    item = make.ItemFactory.create(sku="CB-1", name="Battery", tracking="batch")
    for batch, quantity in (("B7", 8), ("B8", 2)):
        make.MovementFactory.create(
            item=item, quantity=quantity, source=places.supplier, destination=places.store, batch=batch
        )
    return item


@pytest.fixture
def quarantine(places: Places) -> Location:
    return make.LocationFactory.create(name="Quarantine", kind="quarantine", branch=places.store.branch)


@pytest.fixture
def transit(places: Places) -> Location:
    return make.LocationFactory.create(code="way", name="On the way", kind="transit", branch=None)


def of_batches(item: Item) -> dict[tuple[str, str], int]:
    """Place and batch to on hand."""
    rows = BatchBalance.objects.filter(item=item).values_list("location__code", "batch", "on_hand")
    return {(place, batch): held for place, batch, held in rows}


def refusal(act: Callable[[], Any], kind: type[ZonewrightError]) -> tuple[str, str, str]:
    with pytest.raises(kind) as caught:
        act()
    assert type(caught.value) is kind
    return caught.value.field, caught.value.value, str(caught.value)


# --- batches --------------------------------------------------------------------------------------


def test_each_batch_is_kept_at_each_place(batched: Item, places: Places, stores: User) -> None:
    moved = services.record_movement(
        batched, quantity=3, source=places.store, destination=places.van, kind="transfer", by=stores, batch="B7"
    )
    places_now = {("supplier", "B7"): -8, ("supplier", "B8"): -2, ("store", "B7"): 5, ("store", "B8"): 2}
    assert of_batches(batched) == places_now | {("van", "B7"): 3}
    counter = services.correct_movement(moved, by=stores, note="wrong van")
    assert counter.batch == "B7"
    assert of_batches(batched) == places_now | {("van", "B7"): 0, ("store", "B7"): 8}
    assert (on_hand(batched, places.store), on_hand(batched, places.van)) == (10, 0)


def test_more_of_a_batch_than_there_is_says_what_is_there(batched: Item, places: Places, stores: User) -> None:
    def take(batch: str, quantity: int) -> Callable[[], Movement]:
        return lambda: services.record_movement(batched, quantity=quantity, source=places.store, by=stores,
                                                destination=places.van, kind="transfer", batch=batch)

    assert refusal(take("B8", 3), Conflict) == (
        "batch", "B8",
        "Main store holds 2 pc of CB-1 of batch B8; 3 pc cannot leave it. "
        "It also holds 8 pc of batch B7: compare the number with the box.",
    )
    assert refusal(take("B9", 1), Conflict) == (
        "batch", "B9",
        "Main store holds 0 pc of CB-1 of batch B9; 1 pc cannot leave it. "
        "It also holds 8 pc of batch B7, 2 pc of batch B8: compare the number with the box.",
    )
    # More than all batches together: the balance is asked first.
    assert refusal(take("B7", 11), Conflict)[:2] == ("quantity", "11")
    assert of_batches(batched)["store", "B8"] == 2


def test_wrong_batch_number_is_answered_with_the_right_one(batched: Item, places: Places, stores: User) -> None:
    services.record_movement(
        batched, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores, batch="B8"
    )
    take = lambda: services.record_movement(  # noqa: E731
        batched, quantity=2, source=places.van, destination=places.store, kind="transfer", by=stores, batch="B9"
    )
    assert refusal(take, Conflict)[2] == (
        "Van 1 holds 0 pc of CB-1 of batch B9; 2 pc cannot leave it. "
        "It also holds 2 pc of batch B8: compare the number with the box."
    )


def test_correction_needs_the_batch_that_it_takes_back(batched: Item, places: Places, stores: User) -> None:
    wrong = services.record_movement(
        batched, quantity=3, source=places.store, destination=places.van, kind="transfer", by=stores, batch="B7"
    )
    services.record_movement(
        batched, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores, batch="B8"
    )
    services.record_movement(
        batched, quantity=1, source=places.van, destination=places.scrap, kind="scrap", by=stores, batch="B7"
    )
    # Four pieces are in the van, so the balance alone would let three go.
    assert refusal(lambda: services.correct_movement(wrong, by=stores, note="no"), Conflict)[:2] == ("batch", "B7")


def test_batch_of_a_serial_or_of_an_item_kept_by_quantity_is_a_note(
    cover: Item, spare: Item, places: Places, stores: User
) -> None:
    serial = make.SerialFactory.create(item=cover, number="A7", batch="L1")
    make.MovementFactory.create(item=cover, source=places.supplier, destination=places.store, serial=serial, batch="L1")
    services.record_movement(
        cover, quantity=1, source=places.store, destination=places.van, kind="transfer", by=stores, serial=serial
    )
    make.MovementFactory.create(item=spare, quantity=4, source=places.supplier, destination=places.store, batch="L2")
    services.record_movement(
        spare, quantity=9, source=places.store, destination=places.van, kind="transfer", by=stores, batch="L3"
    )
    assert BatchBalance.objects.count() == 0
    assert list(Movement.objects.exclude(batch="").order_by("id").values_list("batch", flat=True)) == ["L1", "L2", "L3"]


def test_batch_balances_and_costs_are_written_by_movements_only(batched: Item, places: Places) -> None:
    receive(batched, places, 1, "4.00", batch="B7")
    before = (sorted(BatchBalance.objects.values_list()), sorted(ItemCost.objects.values_list()))
    held, cost = "stock_batchbalance_by_triggers", "stock_itemcost_by_triggers"
    assert refused("UPDATE stock_batchbalance SET on_hand = 5") == held
    assert refused("UPDATE stock_batchbalance SET batch = 'B9'") == held
    assert refused("UPDATE stock_batchbalance SET physical = false") == held
    assert refused("DELETE FROM stock_batchbalance") == held
    assert refused(
        "INSERT INTO stock_batchbalance (item_id, location_id, batch, physical, on_hand) VALUES (%s, %s, 'X', true, 1)",
        batched.pk, places.van.pk,
    ) == held
    assert refused("UPDATE stock_itemcost SET average = 1") == cost
    assert refused("DELETE FROM stock_itemcost") == cost
    assert refused(
        """INSERT INTO stock_itemcost (item_id, movement_id, at, quantity, unit_cost, held_before, average)
           SELECT item_id, id, now(), 1, 1, 0, 1 FROM stock_movement LIMIT 1"""
    ) == cost
    assert (sorted(BatchBalance.objects.values_list()), sorted(ItemCost.objects.values_list())) == before


def test_batch_never_goes_negative_in_sql(batched: Item, places: Places) -> None:
    assert refused(
        """INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note)
           VALUES (%s, 3, %s, %s, 'B8', 'transfer', now(), '', '')""",
        batched.pk, places.store.pk, places.van.pk,
    ) == "stock_batchbalance_never_negative"
    assert (on_hand(batched, places.store), of_batches(batched)["store", "B8"]) == (10, 2)


def test_correction_is_the_whole_reverse_in_sql(batched: Item, places: Places) -> None:
    receive(batched, places, 4, "2.50", batch="B7")
    first = Movement.objects.latest("id")
    insert = """INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference,
                note, unit_cost, corrects_id) VALUES (%s, %s, %s, %s, %s, 'correct', now(), '', '', %s, %s)"""
    right = {"item": batched.pk, "quantity": 4, "source": places.store.pk, "end": places.supplier.pk, "batch": "B7",
             "cost": Decimal("2.50"), "corrects": first.pk}
    for change in ({"quantity": 3}, {"quantity": 5}, {"source": places.van.pk}, {"end": places.scrap.pk},
                   {"batch": "B8"}, {"cost": None}, {"cost": Decimal(9)}, {"item": make.ItemFactory.create().pk}):
        assert refused(insert, *(right | change).values()) == "stock_movement_correction_reverses"
    with connection.cursor() as cursor:
        cursor.execute(insert, list(right.values()))
    assert (of_batches(batched)["store", "B7"], of_batches(batched)["store", "B8"]) == (8, 2)


# --- costs ----------------------------------------------------------------------------------------


def receive(item: Item, places: Places, quantity: int, cost: str, **more: Any) -> Movement:
    return services.post_movement(item, quantity=quantity, source=places.supplier, destination=places.store,
                                  kind="receive", by=None, unit_cost=Decimal(cost), **more)


def averages(item: Item) -> list[tuple[int, int, Decimal]]:
    return list(ItemCost.objects.filter(item=item).order_by("id").values_list("quantity", "held_before", "average"))


def test_average_moves_with_receipts_and_back_with_their_correction(places: Places, stores: User) -> None:
    item = make.ItemFactory.create()
    receive(item, places, 10, "2.00")
    services.post_movement(item, quantity=4, source=places.store, destination=places.van, kind="transfer", by=stores)
    dear = receive(item, places, 5, "5.00")
    # (10 x 2.00 + 5 x 5.00) / 15 = 3.00; what lies in a van counts as well.
    assert averages(item) == [(10, 0, Decimal("2.00")), (5, 10, Decimal("3.00"))]
    counter = services.correct_movement(dear, by=stores, note="other firm's box")
    assert counter.unit_cost == Decimal("5.00")
    assert averages(item)[2:] == [(-5, 15, Decimal("2.00"))]


def test_average_stays_when_all_is_taken_back_and_starts_anew(places: Places, stores: User) -> None:
    item = make.ItemFactory.create()
    only = receive(item, places, 3, "7.00")
    services.correct_movement(only, by=stores, note="wrong item")
    receive(item, places, 2, "8.00")
    assert averages(item) == [(3, 0, Decimal(7)), (-3, 3, Decimal(7)), (2, 0, Decimal(8))]


@pytest.mark.parametrize(("kind", "cost"), [("transfer", "1.00"), ("receive", "-0.01")])
def test_cost_belongs_to_receipts_and_is_not_negative(
    kind: str, cost: str, spare: Item, places: Places, stores: User
) -> None:
    source = places.supplier if kind == "receive" else places.van
    if kind == "transfer":
        make.MovementFactory.create(item=spare, quantity=2, source=places.supplier, destination=places.van)
    act = lambda: services.post_movement(spare, quantity=1, source=source, destination=places.store,  # noqa: E731
                                         kind=kind, by=stores, unit_cost=Decimal(cost))
    assert refusal(act, InvalidInput) == (
        "unit_cost", cost,
        "Only a receipt and its correction carry a cost, and it is not below 0. "
        "Leave the cost out, or write what one unit cost.",
    )
    assert averages(spare) == []


# --- kinds of movement ----------------------------------------------------------------------------

STORE, VAN, HELD_BACK, WAY = "store", "van", "quarantine", "transit"
SUPPLIER, SITES, SCRAP = "supplier", "sites", "scrap"
COUNTED = (STORE, VAN, HELD_BACK)
HELD = (*COUNTED, WAY)
ALL = (*HELD, SUPPLIER, SITES, SCRAP)
ALLOWED = {
    "receive": ((SUPPLIER,), COUNTED),
    "transfer": (HELD, HELD),
    "pick": ((STORE, VAN), (VAN, WAY)),
    "release": ((HELD_BACK,), (STORE, VAN)),
    "write-off": (HELD, (SCRAP,)),
    "return": (COUNTED, (SUPPLIER,)),
    "fit": (ALL, (SITES,)),
    "remove": ((SITES,), ALL),
    "scrap": (ALL, (SCRAP,)),
}


@pytest.mark.parametrize("kind", ALLOWED)
def test_kind_says_where_it_starts_and_ends(
    kind: str, places: Places, quarantine: Location, transit: Location, stores: User
) -> None:
    """Every pair of places, for every kind: posted or refused, as the table above says."""
    at = {STORE: places.store, VAN: places.van, HELD_BACK: quarantine, WAY: transit, SUPPLIER: places.supplier,
          SITES: places.sites, SCRAP: places.scrap}
    item = make.ItemFactory.create()
    for place in (places.store, places.van, quarantine, transit):
        make.MovementFactory.create(item=item, quantity=50, source=places.supplier, destination=place)
    posted, blamed = set(), set()
    for source in ALL:
        for end in ALL:
            try:
                with transaction.atomic():
                    services.post_movement(item, quantity=1, source=at[source], destination=at[end], kind=kind,
                                           by=stores)
            except InvalidInput as error:
                blamed.add((error.field, bool(error.remedy)))
            else:
                posted.add((source, end))
    starts, ends = ALLOWED[kind]
    # From quarantine into use only by a release, which says what was tested.
    untested = {(HELD_BACK, STORE), (HELD_BACK, VAN)} if kind == "transfer" else set()
    assert posted == {(source, end) for source in starts for end in ends if source != end} - untested
    assert blamed <= {("source", True), ("destination", True)}


def test_what_is_on_its_way_is_moved_by_its_transfer_only(
    spare: Item, places: Places, transit: Location, stores: User
) -> None:
    words = (
        "Stock that is on its way between two places belongs to a transfer, which keeps account of it. "
        "Send it with a transfer, and confirm or settle on the transfer's page what came."
    )
    sent = services.post_movement(
        spare, quantity=2, source=places.store, destination=transit, kind="transfer", by=stores
    )
    for field, source, end in (("destination", places.store, transit), ("source", transit, places.van)):
        act = lambda source=source, end=end: services.record_movement(  # noqa: E731
            spare, quantity=1, source=source, destination=end, kind="transfer", by=stores
        )
        assert refusal(act, Conflict) == (field, "On the way", words)
    assert refusal(lambda: services.correct_movement(sent, by=stores, note="no"), Conflict)[0] == "movement"
    assert (on_hand(spare, places.store), on_hand(spare, transit)) == (8, 2)


def test_what_is_on_its_way_is_never_negative(spare: Item, places: Places, transit: Location) -> None:
    assert refused(
        """INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note)
           VALUES (%s, 1, %s, %s, '', 'transfer', now(), '', '')""",
        spare.pk, transit.pk, places.van.pk,
    ) == "stock_balance_never_negative"


def test_reserved_batch_stock_is_used_with_its_batch(batched: Item, places: Places, stores: User) -> None:
    made = services.reserve(batched, places.store, quantity=2, needed_on=date(2026, 12, 1), reference="visit 9",
                            by=stores)
    services.use_reservation(made, destination=places.sites, by=stores, batch="B8")
    assert of_batches(batched)["store", "B8"] == 0
    assert of_batches(batched)[places.sites.code, "B8"] == 2
