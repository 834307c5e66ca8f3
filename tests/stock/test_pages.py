"""The stock pages: what they show, to whom, in how many statements, and how the transfer form behaves."""

from __future__ import annotations

import html
import re
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, User
from config.accounts.rights import Role
from config.demo import factories as make
from stock import places as registry
from stock import queries, services
from stock.models import Item, Location, Movement, Serial
from stock.places import PlaceText
from tests.conftest import logged_in, person
from tests.stock.conftest import Places, on_hand


def text_of(answer: Any) -> str:
    """The page as a person reads it."""
    body = re.sub(r"<[^>]+>", " ", answer.content.decode())
    return re.sub(r"\s+", " ", html.unescape(body))


def statements(client: Any, address: str) -> int:
    with CaptureQueriesContext(connection) as seen:
        assert client.get(address).status_code == 200
    return len(seen)


def stocked(name: str, places: Places, *, minimum: int = 0, quantity: int = 1, **fields: Any) -> Item:
    item = make.ItemFactory.create(name=name, **fields)
    if quantity:
        make.MovementFactory.create(item=item, quantity=quantity, source=places.supplier, destination=places.store)
    if minimum:
        make.StockLevelFactory.create(item=item, location=places.store, minimum=minimum, target=minimum * 2)
    return item


def shown(user: User, **wanted: Any) -> list[tuple[str, str]]:
    return [(row.name, row.location) for row in queries.level_page(user, **wanted).rows]


def test_levels_show_below_level_first_then_by_name(places: Places, stores: User) -> None:
    stocked("Bracket", places, quantity=9, minimum=5)
    stocked("Anchor", places)
    stocked("Zip tie", places, quantity=2, minimum=5)
    stocked("Lens", places, quantity=0, minimum=1)
    assert shown(stores) == [
        ("Lens", "Main store"), ("Zip tie", "Main store"), ("Anchor", "Main store"), ("Bracket", "Main store")
    ]
    assert shown(stores, below_only=True) == [("Lens", "Main store"), ("Zip tie", "Main store")]


def test_level_row_counts(spare: Item, places: Places, stores: User) -> None:
    make.StockLevelFactory.create(item=spare, location=places.store, minimum=8, target=20)
    services.reserve(spare, places.store, quantity=4, needed_on=date(2026, 12, 1), reference="visit 1", by=stores)
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
    line = make.OrderLineFactory.create(order=order, item=spare, quantity=1)
    (row,) = queries.level_page(stores).rows
    assert (row.on_hand, row.reserved, row.available, row.on_order, row.minimum, row.target, row.shortfall) == (
        10, 4, 6, 1, 8, 20, 2
    )
    assert (row.below, row.covered) == (True, False)
    line.quantity = 2
    line.save()
    (row,) = queries.level_page(stores).rows
    assert (row.below, row.covered) == (True, True)


def test_levels_page_reads_well(spare: Item, places: Places, stores: User) -> None:
    make.StockLevelFactory.create(item=spare, location=places.store, minimum=12, target=20)
    answer = logged_in(stores).get("/stock/")
    assert "Tamper spring SP-1 · Spare part Main store 10 pc 0 pc 10 pc 0 pc 12 pc Short by 2" in text_of(answer)
    assert f'href="/stock/items/{spare.pk}/"' in answer.content.decode()


def test_levels_filter_by_family_kind_and_location(places: Places, stores: User) -> None:
    family = make.FamilyFactory.create()
    stocked("Cover plate", places, family=family)
    board = stocked("Board", places, kind="board")
    make.MovementFactory.create(item=board, source=places.store, destination=places.van, kind="transfer")
    assert shown(stores, family=family.pk) == [("Cover plate", "Main store")]
    assert shown(stores, kind="board") == [("Board", "Van 1")]
    assert shown(stores, location=places.store.pk) == [("Cover plate", "Main store")]
    assert shown(stores, location=places.store.pk, kind="board") == []
    page = text_of(logged_in(stores).get("/stock/", {"kind": "board", "location": places.van.pk}))
    assert "Board SKU-" in page
    assert "Cover plate" not in page
    assert "Nothing fits these filters." in text_of(logged_in(stores).get("/stock/", {"kind": "cable"}))


