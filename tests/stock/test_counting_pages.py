"""Counting at its doors: pages, paper and REST; who may, what is hidden, what a double click does."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import User
from config.demo import factories as make
from stock import services
from stock.models import BinPlace, CountLine, Item, Serial, StockCount
from stock.rules.codes import code_of
from stock.services.count_posting import post_count
from stock.services.counting import hand_in, start_count
from tests.conftest import api_client, logged_in
from tests.stock.conftest import Places, on_hand
from tests.stock.test_counting import bring, cover_with, line_of, write


def text_of(answer: Any) -> str:
    body = re.sub(r"<(script|style).*?</\1>", " ", answer.content.decode(), flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", body)))


def token(page: Any) -> str:
    found = re.search(r'name="token" value="([0-9a-f]{32})"', page.content.decode())
    assert found
    return found.group(1)


def send(client: Client, address: str, act: str = "", **values: Any) -> Any:
    """Fill the form of a page in and send it."""
    page = client.get(address)
    version = re.search(r'name="version" value="(\d+)"', page.content.decode())
    body = {"token": token(page), **values}
    if version:
        body["version"] = version.group(1)
    if act:
        body["act"] = act
    return client.post(address, body)


@pytest.fixture
def store_count(places: Places, spare: Item, stores: User) -> StockCount:
    return start_count(places.store, by=stores)


def test_a_count_is_started_from_the_page_once(places: Places, spare: Item, stores: User) -> None:
    client = logged_in(stores)
    page = client.get("/stock/counts/start/", {"location": places.store.pk})
    body = {"token": token(page), "location": places.store.pk, "which": "all", "days": "90", "blind": "on"}
    first = client.post("/stock/counts/start/", body)
    second = client.post("/stock/counts/start/", body)
    count = StockCount.objects.get()
    assert (first.url, second.url) == (f"/stock/counts/{count.pk}/",) * 2
    again = client.post("/stock/counts/start/", body | {"token": "f" * 32})
    assert again.status_code == 409
    assert "A count of Main store is under way. Go on with that count, or cancel it first." in text_of(again)
    assert client.post("/stock/counts/start/", {}).status_code == 400


def test_counting_goes_from_line_to_line(places: Places, spare: Item, stores: User) -> None:
    lens = make.ItemFactory.create(sku="SP-9", name="Lens")
    bring(lens, places.store, places, 3)
    BinPlace.objects.create(location=places.store, item=lens, code="A-01")
    count = start_count(places.store, by=stores)
    client = logged_in(stores)
    first, second = line_of(count, lens), line_of(count, spare)
    page = client.get(f"/stock/counts/{count.pk}/")
    assert f'href="/stock/counts/{count.pk}/lines/{first.pk}/">Count item by item' in page.content.decode()
    answer = send(client, f"/stock/counts/{count.pk}/lines/{first.pk}/", counted="3")
    assert answer.url == f"/stock/counts/{count.pk}/lines/{second.pk}/"
    answer = send(client, f"/stock/counts/{count.pk}/lines/{second.pk}/", counted="9")
    assert answer.url == f"/stock/counts/{count.pk}/"
    assert "Every line is counted." in text_of(client.get(answer.url))
    bad = send(client, f"/stock/counts/{count.pk}/lines/{second.pk}/", counted="-1")
    assert bad.status_code == 400
    assert "greater than or equal to 0" in text_of(bad)


def test_a_movement_before_the_entry_is_asked_about(store_count: StockCount, places: Places, spare: Item,
                                                    stores: User) -> None:
    client = logged_in(stores)
    address = f"/stock/counts/{store_count.pk}/lines/{line_of(store_count, spare).pk}/"
    services.record_movement(spare, quantity=2, source=places.store, destination=places.van, kind="transfer", by=stores)
    answer = send(client, address, counted="10")
    assert answer.url == address
    now = timezone.localtime()
    page = text_of(client.get(address))
    assert "10 pc written down. It moved while you counted:" in page
    assert f"2 pc left for Van 1 at {now:%H}:" in page
    assert "Did you count before or after them?" in page
    send(client, address, counted="8")
    line = line_of(store_count, spare)
    assert (line.counted, line.book, line.first_counted) == (8, 8, 10)


def test_two_clicks_enter_once_and_a_stale_page_is_refused(store_count: StockCount, spare: Item, stores: User,
                                                           service_manager: User) -> None:
    client = logged_in(stores)
    line = line_of(store_count, spare)
    address = f"/stock/counts/{store_count.pk}/lines/{line.pk}/"
    page = client.get(address)
    body = {"token": token(page), "version": "1", "counted": "9"}
    assert [client.post(address, body).status_code for _ in range(2)] == [302, 302]
    assert line_of(store_count, spare).version == 2
    late = logged_in(service_manager).post(address, body | {"token": "e" * 32, "counted": "7"})
    assert late.status_code == 412
    assert "SP-1 is no longer as you read it: Stores manager NB wrote down 9." in text_of(late)
    assert line_of(store_count, spare).counted == 9


def test_numbers_are_scanned_and_ticked(places: Places, stores: User) -> None:
    item = cover_with(places, "A1", "A2", "A3")
    count = start_count(places.store, by=stores, blind=False)
    client = logged_in(stores)
    line = line_of(count, item)
    address = f"/stock/counts/{count.pk}/lines/{line.pk}/"
    page = client.get(address).content.decode()
    assert re.findall(r'name="found" value="(\w+)"[^>]*?( checked)?>', page) == [("A1", ""), ("A2", ""), ("A3", "")]
    label = code_of("serial", Serial.objects.get(number="A2").pk)
    assert send(client, address, number=label, found=["A1"]).url == address
    page = client.get(address).content.decode()
    assert re.findall(r'name="found" value="(\w+)"[^>]*?( checked)?>', page) == [
        ("A1", " checked"), ("A2", " checked"), ("A3", "")
    ]
    send(client, address, number="X9")
    assert "X9 not expected here" in text_of(client.get(address))
    send(client, address, act="enter", found=["A1", "A2", "X9"], many="A3\n")
    line.refresh_from_db()
    assert (line.counted, line.serials, line.book) == (4, ["A1", "A2", "A3", "X9"], 3)


def test_a_label_of_another_item_is_not_taken(places: Places, serial: Serial, stores: User) -> None:
    item = cover_with(places, "B1")
    count = start_count(places.store, by=stores)
    answer = send(logged_in(stores), f"/stock/counts/{count.pk}/lines/{line_of(count, item).pk}/",
                  number=code_of("serial", serial.pk))
    assert answer.status_code == 400
    assert "This label is of CV-1, not of CV-9. Count it with its item." in text_of(answer)


def test_a_scan_jumps_to_the_line_or_offers_to_add_it(store_count: StockCount, places: Places, spare: Item,
                                                     serial: Serial, stores: User) -> None:
    client = logged_in(stores)
    find, line = f"/stock/counts/{store_count.pk}/find/", line_of(store_count, spare)
    there = f"/stock/counts/{store_count.pk}/lines/{line.pk}/"
    for text in (code_of("item", spare.pk), f"https://firm.example/stock/scan/i-{spare.pk}/", "sp-1"):
        assert client.get(find, {"text": text}).url == there
    # The cover came after the count began: its number is not on the sheet.
    page = client.get(find, {"text": "A100"})
    assert "Cover of a detector is not on the sheet" in text_of(page)
    added = client.post(f"/stock/counts/{store_count.pk}/add/", {"item": serial.item.pk})
    assert added.url == f"/stock/counts/{store_count.pk}/lines/{line_of(store_count, serial.item).pk}/"
    assert client.get(find, {"text": "A100"}).url == added.url + "?number=A100"
    assert client.get(find, {"text": "nothing"}).status_code == 404


def test_a_paper_is_typed_in(places: Places, spare: Item, stores: User, service_manager: User) -> None:
    lens, cover = make.ItemFactory.create(sku="SP-9"), cover_with(places, "A1")
    bring(lens, places.store, places, 3)
    count = start_count(places.store, by=stores)
    client = logged_in(stores)
    page = client.get(f"/stock/counts/{count.pk}/type/")
    one, two = line_of(count, spare), line_of(count, lens)
    assert f'href="/stock/counts/{count.pk}/lines/{line_of(count, cover).pk}/">Type its serial numbers' in (
        page.content.decode()
    )
    write(count, lens, service_manager, 3)
    body = {"token": token(page), f"line-{one.pk}": "8", f"version-{one.pk}": "1", f"line-{two.pk}": "2",
            f"version-{two.pk}": "1"}
    answer = client.post(f"/stock/counts/{count.pk}/type/", body)
    assert answer.status_code == 409
    assert "SP-9 is no longer as you read it: Service manager wrote down 3." in text_of(answer)
    assert (line_of(count, spare).counted, line_of(count, lens).counted) == (8, 3)
    mended = {name: value for name, value in body.items() if not name.endswith(f"-{two.pk}")}
    assert client.post(f"/stock/counts/{count.pk}/type/", mended).status_code == 302


# Blind

def pages_of(client: Client, count: StockCount) -> str:
    """All that a person can read of a count, as source."""
    addresses = [f"/stock/counts/{count.pk}/", f"/stock/counts/{count.pk}/type/", f"/stock/counts/{count.pk}/review/",
                 "/stock/counts/"]
    addresses += [f"/stock/counts/{count.pk}/lines/{pk}/" for pk in count.lines.values_list("pk", flat=True)]
    return "".join(client.get(address).content.decode() for address in addresses)


def test_a_blind_count_tells_nothing_before_the_line_is_counted(
    places: Places, stores: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The quantities 7351 and 8263 and the numbers are in no page, no paper and no answer of the interface."""
    spring = make.ItemFactory.create(sku="SP-1")
    bring(spring, places.store, places, 7351)
    batched = make.ItemFactory.create(sku="BT-1", tracking="batch")
    bring(batched, places.store, places, 8263, batch="B1")
    cover_with(places, "HIDDEN-1", "HIDDEN-2")
    papers: list[dict[str, Any]] = []

    def paper(_template: Path, data: dict[str, Any], **_: Any) -> bytes:
        papers.append(data)
        return b"%PDF"

    monkeypatch.setattr("stock.pages.counting.pdf", paper)
    secrets = ("7351", "8263", "HIDDEN")
    for blind in (True, False):
        count = start_count(places.store, by=stores, blind=blind)
        read = pages_of(logged_in(stores), count)
        logged_in(stores).get(f"/stock/counts/{count.pk}/sheet/")
        read += str(papers[-1]) + api_client(stores).get("/api/count-lines/", {"count": count.pk}).content.decode()
        read += api_client(stores).get(f"/api/counts/{count.pk}/").content.decode()
        read += "".join(api_client(stores).get(f"/api/count-lines/{pk}/").content.decode()
                        for pk in count.lines.values_list("pk", flat=True))
        assert [secret in read for secret in secrets] == [not blind] * 3
        write(count, spring, stores, 5)
        counted = api_client(stores).get(f"/api/count-lines/{line_of(count, spring).pk}/").json()
        assert (counted["counted"], counted["book"]) == (5, 7351)
        StockCount.objects.update(state="cancelled")


