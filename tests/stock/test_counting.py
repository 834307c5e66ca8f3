"""Counting: what is to be counted, entries against moving stock, looking over, posting."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, NotAllowed
from stock import services
from stock.models import BatchBalance, BinPlace, CountLine, Item, Location, Movement, Serial, StockCount, StockPlan
from stock.queries import count_due, count_review, counting
from stock.queries.count_due import Choice
from stock.rules.counting import Tolerance
from stock.services.count_posting import post_count, refusals_ahead
from stock.services.counting import (
    add_line,
    ask_recount,
    cancel_count,
    count_on,
    count_zero,
    enter,
    hand_in,
    note_serials,
    start_count,
)
from tests.stock.conftest import Places, balance, on_hand


def bring(item: Item, place: Location, places: Places, quantity: int = 1, *, cost: str = "", batch: str = "") -> None:
    make.MovementFactory.create(item=item, quantity=quantity, source=places.supplier, destination=place, batch=batch,
                                unit_cost=Decimal(cost) if cost else None)


def cover_with(places: Places, *numbers: str, at: Location | None = None, sku: str = "CV-9") -> Item:
    item = make.CoverFactory.create(sku=sku, name="Cover of a detector")
    for number in numbers:
        serial = make.SerialFactory.create(item=item, number=number)
        make.MovementFactory.create(item=item, source=places.supplier, destination=at or places.store, serial=serial)
    return item


def line_of(count: StockCount, item: Item, batch: str = "") -> CountLine:
    return CountLine.objects.select_related("count__location", "item").get(count=count, item=item, batch=batch)


def write(count: StockCount, item: Item, by: User, counted: int | None = None, batch: str = "",
          serials: list[str] | None = None) -> CountLine:
    line = line_of(count, item, batch)
    return enter(line, by=by, version=line.version, counted=counted, serials=serials)


def posted(count: StockCount, by: User, **options: Any) -> StockCount:
    hand_in(count, by=by)
    return post_count(count, by=by, **options)


def where(number: str) -> str:
    place = Serial.objects.select_related("location").get(number=number).location
    return place.name if place else ""


def differences(count: StockCount) -> list[tuple[str, int, str, str, str]]:
    """What was posted: item, quantity, from, to, number."""
    found = Movement.objects.filter(reference=count.number).order_by("id")
    return [(m.item.sku, m.quantity, m.source.name, m.destination.name, m.serial.number if m.serial else "")
            for m in found.select_related("item", "source", "destination", "serial")]


# What is to be counted

def test_a_count_has_a_line_for_all_with_stock_level_or_batch(places: Places, spare: Item, stores: User) -> None:
    empty = make.ItemFactory.create()
    make.StockLevelFactory.create(item=empty, location=places.store)
    batched = make.ItemFactory.create(tracking="batch")
    bring(batched, places.store, places, 3, batch="B1")
    bring(batched, places.store, places, 2, batch="B2")
    elsewhere = make.ItemFactory.create()
    bring(elsewhere, places.van, places)
    count = start_count(places.store, by=stores)
    assert count.number == f"CT-{count.pk:05}"
    assert list(count.lines.order_by("item_id", "batch").values_list("item_id", "batch")) == [
        (spare.pk, ""), (empty.pk, ""), (batched.pk, "B1"), (batched.pk, "B2")
    ]


def test_one_open_count_a_location(places: Places, spare: Item, stores: User) -> None:
    first = start_count(places.store, by=stores)
    with pytest.raises(Conflict, match=r"A count of Main store is under way\. Go on with that count"):
        start_count(places.store, by=stores)
    cancel_count(first, by=stores)
    assert start_count(places.store, by=stores).pk != first.pk


def test_who_may_count_where(places: Places, spare: Item, stores: User, engineer: User, scheduler: User,
                             stranger: User, branch: Branch) -> None:
    second = make.VanFactory.create(branch=branch)
    assert [p.name for p in counting.countable(stores).order_by("name")] == ["Main store", second.name, "Van 1"]
    assert list(counting.countable(engineer)) == [places.van]
    assert list(counting.countable(scheduler)) == []
    for person, place in ((engineer, places.store), (engineer, second), (scheduler, places.store),
                          (stranger, places.other_store), (stores, places.other_store)):
        with pytest.raises(NotAllowed, match=f"You may not count {place.name}"):
            start_count(place, by=person)
    count = start_count(places.van, by=engineer)
    hand_in(count, by=engineer)
    with pytest.raises(NotAllowed, match="Hand the count in; the stores people"):
        post_count(count, by=engineer)
    assert post_count(count, by=stores).state == "posted"


def test_choice_by_kind_family_and_bins(places: Places, stores: User) -> None:
    family = make.FamilyFactory.create()
    board = make.ItemFactory.create(kind="board", family=family)
    plate = make.ItemFactory.create(kind="backplate", family=family)
    loose = make.ItemFactory.create()
    for item, code in ((board, "A-02"), (plate, "b-01-3"), (loose, "")):
        bring(item, places.store, places)
        if code:
            BinPlace.objects.create(location=places.store, item=item, code=code)

    def chosen(**choice: Any) -> set[int]:
        return {item for item, _ in count_due.items_to_count(places.store, Choice(**choice))}

    assert chosen(kind="board") == {board.pk}
    assert chosen(family=family.pk) == {board.pk, plate.pk}
    assert chosen(bin_from="A", bin_to="A") == {board.pk}
    assert chosen(bin_from="A-02", bin_to="B") == {board.pk, plate.pk}
    assert chosen(bin_from="B") == {plate.pk}
    with pytest.raises(InvalidInput, match="Nothing at Main store fits this choice"):
        start_count(places.store, by=stores, choice=Choice(bin_from="Z"))


def test_choice_of_what_is_due_or_has_moved(places: Places, spare: Item, stores: User) -> None:
    a_item, b_item = make.ItemFactory.create(), make.ItemFactory.create()
    for item, abc in ((a_item, "A"), (b_item, "B")):
        bring(item, places.store, places, 5)
        StockPlan.objects.create(
            item=item, location=places.store, computed_on=timezone.localdate(), abc=abc, xyz="X", method="mean",
            rate_per_week=1, sd_per_week=1, known_in_lead_time=0, lead_time_days=1, lead_time_sd_days=0,
            service_percent=95, safety_stock=1, reorder_point=1, order_quantity=1, reasons={},
        )
    count = start_count(places.store, by=stores)
    for item, quantity in ((a_item, 5), (b_item, 5)):
        write(count, item, stores, quantity)
    posted(count, stores, leave_uncounted=True)

    def chosen(**choice: Any) -> set[int]:
        return {item for item, _ in count_due.items_to_count(places.store, Choice(**choice))}

    # The spring was left out of the count: it never was counted here.
    assert chosen(which="due") == {spare.pk}
    assert chosen(which="moved") == {spare.pk}
    CountLine.objects.filter(counted__isnull=False).update(counted_at=timezone.now() - timedelta(days=31))
    assert chosen(which="due") == {spare.pk, a_item.pk}
    assert chosen(which="days", days=31) == {spare.pk, a_item.pk, b_item.pk}
    assert chosen(which="days", days=32) == {spare.pk}
    services.record_movement(b_item, quantity=1, source=places.store, destination=places.van, kind="transfer",
                             by=stores)
    assert chosen(which="moved") == {spare.pk, a_item.pk, b_item.pk}
    CountLine.objects.filter(item=a_item).update(counted_at=timezone.now())
    assert chosen(which="moved") == {spare.pk, b_item.pk}


def test_lines_are_walked_in_bin_order(places: Places, stores: User) -> None:
    items = [make.ItemFactory.create(sku=sku) for sku in ("S-1", "S-2", "S-3", "S-4")]
    for item, code in zip(items, ("B1-1", "a-10", "", "A-2"), strict=True):
        bring(item, places.store, places)
        if code:
            BinPlace.objects.create(location=places.store, item=item, code=code)
    count = start_count(places.store, by=stores)
    assert [row.sku for row in counting.sheet_rows(count)] == ["S-4", "S-2", "S-1", "S-3"]
    first = counting.line_page(count, size=3)
    assert [row.sku for row in first.rows] == ["S-4", "S-2", "S-1"]
    assert [row.sku for row in counting.line_page(count, size=3, cursor=first.next_cursor).rows] == ["S-3"]
    write(count, items[1], stores, 1)
    keys = {item.sku: line_of(count, item).pk for item in items}
    assert counting.next_line(count) == keys["S-4"]
    assert counting.next_line(count, line_of(count, items[3])) == keys["S-1"]
    assert counting.next_line(count, line_of(count, items[2])) == keys["S-4"]
    for item in (items[0], items[2], items[3]):
        write(count, item, stores, 1)
    assert counting.next_line(count, line_of(count, items[3])) is None
    assert counting.progress(count) == counting.Progress(lines=4, counted=4, recounts=0)


# Entries

def test_an_entry_keeps_what_the_ledger_held_then(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    services.record_movement(spare, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores)
    line = write(count, spare, stores, 7)
    services.record_movement(spare, quantity=3, source=places.store, destination=places.van, kind="transfer", by=stores)
    assert (line.counted, line.book) == (7, 8)
    count = posted(count, stores)
    assert differences(count) == [("SP-1", 1, "Main store", "Scrap", "")]
    assert on_hand(spare, places.store) == 4
    assert line_of(count, spare).difference_posted == -1


def test_the_second_of_two_who_count_the_same_line_is_told(places: Places, spare: Item, stores: User,
                                                          service_manager: User) -> None:
    count = start_count(places.store, by=stores)
    line = line_of(count, spare)
    enter(line, by=stores, version=line.version, counted=9)
    with pytest.raises(ChangedMeanwhile, match="SP-1 is no longer as you read it: Stores manager NB wrote down 9"):
        enter(line, by=service_manager, version=line.version, counted=10)
    assert line_of(count, spare).counted == 9


@pytest.mark.parametrize("counted", [-1, 1_000_001, None])
def test_a_quantity_that_cannot_be_is_refused(counted: int | None, places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    with pytest.raises(InvalidInput, match=f"The quantity {counted} cannot be used"):
        write(count, spare, stores, counted)


def test_nothing_is_entered_once_it_is_handed_in(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    hand_in(count, by=stores)
    with pytest.raises(Conflict, match="is in the state 'to look over' and cannot be counted on"):
        write(count, spare, stores, 1)
    count_on(count, by=stores)
    assert write(count, spare, stores, 1).counted == 1


def test_a_find_that_is_not_on_the_sheet_is_added(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    found = make.ItemFactory.create(sku="SP-7")
    line = add_line(count, found, by=stores)
    assert add_line(count, found, by=stores).pk == line.pk
    write(count, found, stores, 4)
    write(count, spare, stores, 10)
    assert differences(posted(count, stores)) == [("SP-7", 4, "Scrap", "Main store", "")]
    assert on_hand(found, places.store) == 4


def test_batches_are_counted_one_by_one(places: Places, stores: User) -> None:
    item = make.ItemFactory.create(sku="BT-1", tracking="batch")
    bring(item, places.store, places, 3, batch="B1")
    bring(item, places.store, places, 2, batch="B2")
    count = start_count(places.store, by=stores)
    with pytest.raises(InvalidInput, match="BT-1 is tracked by batch, and none was named"):
        add_line(count, item, by=stores)
    add_line(count, item, by=stores, batch="B3")
    for batch, counted in (("B1", 1), ("B2", 3), ("B3", 6)):
        write(count, item, stores, counted, batch=batch)
    posted(count, stores)
    held = BatchBalance.objects.filter(item=item, location=places.store).order_by("batch")
    assert list(held.values_list("batch", "on_hand")) == [("B1", 1), ("B2", 3), ("B3", 6)]
    assert on_hand(item, places.store) == 10


# Serial numbers

def test_numbers_are_compared_both_ways(places: Places, stores: User) -> None:
    item = cover_with(places, "A1", "A2", "A3")
    elsewhere = make.SerialFactory.create(item=item, number="V1")
    make.MovementFactory.create(item=item, source=places.supplier, destination=places.van, serial=elsewhere)
    count = start_count(places.store, by=stores, blind=False)
    line = write(count, item, stores, serials=["A2", " V1", "N1", "A1", ""])
    assert (line.counted, line.book, line.serials) == (4, 3, ["A1", "A2", "N1", "V1"])
    (row,) = count_review.variance_page(count).rows
    assert (row.line.missing, row.line.unexpected) == (("A3",), ("N1", "V1"))
    assert row.elsewhere == (("N1", "not known"), ("V1", "Van 1"))
    count = posted(count, stores)
    assert sorted(differences(count)) == [
        ("CV-9", 1, "Main store", "Scrap", "A3"), ("CV-9", 1, "Scrap", "Main store", "N1"),
        ("CV-9", 1, "Van 1", "Main store", "V1"),
    ]
    assert [where(n) for n in ("A1", "A2", "A3", "N1", "V1")] == ["Main store"] * 2 + ["Scrap"] + ["Main store"] * 2
    assert on_hand(item, places.store) == 4
    assert line_of(count, item).difference_posted == 1
    notes = Movement.objects.filter(reference=count.number).order_by("kind", "note")
    assert list(notes.values_list("kind", "note")) == [
        ("count", "Found in the count; the number was not known"), ("count", "Not found in the count"),
        ("transfer", "Found in the count; the ledger had it at Van 1"),
    ]


def test_two_numbers_exchanged_are_a_difference_though_the_quantity_agrees(places: Places, stores: User) -> None:
    item = cover_with(places, "A1")
    count = start_count(places.store, by=stores)
    write(count, item, stores, serials=["B1"])
    assert count_review.summary(count).different == 1
    count = posted(count, stores)
    assert (where("A1"), where("B1")) == ("Scrap", "Main store")
    assert line_of(count, item).difference_posted == 0


def test_numbers_are_taken_as_the_ledger_writes_them_and_once(places: Places, stores: User) -> None:
    item = cover_with(places, "Ab1", "Ab2")
    count = start_count(places.store, by=stores)
    assert write(count, item, stores, serials=["AB1", "ab2"]).serials == ["Ab1", "Ab2"]
    with pytest.raises(InvalidInput, match="Serial number Ab1 was given twice"):
        write(count, item, stores, serials=["Ab1", "Ab1"])
    with pytest.raises(InvalidInput, match="CV-9 is tracked by serial number: name each number"):
        write(count, item, stores, 2)


def test_numbers_are_collected_until_the_line_is_entered(places: Places, stores: User, service_manager: User) -> None:
    item = cover_with(places, "A1", "A2")
    count = start_count(places.store, by=stores)
    line = line_of(count, item)
    note_serials(line, ["A1"], by=stores)
    noted = note_serials(line, ["A2", "A1"], by=service_manager)
    assert (noted.serials, noted.counted) == (["A1", "A2"], None)
    assert counting.progress(count).counted == 0
    entered = enter(line, by=stores, version=noted.version, serials=noted.serials)
    assert (entered.counted, entered.book) == (2, 2)
    with pytest.raises(Conflict, match="CV-9 is counted already"):
        note_serials(line, ["A3"], by=stores)


def test_a_number_that_left_while_it_was_counted_is_no_find(places: Places, stores: User) -> None:
    item = cover_with(places, "A1", "A2")
    count = start_count(places.store, by=stores)
    services.record_movement(item, quantity=1, source=places.store, destination=places.van, kind="transfer",
                             by=stores, serial=Serial.objects.get(number="A2"))
    line = write(count, item, stores, serials=["A1", "A2"])
    assert (line.serials, line.counted, line.book) == (["A1"], 1, 1)
    assert differences(posted(count, stores)) == []
    assert where("A2") == "Van 1"


def test_a_newer_movement_of_a_number_stands(places: Places, stores: User) -> None:
    item = cover_with(places, "A1", "A2")
    there = make.SerialFactory.create(item=item, number="V1")
    make.MovementFactory.create(item=item, source=places.supplier, destination=places.van, serial=there)
    count = start_count(places.store, by=stores)
    write(count, item, stores, serials=["A1", "V1"])
    for number, source, destination in (("A2", places.store, places.van), ("V1", places.van, places.store)):
        services.record_movement(item, quantity=1, source=source, destination=destination, kind="transfer",
                                 by=stores, serial=Serial.objects.get(number=number))
    hand_in(count, by=stores)
    assert refusals_ahead(count, by=stores) == ([], ["A2", "V1"])
    post_count(count, by=stores)
    assert differences(count) == []
    assert (where("A2"), where("V1")) == ("Van 1", "Main store")
    assert line_of(count, item).difference_posted == 0


def test_a_number_that_may_not_come_from_where_it_is_is_refused_with_words(places: Places, stores: User) -> None:
    variant = make.VariantFactory.create(cover__sku="CV-5")
    fitted = make.fitted_device(variant=variant).serial
    assert fitted is not None
    far = make.SerialFactory.create(item=variant.cover, number="FAR1")
    make.MovementFactory.create(item=variant.cover, source=places.supplier, destination=places.other_store, serial=far)
    sent = make.SerialFactory.create(item=variant.cover, number="SENT1")
    make.MovementFactory.create(item=variant.cover, source=places.supplier, destination=places.store, serial=sent)
    make.MovementFactory.create(item=variant.cover, source=places.store, serial=sent, kind="transfer",
                                destination=make.TransitPlaceFactory.create())
    waiting = make.SerialFactory.create(item=variant.cover, number="Q1")
    quarantine = make.LocationFactory.create(name="Quarantine N", kind="quarantine", branch=places.store.branch)
    make.MovementFactory.create(item=variant.cover, source=places.supplier, destination=quarantine, serial=waiting)
    count = start_count(places.store, by=stores)
    add_line(count, variant.cover, by=stores)
    write(count, variant.cover, stores, serials=["FAR1", fitted.number, "Q1", "SENT1"])
    hand_in(count, by=stores)
    with pytest.raises(Conflict) as refused:
        post_count(count, by=stores)
    told = str(refused.value)
    assert "serial FAR1 was found here and is at Far store, whose stock is not yours to move" in told
    assert f"serial {fitted.number} was found here and is fitted at a site" in told
    assert "serial SENT1 was found here and is on the way" in told
    assert "serial Q1 was found here and is in Quarantine N in the ledger. Take it back there" in told
    assert Movement.objects.filter(reference=count.number).count() == 0


# Looking over

def test_variances_come_by_value_and_keep_to_the_tolerance(places: Places, spare: Item, stores: User) -> None:
    dear, cheap = make.ItemFactory.create(sku="D-1"), make.ItemFactory.create(sku="C-1")
    bring(dear, places.store, places, 4, cost="80")
    bring(dear, places.store, places, 4, cost="100")
    bring(cheap, places.store, places, 100, cost="0.5")
    count = start_count(places.store, by=stores)
    for item, counted in ((spare, 12), (cheap, 99), (dear, 7)):
        write(count, item, stores, counted)
    rows = count_review.variance_page(count, tolerance=Tolerance(Decimal(2), Decimal(5))).rows
    assert [(r.line.sku, r.line.difference, r.average, r.value, r.beyond) for r in rows] == [
        ("D-1", -1, Decimal(90), Decimal("-90.00"), True), ("C-1", -1, Decimal("0.5"), Decimal("-0.50"), False),
        ("SP-1", 2, None, None, True),
    ]
    first = count_review.variance_page(count, size=1)
    assert [r.line.sku for r in count_review.variance_page(count, size=2, cursor=first.next_cursor).rows] == [
        "C-1", "SP-1"
    ]
    figures = count_review.summary(count)
    assert (figures.lines, figures.counted, figures.right, figures.unpriced) == (3, 3, 0, 1)
    assert (figures.net, figures.absolute, figures.currency) == (Decimal("-90.50"), Decimal("90.50"), "GBP")
    assert sorted(count_review.beyond_tolerance(count, Tolerance(Decimal(2), Decimal(5)))) == sorted(
        [line_of(count, dear).pk, line_of(count, spare).pk]
    )


def test_a_recount_keeps_the_first_number_and_hides_it_until_the_second(places: Places, spare: Item, stores: User,
                                                                     service_manager: User) -> None:
    count = start_count(places.store, by=stores)
    line = write(count, spare, stores, 7)
    hand_in(count, by=stores)
    ask_recount(count, [line.pk], by=stores)
    count.refresh_from_db()
    assert count.state == "counting"
    (row,) = counting.line_page(count, only="recount").rows
    assert (row.counted, row.first_counted, row.book, row.by) == (None, None, None, "Stores manager NB")
    again = write(count, spare, service_manager, 10)
    assert (again.first_counted, again.counted, again.book, again.recount_asked) == (7, 10, 10, False)
    assert differences(posted(count, stores)) == []
    with pytest.raises(Conflict, match="cannot be counted again"):
        ask_recount(count, [line.pk], by=stores)


def test_a_recount_of_nothing_is_refused(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    with pytest.raises(InvalidInput, match="No line was chosen that is counted"):
        ask_recount(count, [line_of(count, spare).pk], by=stores)


def test_lines_that_nobody_counted_are_never_zero_by_themselves(places: Places, spare: Item, stores: User) -> None:
    other = make.ItemFactory.create(sku="SP-2")
    bring(other, places.store, places, 4)
    count = start_count(places.store, by=stores)
    hand_in(count, by=stores)
    with pytest.raises(Conflict, match=r"2 lines of count CT-\d+ not counted yet"):
        post_count(count, by=stores)
    count_zero(count, [line_of(count, other).pk], by=stores)
    with pytest.raises(Conflict, match="1 line of count"):
        post_count(count, by=stores)
    with pytest.raises(InvalidInput, match="No line was chosen that is not counted"):
        count_zero(count, [line_of(count, other).pk], by=stores)
    post_count(count, by=stores, leave_uncounted=True)
    assert (on_hand(spare, places.store), on_hand(other, places.store)) == (10, 0)
    assert line_of(count, spare).difference_posted is None


def test_movements_meanwhile_are_told_with_the_line(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    services.record_movement(spare, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores)
    line = write(count, spare, stores, 9)
    services.record_movement(spare, quantity=1, source=places.store, destination=places.van, kind="transfer", by=stores)
    told = counting.meanwhile(count, [line])[line.pk]
    assert [(m.quantity, m.came, m.other, m.kind) for m in told] == [(2, False, "Van 1", "transferred")]
    assert count_review.variance_page(count).rows[0].moved == told


def test_a_movement_posted_late_for_an_earlier_time_is_found(places: Places, spare: Item, stores: User) -> None:
    """The van took two at ten, the shelf was counted at eleven, and the van's posting arrived at twelve."""
    count = start_count(places.store, by=stores)
    write(count, spare, stores, 8)
    assert count_review.variance_page(count).rows[0].late == 0
    services.record_movement(spare, quantity=1, source=places.store, destination=places.van, kind="transfer", by=stores)
    assert count_review.variance_page(count).rows[0].late == 0
    services.record_movement(spare, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores,
                             at=timezone.now() - timedelta(hours=1))
    assert count_review.variance_page(count).rows[0].late == -2


