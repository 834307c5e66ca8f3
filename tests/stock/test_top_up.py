"""The evening's pick lists: from planned visits and the vans' own minimums to the van, and the pages around it."""

from __future__ import annotations

import html
import re
import threading
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, Firm, User
from config.accounts.rights import Role
from config.celery import app
from config.demo import factories as make
from config.errors import Conflict, InvalidInput, NotAllowed
from stock import services
from stock.models import BinPlace, Item, Location, Reservation, Serial, StockLevel, StoresPolicy, Transfer
from stock.queries.top_up import van_content
from stock.queries.transfers import transfer_detail, transit_difference
from stock.rules.top_up import last_day
from stock.services.top_up import set_bins, set_van_level, top_up_vans
from stock.services.transfer_scans import scan_into, scan_into_round
from stock.services.transfers import cancel_transfer, confirm, pick, send
from stock.tasks import top_up_vans as top_up_task
from tests.conftest import logged_in, person
from tests.maintenance.door_scene import visit_of
from tests.stock.conftest import Places, balance, on_hand

NOTHING_LEFT = "none is on order"


@pytest.fixture
def today(firm: Firm) -> date:
    return timezone.localdate()


@pytest.fixture
def tomorrow(today: date) -> date:
    return last_day(today, 1)


def level(item: Item, van: Location, minimum: int, target: int) -> None:
    StockLevel.objects.create(item=item, location=van, minimum=minimum, target=target)


def promised(item: Item, place: Location, branch: Branch, user: User, *, quantity: int, day: date,
             ahead: bool = False) -> Reservation:
    """Parts of a visit of that engineer on that day, reserved at the place."""
    visit = visit_of(branch, user, day=day, state="planned")
    return services.reserve(item, place, quantity=quantity, needed_on=day, reference=f"visit {visit.pk}", by=None,
                            ahead=ahead)


def wanted(transfer: Transfer) -> list[tuple[str, int, list[str]]]:
    return [(line.item.sku, line.wanted, [note["text"] for note in line.reasons])
            for line in transfer.lines.select_related("item").order_by("item__sku")]


def test_a_list_has_parts_of_the_next_visits_and_the_vans_own_minimum(
    places: Places, spare: Item, serial: Serial, branch: Branch, engineer: User, tomorrow: date
) -> None:
    kept = promised(spare, places.store, branch, engineer, quantity=2, day=tomorrow)
    level(serial.item, places.van, 2, 3)
    assert top_up_vans() == 1
    transfer = Transfer.objects.get()
    assert (transfer.purpose, transfer.source, transfer.destination, transfer.for_day, transfer.made_by) == (
        "top-up", places.store, places.van, timezone.localdate(), None
    )
    visit = kept.reference
    site = transfer.lines.get(item=spare).reasons[0]["text"].split(" at ")[1].split(" on ")[0]
    assert wanted(transfer) == [
        ("CV-1", 1, ["van's own minimum 2, filled up to 3", f"1 pc short at the store; {NOTHING_LEFT}"]),
        ("SP-1", 2, [f"{visit} at {site} on {tomorrow:%-d %b}"]),
    ]
    assert transfer.lines.get(item=spare).reasons[0]["reservation"] == kept.pk


def test_a_repeat_makes_no_second_list_and_a_cancelled_one_is_made_anew(
    places: Places, spare: Item, stores: User
) -> None:
    level(spare, places.van, 2, 4)
    assert (top_up_vans(), top_up_vans(), Transfer.objects.count()) == (1, 0, 1)
    cancel_transfer(Transfer.objects.get(), by=stores, version=None)
    assert (top_up_vans(), top_up_vans()) == (1, 0)
    assert [t.state for t in Transfer.objects.order_by("pk")] == ["cancelled", "to pick"]


def test_what_is_in_the_van_or_on_the_way_is_not_asked_for_again(
    places: Places, spare: Item, branch: Branch, engineer: User, stores: User, today: date, tomorrow: date
) -> None:
    level(spare, places.van, 2, 4)
    top_up_vans(business_date=today)
    first = Transfer.objects.get()
    pick(first, first.lines.get().pk, quantity=4, by=stores, version=None)
    send(first, by=stores, version=None)
    assert top_up_vans(business_date=today + timedelta(days=1)) == 0
    confirm(first, by=engineer, version=None, everything=True)
    assert top_up_vans(business_date=today + timedelta(days=1)) == 0
    promised(spare, places.van, branch, engineer, quantity=3, day=last_day(today, 2))
    # Three of the four are promised now: one is free, and the minimum is two.
    assert top_up_vans(business_date=today + timedelta(days=1)) == 1
    assert [entry[:2] for entry in wanted(Transfer.objects.get(state="to pick"))] == [("SP-1", 3)]