def test_the_number_of_lines_for_serials_on_a_blind_paper_does_not_tell_how_many(places: Places, stores: User) -> None:
    few, many = cover_with(places, "A1", sku="CV-1"), cover_with(places, *[f"B{n}" for n in range(9)], sku="CV-2")
    count = start_count(places.store, by=stores)
    papers = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("stock.pages.counting.pdf", lambda _t, data, **_: papers.append(data) or b"%PDF")
        logged_in(stores).get(f"/stock/counts/{count.pk}/sheet/")
    rows = {row["sku"]: {k: v for k, v in row.items() if k not in {"sku", "name"}} for row in papers[0]["rows"]}
    assert rows[few.sku] == rows[many.sku]


@pytest.mark.parametrize("blind", [True, False])
def test_the_paper_is_a_pdf(blind: bool, places: Places, spare: Item, serial: Serial, stores: User) -> None:
    count = start_count(places.store, by=stores, blind=blind, note="#panic() of the *year*")
    answer = logged_in(stores).get(f"/stock/counts/{count.pk}/sheet/")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    assert answer.content.startswith(b"%PDF-")


# Looking over and posting

def test_looking_over_recount_zero_and_posting(store_count: StockCount, places: Places, spare: Item, stores: User,
                                               service_manager: User) -> None:
    lens = make.ItemFactory.create(sku="SP-9", name="Lens")
    bring(lens, places.store, places, 3, cost="4")
    CountLine.objects.create(count=store_count, item=lens)
    client, other = logged_in(stores), logged_in(service_manager)
    base = f"/stock/counts/{store_count.pk}/"
    write(store_count, spare, stores, 7)
    assert client.post(base + "done/").url == base + "review/"
    page = client.get(base + "review/", {"percent": "50", "worth": "1"})
    assert "Tamper spring SP-1 7 pc 10 pc -3 pc no cost known within tolerance Stores manager NB" in text_of(page)
    assert "beyond tolerance" in text_of(client.get(base + "review/", {"percent": "20"}))
    assert "tolerance Stores" not in text_of(client.get(base + "review/"))
    assert "Leave 1 line as not counted: the ledger stays as it is there" in text_of(page)
    assert "1 difference becomes a movement." in text_of(page)
    refused = client.post(base + "post/", {"token": token(page)})
    assert refused.status_code == 409
    assert "1 line of count" in text_of(refused)
    nothing = client.post(base + "recount/", {"token": token(page)})
    assert "No line was chosen that is counted." in text_of(nothing)
    spring = line_of(store_count, spare)
    assert client.post(base + "recount/", {"token": token(page), "lines": [spring.pk]}).url == base
    assert "That was you: a recount by somebody else says more." in text_of(client.get(f"{base}lines/{spring.pk}/"))
    send(other, f"{base}lines/{spring.pk}/", counted="10")
    client.post(base + "done/")
    lens_line = line_of(store_count, lens)
    assert client.post(base + "zero/", {"token": token(page), "lines": [lens_line.pk]}).url == base + "review/"
    page = client.get(base + "review/")
    assert "Lens SP-9 0 pc 3 pc -3 pc -12.00 GBP Stores manager NB" in text_of(page)
    body = {"token": re.findall(r'name="token" value="([0-9a-f]{32})"', page.content.decode())[0]}
    assert [client.post(base + "post/", body).status_code for _ in range(2)] == [302, 302]
    assert (on_hand(spare, places.store), on_hand(lens, places.store)) == (10, 0)
    page = text_of(client.get(base + "review/"))
    assert "Differences of" in page
    assert "Post the differences" not in page
    listed = text_of(client.get("/stock/counts/"))
    assert "2 of 2 50.0 % -12.00 GBP 12.00 GBP" in listed