# Posting

def test_what_is_promised_stays_and_nothing_is_half_posted(places: Places, spare: Item, stores: User) -> None:
    fine = make.ItemFactory.create(sku="A-1")
    bring(fine, places.store, places, 5)
    services.reserve(spare, places.store, quantity=8, needed_on=timezone.localdate(), reference="visit 12", by=stores)
    count = start_count(places.store, by=stores)
    write(count, fine, stores, 4)
    write(count, spare, stores, 7)
    hand_in(count, by=stores)
    with pytest.raises(Conflict) as refused:
        post_count(count, by=stores)
    assert str(refused.value) == (
        f"Nothing of count {count.number} was posted. SP-1: 7 pc would be left at Main store, and 8 are promised to "
        "visit 12 (8). Release a reservation on the item's page, or have the line counted again. See to these lines, "
        "then post again."
    )
    assert (on_hand(fine, places.store), on_hand(spare, places.store)) == (5, 10)
    services.release_reservation(spare.reservations.get(), by=stores)
    post_count(count, by=stores)
    assert (on_hand(fine, places.store), on_hand(spare, places.store)) == (4, 7)


def test_a_loss_that_has_left_since_is_refused(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    write(count, spare, stores, 4)
    services.record_movement(spare, quantity=7, source=places.store, destination=places.van, kind="transfer", by=stores)
    hand_in(count, by=stores)
    with pytest.raises(Conflict, match="Main store holds 3 pc now, and 6 would leave it"):
        post_count(count, by=stores)
    batched = make.ItemFactory.create(tracking="batch")
    bring(batched, places.van, places, 3, batch="B1")
    bring(batched, places.van, places, 9, batch="B2")
    van = start_count(places.van, by=stores)
    write(van, batched, stores, 0, batch="B1")
    services.record_movement(batched, quantity=2, source=places.van, destination=places.store, kind="transfer",
                             by=stores, batch="B1")
    hand_in(van, by=stores)
    with pytest.raises(Conflict, match="Van 1 holds 1 pc of batch B1 now, and 3 would leave it"):
        post_count(van, by=stores, leave_uncounted=True)


def test_posting_twice_posts_once(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    write(count, spare, stores, 7)
    posted(count, stores)
    assert post_count(count, by=stores).state == "posted"
    assert on_hand(spare, places.store) == 7
    assert len(differences(count)) == 1


def test_a_count_is_posted_after_it_was_looked_over(places: Places, spare: Item, stores: User) -> None:
    count = start_count(places.store, by=stores)
    write(count, spare, stores, 7)
    with pytest.raises(Conflict, match=r"is still being counted\. Finish the counting first"):
        post_count(count, by=stores)
    cancel_count(count, by=stores)
    with pytest.raises(Conflict, match="is in the state 'cancelled' and cannot be posted"):
        post_count(count, by=stores)
    assert on_hand(spare, places.store) == 10


# What the shelf really holds decides, whatever moves meanwhile

MOVES = st.lists(st.tuples(st.integers(0, 2), st.sampled_from(["out", "in", "count"]), st.integers(1, 4)), max_size=14)


@given(lost=st.lists(st.integers(-4, 4), min_size=3, max_size=3), moves=MOVES)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_after_posting_the_ledger_is_what_the_shelf_holds(
    lost: list[int], moves: list[tuple[int, str, int]], places: Places, stores: User
) -> None:
    """Three items, each off by some pieces; movements of shelf and ledger alike fall between start, entries and
    posting in any order. Whoever counts writes what lies there at that moment."""
    with transaction.atomic():
        items = [make.ItemFactory.create() for _ in lost]
        shelf = []
        for item, off in zip(items, lost, strict=True):
            bring(item, places.store, places, 20)
            bring(item, places.van, places, 60)
            shelf.append(20 + off)
        count = start_count(places.store, by=stores)
        done: set[int] = set()
        for which, what, quantity in [*moves, (0, "count", 1), (1, "count", 1), (2, "count", 1)]:
            item = items[which]
            if what == "count":
                write(count, item, stores, shelf[which])
                done.add(which)
            elif what == "in" or min(shelf[which], on_hand(item, places.store) - 4) >= quantity:
                out = what == "out"
                services.record_movement(
                    item, quantity=quantity, source=places.store if out else places.van,
                    destination=places.van if out else places.store, kind="transfer", by=stores,
                )
                shelf[which] += -quantity if out else quantity
        assert done == {0, 1, 2}
        posted(count, stores)
        assert [on_hand(item, places.store) for item in items] == shelf
        transaction.set_rollback(True)


@given(data=st.data())
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_after_posting_the_ledger_has_the_numbers_of_the_shelf(data: st.DataObject, places: Places,
                                                              stores: User) -> None:
    """The same of numbers: some of the shelf unknown or in the van by the ledger, some of the ledger's not there."""
    with transaction.atomic():
        names = [f"N{n}" for n in range(6)]
        ledger = {n: data.draw(st.sampled_from(["store", "van", ""]), label=f"ledger {n}") for n in names}
        shelf = {n for n in names if data.draw(st.booleans(), label=f"on the shelf {n}")}
        item = make.CoverFactory.create()
        for number, place in ledger.items():
            if place:
                serial = make.SerialFactory.create(item=item, number=number)
                make.MovementFactory.create(item=item, source=places.supplier, serial=serial,
                                            destination=places.store if place == "store" else places.van)
        make.StockLevelFactory.create(item=item, location=places.store)
        count = start_count(places.store, by=stores)

        def somebody_moves() -> None:
            for number in data.draw(st.lists(st.sampled_from(names), max_size=3, unique=True), label="moved"):
                serial = Serial.objects.filter(number=number, item=item).first()
                out = number in shelf
                # People move what they hold, and only what the ledger has there too.
                if serial is not None and serial.location == (places.store if out else places.van):
                    services.record_movement(
                        item, quantity=1, serial=serial, source=places.store if out else places.van,
                        destination=places.van if out else places.store, kind="transfer", by=stores,
                    )
                    (shelf.discard if out else shelf.add)(number)

        somebody_moves()
        write(count, item, stores, serials=sorted(shelf))
        somebody_moves()
        posted(count, stores)
        here = set(Serial.objects.filter(item=item, location=places.store).values_list("number", flat=True))
        assert here == shelf
        assert on_hand(item, places.store) == len(shelf)
        transaction.set_rollback(True)


# Over time

def test_history_shows_accuracy_and_value_and_what_is_due(places: Places, spare: Item, stores: User) -> None:
    dear = make.ItemFactory.create()
    bring(dear, places.store, places, 4, cost="80")
    count = start_count(places.store, by=stores)
    write(count, dear, stores, 3)
    write(count, spare, stores, 10)
    posted(count, stores)
    bring(dear, places.store, places, 4, cost="200")
    (row,) = count_review.count_page(stores).rows
    assert (row.number, row.state, row.lines, row.counted) == (count.number, "posted", 2, 2)
    assert (row.accuracy, row.net, row.absolute) == (Decimal("50.0"), Decimal("-80.00"), Decimal("80.00"))
    bring(spare, places.van, places)
    store, van = (next(r for r in count_due.count_places(stores) if r.id == p.pk) for p in (places.store, places.van))
    today = timezone.localdate()
    assert (store.items, store.due, store.next_on, store.mine) == (2, 0, today + timedelta(days=180), True)
    assert (van.items, van.due, van.next_on, van.last_at) == (1, 1, today, None)


# How much is asked of the database

def big_count(places: Places, by: User, lines: int) -> StockCount:
    items = [make.ItemFactory.create() for _ in range(lines)]
    for item in items:
        bring(item, places.store, places, 10, cost="2")
    cover = cover_with(places, *[f"L{lines}-{n}" for n in range(lines)], sku=f"CV-L{lines}")
    count = start_count(places.store, by=by)
    for item in items:
        write(count, item, by, 8)
    write(count, cover, by, serials=[f"M{lines}-{n}" for n in range(lines)])
    return count


def test_reads_and_posting_take_the_same_number_of_statements_for_any_number_of_lines(
    places: Places, stores: User
) -> None:
    seen: list[dict[str, int]] = []
    for size in (1, 3):
        count = big_count(places, stores, size)
        acts: dict[str, Any] = {
            "items": lambda: count_due.items_to_count(places.store, Choice()),
            "page": lambda count=count: counting.line_page(count),
            "variances": lambda count=count: count_review.variance_page(count),
            "summary": lambda count=count: count_review.summary(count),
            "counts": lambda: count_review.count_page(stores),
            "places": lambda: count_due.count_places(stores),
            "hand in": lambda count=count: hand_in(count, by=stores),
            "post": lambda count=count: post_count(count, by=stores, leave_uncounted=True),
        }
        taken = {}
        for name, act in acts.items():
            with CaptureQueriesContext(connection) as statements:
                act()
            taken[name] = len(statements)
        seen.append(taken)
    assert seen[0] == seen[1]
    assert {k: seen[0][k] for k in ("items", "page", "variances", "summary", "counts", "places")} == {
        "items": 2, "page": 1, "variances": 6, "summary": 2, "counts": 2, "places": 4
    }


def test_nothing_else_of_the_balance_changes(places: Places, spare: Item, stores: User) -> None:
    services.reserve(spare, places.store, quantity=3, needed_on=timezone.localdate(), reference="visit 1", by=stores)
    count = start_count(places.store, by=stores)
    write(count, spare, stores, 12)
    posted(count, stores)
    assert balance(spare, places.store) == (12, 3, 0, 0)