def test_an_older_list_that_nobody_began_makes_room_for_a_new_one(
    places: Places, spare: Item, stores: User, today: date
) -> None:
    level(spare, places.van, 2, 4)
    top_up_vans(business_date=today)
    assert top_up_vans(business_date=today + timedelta(days=1)) == 1
    old, new = Transfer.objects.order_by("pk")
    assert (old.state, new.state, [entry[:2] for entry in wanted(new)]) == ("cancelled", "to pick", [("SP-1", 4)])
    pick(new, new.lines.get().pk, quantity=1, by=stores, version=None)
    assert top_up_vans(business_date=today + timedelta(days=2)) == 0
    new.refresh_from_db()
    assert new.state == "to pick"


def test_two_vans_share_what_the_store_has_and_the_shortage_names_the_order(
    places: Places, spare: Item, branch: Branch, stores: User, today: date
) -> None:
    second = make.VanFactory.create(code="van-2", name="Van 2", branch=branch)
    for van in (places.van, second):
        level(spare, van, 7, 8)
    order = services.make_order(supplier=places.firm, destination=places.store, lines={spare: 20}, by=stores)
    order.state, order.ordered_on, order.expected_on = "placed", today, date(2026, 12, 4)
    order.save()
    assert top_up_vans() == 2
    lists = [wanted(t)[0] for t in Transfer.objects.order_by("destination__name")]
    note = f"4 pc short at the store; 20 pc expected on 4 Dec ({order.number})"
    assert lists == [
        ("SP-1", 7, ["van's own minimum 7, filled up to 8"]),
        ("SP-1", 3, ["van's own minimum 7, filled up to 8", note]),
    ]


def test_only_the_days_of_the_policy_and_only_the_branch_of_who_asks(
    places: Places, spare: Item, branch: Branch, engineer: User, today: date, other_branch: Branch
) -> None:
    promised(spare, places.store, branch, engineer, quantity=2, day=last_day(today, 3))
    assert top_up_vans(business_date=today) == 0
    StoresPolicy.objects.update_or_create(pk=1, defaults={"top_up_days": 3})
    assert top_up_vans(business_date=today, by=person(Role.STORES, other_branch)) == 0
    assert top_up_vans(business_date=today) == 1


def test_a_part_promised_from_an_order_is_taken_once_it_is_in(
    places: Places, spare: Item, branch: Branch, engineer: User, stores: User, tomorrow: date
) -> None:
    order = services.make_order(supplier=places.firm, destination=places.store, lines={spare: 5}, by=stores)
    order.state, order.ordered_on, order.expected_on = "placed", tomorrow, tomorrow
    order.save()
    kept = promised(spare, places.store, branch, engineer, quantity=12, day=tomorrow, ahead=True)
    top_up_vans()
    (entry,) = wanted(Transfer.objects.get())
    assert entry[:2] == ("SP-1", 10)
    assert entry[2][1].startswith("2 pc short at the store; 5 pc expected on")
    transfer = Transfer.objects.get()
    pick(transfer, transfer.lines.get().pk, quantity=10, by=stores, version=None)
    send(transfer, by=stores, version=None)
    confirm(transfer, by=engineer, version=None, everything=True)
    rows = Reservation.objects.filter(reference=kept.reference, state="open").order_by("quantity")
    assert [(r.location, r.quantity, r.ahead) for r in rows] == [
        (places.store, 2, True), (places.van, 10, False)
    ]


def test_from_the_list_to_the_van_the_visits_promise_is_kept(
    places: Places, spare: Item, branch: Branch, engineer: User, stores: User, tomorrow: date
) -> None:
    kept = promised(spare, places.store, branch, engineer, quantity=9, day=tomorrow)
    top_up_vans()
    transfer = Transfer.objects.get()
    for moment in ("listed", "picked"):
        with pytest.raises(Conflict, match="9 are reserved"):
            services.record_movement(spare, quantity=2, source=places.store, destination=places.van, kind="transfer",
                                     by=stores, note=moment)
        pick(transfer, transfer.lines.get().pk, quantity=9, by=stores, version=None)
    send(transfer, by=stores, version=None)
    confirm(transfer, by=engineer, version=None, everything=True)
    kept.refresh_from_db()
    assert (kept.state, kept.location, kept.quantity) == ("open", places.van, 9)
    assert balance(spare, places.van) == (9, 9, 0, 0)
    services.use_reservation(kept, destination=places.sites, by=engineer)
    assert on_hand(spare, places.van) == 0
    assert transit_difference() == []
    assert top_up_vans(business_date=timezone.localdate() + timedelta(days=1)) == 0