def test_all_beyond_the_tolerance_are_counted_again(places: Places, stores: User) -> None:
    items = [make.ItemFactory.create() for _ in range(3)]
    for item in items:
        bring(item, places.store, places, 100, cost="1")
    count = start_count(places.store, by=stores)
    for item, counted in zip(items, (99, 90, 110), strict=True):
        write(count, item, stores, counted)
    page = logged_in(stores).get(f"/stock/counts/{count.pk}/review/")
    logged_in(stores).post(f"/stock/counts/{count.pk}/recount/",
                           {"token": token(page), "beyond": "1", "percent": "5", "worth": "2"})
    asked = CountLine.objects.filter(count=count, recount_asked=True).order_by("item")
    assert list(asked.values_list("item", "first_counted")) == [(items[1].pk, 90), (items[2].pk, 110)]


def test_what_would_refuse_is_shown_before(store_count: StockCount, places: Places, spare: Item, stores: User) -> None:
    services.reserve(spare, places.store, quantity=9, needed_on=timezone.localdate(), reference="visit 3", by=stores)
    write(store_count, spare, stores, 2)
    hand_in(store_count, by=stores)
    page = text_of(logged_in(stores).get(f"/stock/counts/{store_count.pk}/review/"))
    assert "These lines would refuse the posting SP-1 : 2 pc would be left at Main store, and 9 are promised to" in page
    assert "visit 3 (9). Release a reservation" in page