def test_levels_page_without_stock_says_what_would_fill_it(stores: User) -> None:
    assert "No stock yet: it appears here once a delivery is received" in text_of(logged_in(stores).get("/stock/"))


def test_foreign_filter_values_are_explained(places: Places, stores: User) -> None:
    for wrong in ({"kind": "gold"}, {"location": places.other_store.pk}, {"family": "x"}, {"location": "9" * 30}):
        answer = logged_in(stores).get("/stock/", wrong)
        assert answer.status_code == 400
        assert "A filter has a value that is not in its list." in text_of(answer)
    assert logged_in(stores).get("/stock/", {"cursor": "nonsense"}).status_code == 400


def test_htmx_gets_only_the_list(spare: Item, stores: User) -> None:
    part = logged_in(stores).get("/stock/", headers={"HX-Request": "true"}).content.decode()
    assert "<table" in part
    assert "<html" not in part


def test_keyset_walks_every_row_once(places: Places, stores: User) -> None:
    # Equal names and ranks on purpose: only the key tells them apart.
    for n in range(23):
        stocked(f"Part {n % 3}", places, quantity=n % 4 + 1, minimum=3 if n % 2 else 0)
    whole = [(r.item_id, r.location_id) for r in queries.level_page(stores, size=200).rows]
    walked: list[tuple[int, int]] = []
    cursor = None
    while True:
        page = queries.level_page(stores, cursor=cursor, size=4)
        walked += [(r.item_id, r.location_id) for r in page.rows]
        cursor = page.next_cursor
        if cursor is None:
            break
    assert len(whole) == 23
    assert walked == whole


def test_pager_of_the_page_reaches_the_second_page(places: Places, stores: User) -> None:
    for n in range(51):
        stocked(f"Part {n:02}", places, kind="spare")
    first = logged_in(stores).get("/stock/", {"kind": "spare"})
    (address,) = re.findall(r'href="(\?[^"]*cursor=[^"]*)"', first.content.decode())
    second = text_of(logged_in(stores).get("/stock/" + html.unescape(address)))
    assert "Part 50" in second
    assert "Part 49" not in second


def test_each_sees_the_stock_of_their_branch(
    places: Places, branch: Branch, other_branch: Branch, stores: User, engineer: User, service_manager: User,
    stranger: User,
) -> None:
    item = make.ItemFactory.create(name="Lens")
    second_van = make.VanFactory.create(code="van2", name="Van 2", branch=branch)
    for location in (places.store, places.van, second_van, places.other_store):
        make.MovementFactory.create(item=item, source=places.supplier, destination=location)
    seen = {user: [place for _, place in shown(user)] for user in (stores, engineer, service_manager, stranger)}
    assert seen == {
        stores: ["Main store", "Van 1", "Van 2"],
        engineer: ["Main store", "Van 1"],
        service_manager: ["Far store", "Main store", "Van 1", "Van 2"],
        stranger: ["Far store"],
    }
    page = text_of(logged_in(stranger).get(f"/stock/items/{item.pk}/"))
    assert "Far store" in page
    for hidden in ("Main store", "Van 1", "Van 2"):
        assert hidden not in page


def test_levels_page_takes_a_fixed_number_of_statements(places: Places, stores: User) -> None:
    client = logged_in(stores)
    make.StockLevelFactory.create(item=stocked("A", places), location=places.van)
    one = statements(client, "/stock/")
    for name in "BCD":
        item = stocked(name, places, family=make.FamilyFactory.create())
        make.StockLevelFactory.create(item=item, location=places.van)
    # Session, user, families, locations, the rows below level and the others, the ledger's alarm; the branch named in
    # the head of the page.
    assert (one, statements(client, "/stock/")) == (8, 8)