def test_the_round_picks_a_scan_for_the_first_van_that_lacks_it(
    places: Places, spare: Item, branch: Branch, stores: User, today: date
) -> None:
    second = make.VanFactory.create(code="van-2", name="Van 2", branch=branch)
    for van in (places.van, second):
        level(spare, van, 1, 1)
    top_up_vans(business_date=today)
    first = scan_into_round("SP-1", by=stores, day=today)
    then = scan_into_round(f"i-{spare.pk}", by=stores, day=today)
    assert (first.destination, then.destination) == (places.van, second)
    with pytest.raises(Conflict, match="No van on this round still lacks 'SP-1'"):
        scan_into_round("SP-1", by=stores, day=today)


def test_lines_stand_in_the_order_of_the_bins(
    places: Places, stores: User, today: date
) -> None:
    items = [make.ItemFactory.create(sku=f"P-{n}") for n in range(4)]
    for item, code in zip(items, ["A-10", "a-2 ", "", "B-1"], strict=True):
        make.MovementFactory.create(item=item, quantity=5, source=places.supplier, destination=places.store)
        level(item, places.van, 1, 2)
        assert set_bins(places.store, {item: code}, by=stores) == (1 if code else 0)
    top_up_vans(business_date=today)
    detail = transfer_detail(stores, Transfer.objects.get().pk)
    assert [(line.bin, line.sku) for line in detail.lines] == [
        ("A-2", "P-1"), ("A-10", "P-0"), ("B-1", "P-3"), ("", "P-2")
    ]
    assert set_bins(places.store, {items[0]: "", items[1]: "A-2"}, by=stores) == 1
    assert list(BinPlace.objects.order_by("code").values_list("code", flat=True)) == ["A-2", "B-1"]


def test_levels_of_a_van_are_set_by_stores(places: Places, spare: Item, stores: User, engineer: User) -> None:
    set_van_level(places.van, spare, minimum=2, target=5, by=stores)
    set_van_level(places.van, spare, minimum=1, target=4, by=stores)
    assert [(r.sku, r.on_hand, r.minimum, r.target, r.below) for r in van_content(places.van)] == [
        ("SP-1", 0, 1, 4, True)
    ]
    with pytest.raises(InvalidInput, match="cannot be more"):
        set_van_level(places.van, spare, minimum=6, target=5, by=stores)
    with pytest.raises(NotAllowed, match="set by the stores"):
        set_van_level(places.van, spare, minimum=1, target=5, by=engineer)
    set_van_level(places.van, spare, minimum=0, target=0, by=stores)
    assert van_content(places.van) == []


def test_the_task_runs_each_evening(places: Places, spare: Item, today: date) -> None:
    level(spare, places.van, 2, 4)
    assert top_up_task(today.isoformat()) == 1
    assert app.conf.beat_schedule["top up vans"]["task"] == "stock.top_up_vans"
    assert str(app.conf.beat_schedule["top up vans"]["schedule"]) == "<crontab: 30 17 * * * (m/h/dM/MY/d)>"