def test_an_engineer_counts_the_own_van_and_hands_it_in(places: Places, spare: Item, engineer: User, stores: User,
                                                       store_count: StockCount) -> None:
    bring(spare, places.van, places, 3)
    client = logged_in(engineer)
    assert "Store" not in re.findall(r"<select name=\"location\".*?</select>",
                                     client.get("/stock/counts/start/").content.decode(), re.DOTALL)[0]
    count = start_count(places.van, by=engineer)
    base = f"/stock/counts/{count.pk}/"
    send(client, f"{base}lines/{line_of(count, spare).pk}/", counted="2")
    assert client.post(base + "done/").url == base
    assert "The stores people look it over and post it." in text_of(client.get(base))
    for verb in ("review/", "post/", "recount/", "zero/"):
        answer = client.get(base + verb) if verb == "review/" else client.post(base + verb)
        assert answer.status_code == 403
    store_line = line_of(store_count, spare)
    page = client.get(f"/stock/counts/{store_count.pk}/lines/{store_line.pk}/")
    assert "This count is not open for counting by you." in text_of(page)
    entry = client.post(f"/stock/counts/{store_count.pk}/lines/{store_line.pk}/",
                        {"token": "a" * 32, "version": "1", "counted": "1"})
    assert (entry.status_code, line_of(store_count, spare).counted) == (403, None)
    post_count(count, by=stores)
    assert on_hand(spare, places.van) == 2