def full_item(places: Places, by: User, *, rows: int) -> Item:
    """An item with so many serials here and at sites, movements, orders and reservations."""
    variant = make.VariantFactory.create()
    item = variant.cover
    for _ in range(rows):
        fresh = make.SerialFactory.create(item=item)
        make.MovementFactory.create(item=item, source=places.supplier, destination=places.store, serial=fresh)
        make.fitted_device(variant=variant)
        services.reserve(item, places.store, quantity=1, needed_on=date(2026, 12, 1), reference="visit", by=by)
        order = make.OrderFactory.create(supplier=places.firm, destination=places.store)
        make.OrderLineFactory.create(order=order, item=item)
    return item


def test_item_page_shows_each_part(spare: Item, places: Places, stores: User) -> None:
    services.record_movement(
        spare, quantity=3, source=places.store, destination=places.van, kind="transfer", by=stores, reference="round 7"
    )
    services.reserve(spare, places.store, quantity=2, needed_on=date(2026, 12, 3), reference="visit 41", by=stores)
    order = services.make_order(supplier=places.firm, destination=places.store, lines={spare: 6}, by=stores)
    services.place_order(order, by=stores, ordered_on=date(2026, 11, 25))
    page = text_of(logged_in(stores).get(f"/stock/items/{spare.pk}/"))
    for part in (
        "On hand 10 pc Available 8 pc",
        "Main store Store 7 pc 2 pc 5 pc 6 pc none set No level",
        "Van 1 Van 3 pc 0 pc 3 pc 0 pc none set No level",
        f"{order.number} Wholesaler Main store 6 of 6 30 Nov 2026",
        "visit 41 Main store 2 pc 3 Dec 2026",
        "Transferred 3 pc Main store Van 1 round 7 Stores manager NB",
    ):
        assert part in page
    assert "Serial numbers" not in page


def test_corrected_movements_are_marked(spare: Item, places: Places, stores: User) -> None:
    moved = services.record_movement(
        spare, quantity=3, source=places.store, destination=places.van, kind="transfer", by=stores
    )
    services.correct_movement(moved, by=stores, note="wrong van")
    rows = queries.movement_page(stores, spare).rows
    assert [(r.kind, r.corrected, r.note) for r in rows] == [
        ("Correction", False, "wrong van"), ("Transferred", True, ""), ("Received", False, "")
    ]


@pytest.fixture
def lookup(monkeypatch: pytest.MonkeyPatch) -> list[tuple[set[int], User]]:
    """A registered lookup that knows the first fitted serial only, and notes what it was asked."""
    asked: list[tuple[set[int], User]] = []

    def answer(serial_ids: Any, user: User) -> dict[int, PlaceText]:
        asked.append((set(serial_ids), user))
        first = min(serial_ids)
        address = "/sites/1/" if user.role == Role.SERVICE_MANAGER else None
        return {first: PlaceText("S-0001 Corner shop: D1 Till", address)}

    monkeypatch.setattr(registry, "SERIAL_PLACES", answer)
    return asked


# Session, user (and the branch), item, balances, movements, serials, orders, reservations; the transfer form's three
# (places twice, serials in stock) for those who may move stock.
@pytest.mark.parametrize(("reader", "stated"), [("stores", 12), ("service_manager", 11), ("engineer", 9)])
def test_item_page_takes_its_stated_number_of_statements(
    reader: str, stated: int, places: Places, stores: User, lookup: object, request: pytest.FixtureRequest
) -> None:
    client = logged_in(request.getfixturevalue(reader))
    counts = []
    for rows in (1, 3):
        item = full_item(places, stores, rows=rows)
        counts.append(statements(client, f"/stock/items/{item.pk}/"))
    assert counts == [stated, stated]


def test_item_page_asks_for_fitted_serials_in_a_fixed_number_of_statements(
    places: Places, service_manager: User
) -> None:
    """With the lookup that the installs app registers."""
    client = logged_in(service_manager)
    counts = []
    for rows in (1, 3):
        item = full_item(places, service_manager, rows=rows)
        counts.append(statements(client, f"/stock/items/{item.pk}/"))
    assert counts[0] == counts[1]