@pytest.mark.django_db(transaction=True)
def test_two_runs_at_once_make_each_list_once(transactional_db: None) -> None:
    Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
    branch = Branch.objects.create(code="NB", name="Northbeck")
    store = make.LocationFactory.create(branch=branch)
    item = make.ItemFactory.create()
    make.MovementFactory.create(item=item, quantity=9, source=make.SuppliersPlaceFactory.create(), destination=store)
    for _ in range(4):
        level(item, make.VanFactory.create(branch=branch), 3, 3)
    made: list[int] = []
    gate = threading.Barrier(4)

    def run() -> None:
        gate.wait()
        made.append(top_up_vans())
        connection.close()

    threads = [threading.Thread(target=run) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(made) == [0, 0, 0, 4]
    assert sum(line.wanted for t in Transfer.objects.all() for line in t.lines.all()) == 9


# --- pages -----------------------------------------------------------------------------------------------------------


def text_of(answer: object) -> str:
    content = answer.content.decode()  # type: ignore[attr-defined]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", content)).split())


def hidden(client: Client, address: str) -> dict[str, str]:
    """The token and version of the page's forms."""
    page = client.get(address).content.decode()
    found = dict(re.findall(r'<input type="hidden" name="(token|version)" value="([^"]+)"', page))
    assert "token" in found
    return found


def test_from_run_now_to_the_van_by_pages(
    places: Places, spare: Item, serial: Serial, branch: Branch, stores: User, engineer: User, tomorrow: date
) -> None:
    promised(spare, places.store, branch, engineer, quantity=2, day=tomorrow)
    level(serial.item, places.van, 1, 1)
    keeper, driver = logged_in(stores), logged_in(engineer)
    assert "No list for today yet" in text_of(keeper.get("/stock/top-up/"))
    answer = keeper.post("/stock/top-up/run/", follow=True)
    assert "1 pick list made." in text_of(answer)
    assert "for visit" in text_of(answer)
    assert "No list was made" in text_of(keeper.post("/stock/top-up/run/", follow=True))
    given = hidden(keeper, "/stock/top-up/")
    assert "put it to Van 1" in text_of(keeper.post("/stock/top-up/scan/", given | {"scan": "a100"}, follow=True))
    transfer = Transfer.objects.get()
    line = transfer.lines.get(item=spare)
    given = hidden(keeper, "/stock/top-up/")
    body = given | {"line": line.pk, "quantity": 2}
    assert keeper.post(f"/stock/top-up/{transfer.pk}/tick/", body).status_code == 302
    assert keeper.post(f"/stock/top-up/{transfer.pk}/tick/", body).status_code == 302  # a double click
    assert "2 of 2 lines done" in text_of(keeper.get("/stock/top-up/"))
    paper = keeper.get(f"/stock/top-up/{places.store.pk}/paper/")
    assert paper.content.startswith(b"%PDF")
    address = f"/stock/transfers/{transfer.pk}/"
    given = hidden(keeper, address)
    assert "The parcel is on its way." in text_of(keeper.post(f"{address}send/", given, follow=True))
    assert "Everything is here" not in text_of(keeper.get(address))
    assert transfer.number in text_of(driver.get("/stock/transfers/?show=to-me"))
    given = hidden(driver, address)
    assert "a100 has arrived" in text_of(driver.post(f"{address}scan/", given | {"scan": "a100"}, follow=True))
    given = hidden(driver, address)
    assert "Confirmed." in text_of(driver.post(f"{address}confirm/", given | {"everything": "on"}, follow=True))
    assert (on_hand(spare, places.van), on_hand(serial.item, places.van)) == (2, 1)


def test_a_step_from_an_old_page_is_refused_with_words(
    places: Places, spare: Item, stores: User
) -> None:
    level(spare, places.van, 2, 4)
    top_up_vans()
    transfer = Transfer.objects.get()
    client, address = logged_in(stores), f"/stock/transfers/{transfer.pk}/"
    given = hidden(client, address)
    scan_into(transfer, "SP-1", by=stores, version=None)
    answer = client.post(f"{address}pick/", given | {"line": transfer.lines.get().pk, "quantity": 4})
    assert answer.status_code == 412
    assert "changed by somebody else while you had it open" in text_of(answer)
    assert client.post(f"{address}fly/", given).status_code == 404
    assert client.post(f"{address}pick/", given | {"line": "x"}).status_code == 400


def test_engineers_see_their_own_parcels_and_van_only(
    places: Places, spare: Item, branch: Branch, engineer: User, stores: User, stranger: User
) -> None:
    level(spare, places.van, 2, 4)
    top_up_vans()
    transfer = Transfer.objects.get()
    other = person(Role.ENGINEER, branch, "other@nb.example")
    assert transfer.number not in text_of(logged_in(other).get("/stock/transfers/"))
    assert logged_in(stranger).get(f"/stock/transfers/{transfer.pk}/").status_code == 404
    assert logged_in(engineer).get("/stock/vans/").headers["Location"] == f"/stock/vans/{places.van.pk}/"
    page = text_of(logged_in(engineer).get(f"/stock/vans/{places.van.pk}/"))
    assert "Tamper spring SP-1 0 pc 0 pc 0 pc 2 pc 4 pc below" in page
    assert "What the van should hold" not in page
    assert logged_in(other).get(f"/stock/vans/{places.van.pk}/").status_code == 404
    assert logged_in(engineer).get("/stock/top-up/").status_code == 403


def test_bins_and_levels_are_set_on_pages(places: Places, spare: Item, stores: User) -> None:
    client = logged_in(stores)
    assert client.get("/stock/bins/").headers["Location"] == f"/stock/bins/{places.store.pk}/"
    address = f"/stock/bins/{places.store.pk}/"
    assert "1 bin changed." in text_of(client.post(address, {f"bin-{spare.pk}": "b-7", "bin-x": "1"}, follow=True))
    assert 'value="B-7"' in client.get(f"{address}?q=spring").content.decode()
    assert "Nothing fits" in text_of(client.get(f"{address}?without=on"))
    van = f"/stock/vans/{places.van.pk}/"
    answer = client.post(van, {"item": "sp-1", "minimum": 3, "target": 2})
    assert (answer.status_code, "cannot be more" in text_of(answer)) == (400, True)
    assert "SP-1: at least 1, filled up to 2." in text_of(
        client.post(van, {"item": "sp-1", "minimum": 1, "target": 2}, follow=True)
    )


def test_a_transfer_is_made_on_a_page_and_its_difference_settled(
    places: Places, spare: Item, stores: User, engineer: User
) -> None:
    keeper, driver = logged_in(stores), logged_in(engineer)
    token = re.findall(r'name="token" value="([^"]+)"', keeper.get("/stock/transfers/new/").content.decode())[0]
    body = {"token": token, "source": places.store.pk, "destination": places.van.pk, "item_1": "SP-1"}
    assert "There is no item" in text_of(keeper.post("/stock/transfers/new/", body | {"item_2": "gold"}))
    keeper.post("/stock/transfers/new/", body | {"quantity_1": 3})
    assert keeper.post("/stock/transfers/new/", body | {"quantity_1": 3}).status_code == 302
    transfer = Transfer.objects.get()
    address = f"/stock/transfers/{transfer.pk}/"
    line = transfer.lines.get()
    refused = keeper.post(f"{address}send/", hidden(keeper, address))
    assert (refused.status_code, "nobody said why" in text_of(refused)) == (409, True)
    keeper.post(f"{address}pick/", hidden(keeper, address) | {"line": line.pk, "quantity": 3})
    keeper.post(f"{address}send/", hidden(keeper, address))
    driver.post(f"{address}confirm/", hidden(driver, address) | {f"line_{line.pk}": 2, "finish": "on"})
    assert "1 did not arrive" in text_of(keeper.get("/stock/transfers/?show=differences"))
    assert "The stores look for what did not arrive." in text_of(driver.get(address))
    given = hidden(keeper, address) | {"line": line.pk, "quantity": 1, "how": "lost"}
    assert keeper.post(f"{address}settle/", given).status_code == 400
    assert "Written off." in text_of(keeper.post(f"{address}settle/", given | {"reason": "run over"}, follow=True))
    assert [on_hand(spare, p) for p in (places.store, places.van, places.scrap)] == [7, 2, 1]
    assert keeper.get(f"{address}paper/").content.startswith(b"%PDF")


def statements(client: Client, address: str) -> int:
    client.get(address)
    with CaptureQueriesContext(connection, ) as found:
        assert client.get(address).status_code == 200
    return len(found)


def test_pages_take_a_fixed_number_of_statements(places: Places, stores: User, branch: Branch, engineer: User) -> None:
    client = logged_in(stores)
    counts: list[tuple[int, ...]] = []
    for rows in (1, 3):
        while Item.objects.count() < rows:
            item = make.ItemFactory.create()
            make.MovementFactory.create(item=item, quantity=9, source=places.supplier, destination=places.store)
            level(item, places.van, 1, 2)
        top_up_vans()
        transfer = Transfer.objects.get(state="to pick")
        counts.append(tuple(statements(client, address) for address in (
            "/stock/transfers/", f"/stock/transfers/{transfer.pk}/", "/stock/top-up/",
            f"/stock/vans/{places.van.pk}/", f"/stock/bins/{places.store.pk}/",
        )))
        cancel_transfer(transfer, by=stores, version=None)
    # Session, user and the branch in the head of the page come first.
    assert counts == [(7, 8, 7, 8, 5), (7, 8, 7, 8, 5)]