def test_counts_of_another_branch_are_not_there(store_count: StockCount, stranger: User) -> None:
    client = logged_in(stranger)
    assert client.get(f"/stock/counts/{store_count.pk}/").status_code == 404
    assert client.get(f"/stock/counts/{store_count.pk}/sheet/").status_code == 404
    assert api_client(stranger).get(f"/api/counts/{store_count.pk}/").status_code == 404
    assert api_client(stranger).get("/api/count-lines/").json()["results"] == []


def test_cancel_and_go_on(store_count: StockCount, stores: User) -> None:
    client, base = logged_in(stores), f"/stock/counts/{store_count.pk}/"
    client.post(base + "done/")
    client.post(base + "go-on/")
    assert StockCount.objects.get().state == "counting"
    assert client.post(base + "cancel/").url == "/stock/counts/"
    assert StockCount.objects.get().state == "cancelled"
    assert client.post(base + "go-on/").status_code == 409


def lots(places: Places, by: User, rows: int) -> StockCount:
    items = [make.ItemFactory.create() for _ in range(rows)]
    for item in items:
        bring(item, places.store, places, 4, cost="3")
    covers = [cover_with(places, f"C{item.pk}", sku=f"CV-{item.pk}") for item in items]
    count = start_count(places.store, by=by)
    for item, cover in zip(items, covers, strict=True):
        services.record_movement(item, quantity=1, source=places.store, destination=places.van, kind="transfer", by=by)
        write(count, item, by, 2)
        write(count, cover, by, serials=[f"D{item.pk}"])
    return count


def test_pages_take_the_same_number_of_statements_for_any_number_of_rows(places: Places, stores: User) -> None:
    client, seen = logged_in(stores), []
    for rows in (1, 3):
        count = lots(places, stores, rows)
        make.ItemFactory.create()
        taken = {}
        for page in ("", "type/", "review/", "sheet/"):
            with CaptureQueriesContext(connection) as statements:
                assert client.get(f"/stock/counts/{count.pk}/{page}").status_code == 200
            taken[page] = len(statements)
        with CaptureQueriesContext(connection) as statements:
            assert client.get("/stock/counts/").status_code == 200
        taken["list"] = len(statements)
        seen.append(taken)
        StockCount.objects.filter(pk=count.pk).update(state="cancelled")
    # Session and user are two of each, the branch in the head of a page one more.
    assert seen == [{"": 9, "type/": 5, "review/": 20, "sheet/": 4, "list": 10}] * 2


# REST

def key(text: str) -> dict[str, str]:
    return {"Idempotency-Key": text}