def test_serials_say_where_they_are(
    serial: Serial, places: Places, stores: User, service_manager: User, lookup: list[tuple[set[int], User]]
) -> None:
    variant = make.VariantFactory.create(cover=serial.item)
    known, unknown = (make.fitted_device(variant=variant).serial for _ in range(2))
    make.SerialFactory.create(item=serial.item, number="Z9")
    rows = queries.serial_page(stores, serial.item).rows
    assert {row.number: (row.place.text, row.place.url, row.fitted) for row in rows} == {
        "A100": ("Main store", None, False),
        known.number: ("S-0001 Corner shop: D1 Till", None, True),
        unknown.number: ("Fitted at a site", None, True),
        "Z9": ("Never received", None, False),
    }
    assert lookup == [({known.pk, unknown.pk}, stores)]

    page = logged_in(service_manager).get(f"/stock/items/{serial.item_id}/").content.decode()
    assert '<a href="/sites/1/">S-0001 Corner shop: D1 Till</a>' in page
    page = logged_in(stores).get(f"/stock/items/{serial.item_id}/").content.decode()
    assert "S-0001 Corner shop: D1 Till" in page
    assert "/sites/1/" not in page


def test_serials_are_found_by_their_beginning(serial: Serial, stores: User) -> None:
    for number in ("a1001", "B100"):
        make.SerialFactory.create(item=serial.item, number=number)
    found = [row.number for row in queries.serial_page(stores, serial.item, number="A10").rows]
    assert sorted(found) == ["A100", "a1001"]
    page = text_of(logged_in(stores).get(f"/stock/items/{serial.item_id}/", {"serial": "B1"}))
    assert "B100 Never received" in page
    assert "A100 Main store" not in page


def test_serials_and_movements_page_on_their_own(places: Places, stores: User, cover: Item) -> None:
    for n in range(21):
        made = make.SerialFactory.create(item=cover, number=f"N{n:02}")
        make.MovementFactory.create(item=cover, source=places.supplier, destination=places.store, serial=made)
    client = logged_in(stores)
    body = client.get(f"/stock/items/{cover.pk}/").content.decode()
    (serials,) = re.findall(r'href="(\?serials=[^"#]*)#serials"', body)
    (movements,) = re.findall(r'href="(\?cursor=[^"]*)"', body)
    found = queries.item_detail(stores, cover.pk)
    assert [r.number for r in found.serials.rows] == [f"N{n:02}" for n in range(20)]
    second = client.get(f"/stock/items/{cover.pk}/{serials}").context["detail"]
    assert [r.number for r in second.serials.rows] == ["N20"]
    assert second.movements.rows[0].serial == "N20"
    older = client.get(f"/stock/items/{cover.pk}/{movements}").context["detail"]
    assert [r.serial for r in older.movements.rows] == ["N00"]


def test_unknown_item_is_not_found(stores: User, places: Places) -> None:
    for key in (999_999_999, 10**30):
        assert logged_in(stores).get(f"/stock/items/{key}/").status_code == 404
        assert logged_in(stores).get(f"/stock/items/{key}/transfer/").status_code == 404


def token_in(answer: Any) -> str:
    (token,) = re.findall(r'name="token" value="(\w+)"', answer.content.decode())
    return str(token)


def test_transfer_from_the_item_page_posts_once(spare: Item, places: Places, stores: User) -> None:
    client = logged_in(stores)
    token = token_in(client.get(f"/stock/items/{spare.pk}/"))
    form = {"source": places.store.pk, "destination": places.van.pk, "quantity": 3, "note": "for Monday",
            "token": token}
    for _ in range(2):
        answer = client.post(f"/stock/items/{spare.pk}/transfer/", form)
        assert (answer.status_code, answer["Location"]) == (302, f"/stock/items/{spare.pk}/")
    moved = Movement.objects.get(kind="transfer")
    assert (moved.quantity, moved.note, moved.posted_by) == (3, "for Monday", stores)
    assert on_hand(spare, places.van) == 3
    assert text_of(client.get(f"/stock/items/{spare.pk}/")).count("Moved 3 pc of SP-1 from Main store to Van 1.") == 1


