"""Complete detectors: which parts count where, the page, and the endpoints."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import InvalidInput
from stock import services
from stock.models import Item, Variant
from stock.queries.kits import Place, available_at, best_mix, find_place, kits_at
from stock.queries.kits import places as places_of
from tests.conftest import api_client, logged_in
from tests.stock.conftest import Places
from tests.stock.test_pages import text_of

DAY = date(2026, 12, 1)


def put(item: Item, quantity: int, places: Places, location: Any = None) -> Item:
    make.MovementFactory.create(
        item=item, quantity=quantity, source=places.supplier, destination=location or places.store
    )
    return item


def part(sku: str, quantity: int, places: Places) -> Item:
    item: Item = make.ItemFactory.create(sku=sku, name=f"Part {sku}")
    return put(item, quantity, places) if quantity else item


def variant(code: str, *parts: tuple[Item, int]) -> Variant:
    made: Variant = make.VariantFactory.create(code=code, name=f"Detector {code}")
    for item, quantity in parts:
        make.KitLineFactory.create(variant=made, item=item, quantity=quantity)
    return made


@pytest.fixture
def two(places: Places) -> tuple[Variant, Variant]:
    """Two variants that share a backplate, of which there are five."""
    plate = part("PLATE", 5, places)
    return (
        variant("AA", (part("COVER-A", 4, places), 1), (plate, 1)),
        variant("BB", (part("COVER-B", 9, places), 1), (plate, 1), (part("LENS", 4, places), 2)),
    )


def at_store(places: Places) -> Place:
    return Place(f"l{places.store.pk}", "Main store", location_id=places.store.pk)


def of_branch(branch: Branch) -> Place:
    return Place(f"b{branch.pk}", branch.name, branch_id=branch.pk)


def test_each_alone_with_its_bottleneck_and_what_more_would_take(two: Any, places: Places) -> None:
    found = kits_at(at_store(places), more=3)
    first, second = found.rows
    assert (first.code, first.count, [p.sku for p in first.bottleneck]) == ("AA", 4, ["COVER-A"])
    assert (first.next_count, [p.sku for p in first.next_bottleneck]) == (5, ["PLATE"])
    assert {line.part.sku: line.pieces for line in first.missing} == {"COVER-A": 3, "PLATE": 2}
    assert (second.code, second.count, [p.sku for p in second.bottleneck]) == ("BB", 2, ["LENS"])
    assert {line.part.sku: line.pieces for line in second.missing} == {"LENS": 6}


def test_what_is_promised_is_not_there(two: Any, places: Places, stores: User, branch: Branch) -> None:
    plate = Item.objects.get(sku="PLATE")
    services.reserve(plate, places.store, quantity=2, needed_on=DAY, reference="visit 1", by=stores)
    assert available_at(at_store(places), [plate.pk]) == {plate.pk: 3}
    # Promised from what is on order, and nothing is: it must come from what is there.
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store, expected_on=DAY)
    make.OrderLineFactory.create(order=order, item=plate, quantity=4)
    services.reserve(plate, places.store, quantity=5, needed_on=DAY, reference="visit 2", ahead=True, by=stores)
    assert available_at(at_store(places), [plate.pk]) == {plate.pk: 2}
    assert available_at(of_branch(branch), [plate.pk]) == {plate.pk: 2}
    # With the order: 3 + 4 on hand and coming, 5 promised.
    assert available_at(of_branch(branch), [plate.pk], until=DAY) == {plate.pk: 2}
    assert available_at(of_branch(branch), [plate.pk], until=date(2026, 11, 30)) == {plate.pk: 2}


def test_a_branch_has_all_its_stores_and_what_orders_bring_by_the_day(
    two: Any, places: Places, branch: Branch
) -> None:
    plate = Item.objects.get(sku="PLATE")
    put(plate, 2, places, make.LocationFactory.create(branch=branch, name="Annexe"))
    put(plate, 7, places, places.van)
    put(plate, 8, places, places.other_store)
    for destination, state, day in (
        (places.store, "placed", DAY), (places.store, "draft", DAY), (places.other_store, "placed", DAY),
        (places.store, "placed", date(2026, 12, 2)),
    ):
        order = make.OrderFactory.create(
            supplier=places.firm, destination=destination, state=state, expected_on=day
        )
        make.OrderLineFactory.create(order=order, item=plate, quantity=3)
    assert available_at(of_branch(branch), [plate.pk]) == {plate.pk: 7}
    assert available_at(of_branch(branch), [plate.pk], until=DAY) == {plate.pk: 10}
    assert available_at(Place("", "", location_id=places.van.pk), [plate.pk], until=DAY) == {plate.pk: 7}


def test_the_mix_respects_shared_parts(two: tuple[Variant, Variant], places: Places) -> None:
    first, second = two
    found = kits_at(at_store(places))
    answer = best_mix(found, [(first.pk, 4, 1), (second.pk, 4, 1)])
    # Five backplates: as evenly as the two lenses of each of the second allow.
    assert [(line.code, line.made, line.short) for line in answer.lines] == [("AA", 3, 1), ("BB", 2, 2)]
    assert (answer.made, answer.wanted, answer.proven) == (5, 8, True)
    assert [(gain.part.sku, gain.more) for gain in answer.gains] == [("PLATE", 1)]
    assert {line.part.sku: line.pieces for line in answer.shopping} == {"PLATE": 3, "LENS": 4}
    assert {line.part.sku: line.pieces for line in answer.unused} == {"COVER-A": 1, "COVER-B": 7}
    urgent = best_mix(found, [(first.pk, 4, 2), (second.pk, 4, 1)])
    assert [(line.priority, line.made) for line in urgent.priorities] == [(1, 2), (2, 3)]
    with pytest.raises(InvalidInput):
        best_mix(found, [(first.pk + 999, 1, 1)])


@pytest.mark.parametrize("variants", [1, 3])
def test_statements_do_not_grow_with_the_variants(variants: int, places: Places, branch: Branch) -> None:
    for number in range(variants):
        variant(f"V{number}", (part(f"P{number}", 3, places), 1))
    make.VariantFactory.create(code="ZZ")
    with CaptureQueriesContext(connection) as seen:
        found = kits_at(of_branch(branch), until=DAY)
    assert (len(found.rows), found.without, len(seen)) == (variants, ("ZZ",), 4)
    with CaptureQueriesContext(connection) as seen:
        kits_at(at_store(places))
    assert len(seen) == 3


def test_people_see_their_own_places(places: Places, branch: Branch, other_branch: Branch, stores: User,
                                     engineer: User, service_manager: User) -> None:
    assert [place.name for place in places_of(stores)] == [
        "Main store", "Van 1", "Northbeck: all stores, and what is on order"
    ]
    assert {place.key for place in places_of(service_manager)} >= {f"b{other_branch.pk}", f"l{places.other_store.pk}"}
    with pytest.raises(InvalidInput):
        find_place(stores, f"l{places.other_store.pk}")
    with pytest.raises(InvalidInput):
        find_place(engineer, f"b{other_branch.pk}")


def test_the_page_computes_what_is_wanted(two: tuple[Variant, Variant], places: Places, stores: User) -> None:
    first, second = two
    client = logged_in(stores)
    text = text_of(client.get("/stock/kits/"))
    assert "AA Detector AA, grade 2 4 COVER-A PLATE at 5" in text
    assert "Best mix" not in text
    address = f"/stock/kits/?place=l{places.store.pk}&wanted-{first.pk}=4&wanted-{second.pk}=4&priority-{second.pk}=2"
    text = text_of(client.get(address))
    assert "Best mix: 5 of 8 wanted" in text
    assert "Priority 1: 4 of 4. Priority 2: 1 of 4." in text
    assert "One more PLATE ( Part PLATE ) would make 1 more possible" in text.replace("(Part PLATE)", "( Part PLATE )")


def test_what_is_wrong_is_said_at_its_line(two: tuple[Variant, Variant], places: Places, stores: User) -> None:
    client = logged_in(stores)
    for value in ("-1", "two", "100001"):
        answer = client.get(f"/stock/kits/?place=l{places.store.pk}&wanted-{two[0].pk}={value}")
        assert (answer.status_code, "Write a whole number from 0 to 100,000" in text_of(answer)) == (400, True)
    assert client.get(f"/stock/kits/?place=l{places.other_store.pk}").status_code == 400
    assert client.get(f"/stock/kits/?wanted-{two[1].pk + 999}=3").status_code == 400
    assert client.get(f"/stock/kits/?wanted-{two[0].pk}=0").status_code == 200


def test_without_any_place_the_page_says_so(service_manager: User) -> None:
    assert "No store or van yet" in text_of(logged_in(service_manager).get("/stock/kits/"))


def test_the_page_in_few_statements(two: Any, places: Places, stores: User) -> None:
    client = logged_in(stores)
    client.get("/stock/kits/")
    with CaptureQueriesContext(connection) as seen:
        client.get("/stock/kits/")
    assert len(seen) == 9


def test_the_endpoints(two: tuple[Variant, Variant], places: Places, stores: User) -> None:
    first, second = two
    client = api_client(stores)
    place = f"l{places.store.pk}"
    rows = client.get("/api/kits/", {"place": place, "more": 1}).json()
    assert [(row["code"], row["count"], row["next_count"]) for row in rows] == [("AA", 4, 5), ("BB", 2, 5)]
    wanted = [{"variant": first.pk, "number": 4}, {"variant": second.pk, "number": 4, "priority": 2}]
    answer = client.post("/api/kits/mix/", {"place": place, "wanted": wanted}, format="json").json()
    assert answer["proven"] is True
    assert [(line["code"], line["made"]) for line in answer["lines"]] == [("AA", 4), ("BB", 1)]
    assert answer["priorities"] == [
        {"priority": 1, "wanted": 4, "made": 4, "at_most": 4}, {"priority": 2, "wanted": 4, "made": 1, "at_most": 1},
    ]
    for bad in (
        {"place": place, "wanted": []}, {"place": "x1", "wanted": wanted}, {"place": place, "wanted": wanted * 2},
        {"place": f"l{places.other_store.pk}", "wanted": wanted},
        {"place": place, "wanted": [{"variant": first.pk + 999, "number": 1}]},
        {"place": place, "wanted": [{"variant": first.pk, "number": 0}]},
    ):
        assert client.post("/api/kits/mix/", bad, format="json").status_code == 400
    assert client.get("/api/kits/").status_code == 400