def test_a_count_over_rest_from_start_to_posted(places: Places, spare: Item, serial: Serial, stores: User) -> None:
    client = api_client(stores)
    started = client.post("/api/counts/", {"location": places.store.pk}, headers=key("start"))
    assert started.status_code == 201
    count = started.json()
    assert (count["state"], count["blind"], count["location_name"]) == ("counting", True, "Main store")
    assert client.post("/api/counts/", {"location": places.store.pk}, headers=key("start")).json() == count
    refused = client.post("/api/counts/", {"location": places.store.pk}, headers=key("start-2"))
    assert (refused.status_code, refused.json()["field"]) == (409, "location")
    lines = client.get("/api/count-lines/", {"count": count["id"]}).json()["results"]
    spring, cover = (next(row for row in lines if row["sku"] == sku) for sku in ("SP-1", "CV-1"))
    assert (spring["book"], spring["counted"]) == (None, None)
    body = {"version": 1, "counted": 8}
    entered = client.post(f"/api/count-lines/{spring['id']}/enter/", body, headers=key("e1"))
    assert (entered.status_code, entered.json()["counted"], entered.json()["book"]) == (200, 8, 10)
    replay = client.post(f"/api/count-lines/{spring['id']}/enter/", body, headers=key("e1"))
    assert (replay.json(), replay["Idempotency-Replayed"]) == (entered.json(), "true")
    stale = client.post(f"/api/count-lines/{spring['id']}/enter/", body, headers=key("e2"))
    assert (stale.status_code, stale["Content-Type"]) == (412, "application/problem+json")
    seen = client.post(f"/api/count-lines/{cover['id']}/seen/", {"serials": ["A100"]}, headers=key("s1")).json()
    assert (seen["serials"], seen["counted"]) == (["A100"], None)
    client.post(f"/api/count-lines/{cover['id']}/enter/", {"version": 2, "serials": ["A100", "N1"]}, headers=key("e3"))
    lens = make.ItemFactory.create()
    added = client.post("/api/count-lines/", {"count": count["id"], "item": lens.pk}, headers=key("a1"))
    assert (added.status_code, added.json()["item"]) == (201, lens.pk)
    base = f"/api/counts/{count['id']}"
    client.post(f"{base}/hand-in/", headers=key("h1"))
    early = client.post(f"{base}/post/", {}, headers=key("p1"))
    assert (early.status_code, early.json()["field"]) == (409, "leave_uncounted")
    client.post(f"{base}/zero/", {"lines": [added.json()["id"]]}, headers=key("z1"))
    again = client.post(f"{base}/recount/", {"lines": [spring["id"]]}, headers=key("r1"))
    assert again.json()["state"] == "counting"
    hidden = client.get(f"/api/count-lines/{spring['id']}/").json()
    assert (hidden["counted"], hidden["book"], hidden["first_counted"], hidden["recount_asked"]) == (
        None, None, None, True
    )
    client.post(f"/api/count-lines/{spring['id']}/enter/", {"version": hidden["version"], "counted": 9},
                headers=key("e4"))
    client.post(f"{base}/hand-in/", headers=key("h2"))
    posted = client.post(f"{base}/post/", {}, headers=key("p2"))
    assert (posted.status_code, posted.json()["state"]) == (200, "posted")
    assert client.post(f"{base}/post/", {}, headers=key("p2")).json() == posted.json()
    assert on_hand(spare, places.store) == 9
    assert Serial.objects.get(number="N1").location == places.store


def test_an_engineer_may_not_post_over_rest(places: Places, spare: Item, engineer: User) -> None:
    bring(spare, places.van, places, 3)
    client = api_client(engineer)
    count = client.post("/api/counts/", {"location": places.van.pk}, headers=key("1")).json()
    client.post(f"/api/counts/{count['id']}/hand-in/", headers=key("2"))
    for verb in ("post", "recount", "zero"):
        assert client.post(f"/api/counts/{count['id']}/{verb}/", {"lines": [1]}, headers=key(verb)).status_code == 403
    store = client.post("/api/counts/", {"location": places.store.pk}, headers=key("3"))
    assert store.status_code == 403


def test_lists_over_rest_take_a_fixed_number_of_statements(places: Places, stores: User) -> None:
    client, seen = api_client(stores), []
    for rows in (1, 3):
        count = lots(places, stores, rows)
        StockCount.objects.update(state="cancelled")
        taken = []
        for address in ("/api/counts/", f"/api/count-lines/?count={count.pk}"):
            with CaptureQueriesContext(connection) as statements:
                assert client.get(address).status_code == 200
            taken.append(len(statements))
        seen.append(taken)
    assert seen == [[1, 1], [1, 1]]