def test_refused_transfer_is_explained_and_the_form_can_be_mended(spare: Item, places: Places, stores: User) -> None:
    client = logged_in(stores)
    address = f"/stock/items/{spare.pk}/transfer/"
    form = {"source": places.store.pk, "destination": places.van.pk, "quantity": 11}
    form["token"] = token_in(client.get(address))
    answer = client.post(address, form)
    assert answer.status_code == 409
    assert "Main store holds 10 pc of SP-1; 11 pc cannot leave it. Move no more than it holds" in text_of(answer)
    assert token_in(answer) == form["token"]
    assert client.post(address, form | {"quantity": 10}).status_code == 302
    assert on_hand(spare, places.van) == 10

    reused = client.post(address, form | {"quantity": 9})
    assert reused.status_code == 422
    assert "This form was posted already with other values." in text_of(reused)


def test_transfer_of_a_serial_takes_its_number(serial: Serial, places: Places, stores: User) -> None:
    client = logged_in(stores)
    address = f"/stock/items/{serial.item_id}/transfer/"
    page = client.get(address).content.decode()
    assert '<option value="A100">Main store</option>' in page
    form = {"source": places.store.pk, "destination": places.van.pk, "serial": "B1", "token": "t1"}
    wrong = client.post(address, form)
    assert wrong.status_code == 400
    assert "There is no serial 'B1' of CV-1 that you may move." in text_of(wrong)
    assert client.post(address, form | {"serial": "A100"}).status_code == 302
    serial.refresh_from_db()
    assert serial.location == places.van


def test_transfer_of_a_batch_item_asks_for_the_batch(places: Places, stores: User) -> None:
    item = make.ItemFactory.create(tracking="batch")
    make.MovementFactory.create(item=item, quantity=4, source=places.supplier, destination=places.store, batch="B7")
    form = {"source": places.store.pk, "destination": places.van.pk, "quantity": 1, "token": "t1"}
    address = f"/stock/items/{item.pk}/transfer/"
    assert logged_in(stores).post(address, form).status_code == 400
    assert logged_in(stores).post(address, form | {"batch": "B7"}).status_code == 302


def test_transfer_reaches_only_places_that_the_person_sees(spare: Item, places: Places, stores: User) -> None:
    address = f"/stock/items/{spare.pk}/transfer/"
    for end in (places.other_store, places.sites, places.scrap):
        form = {"source": places.store.pk, "destination": end.pk, "quantity": 1, "token": "t1"}
        assert logged_in(stores).post(address, form).status_code == 400
    assert on_hand(spare, places.store) == 10


def test_form_is_only_for_those_who_may_move_stock(spare: Item, engineer: User, scheduler: User) -> None:
    for user in (engineer, scheduler):
        page = logged_in(user).get(f"/stock/items/{spare.pk}/")
        assert "Move between places" not in text_of(page)
        assert logged_in(user).post(f"/stock/items/{spare.pk}/transfer/", {}).status_code == 403


def test_movements_between_places_of_another_branch_stay_hidden(
    spare: Item, places: Places, stores: User, stranger: User, other_branch: Branch
) -> None:
    keeper = person(Role.STORES, other_branch)
    make.MovementFactory.create(item=spare, quantity=5, source=places.supplier, destination=places.other_store)
    far = Location.objects.create(code="far2", name="Far shelf", kind="store", branch=other_branch)
    services.record_movement(
        spare, quantity=1, source=places.other_store, destination=far, kind="transfer", by=keeper, note="secret shelf"
    )
    assert [m.destination for m in queries.movement_page(stores, spare).rows] == ["Main store"]
    assert [m.destination for m in queries.movement_page(stranger, spare).rows] == ["Far shelf", "Far store"]
    assert "secret shelf" not in text_of(logged_in(stores).get(f"/stock/items/{spare.pk}/"))
