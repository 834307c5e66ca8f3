"""Counting in a real browser: a blind count of a store from start to posted while stock moves, and an engineer's van
by serial numbers."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.browser.conftest import PHONE
from tests.browser.test_roles import SIZES, LogIn, look


def on_the_shelf(page: Page, service: str, place: str) -> dict[str, tuple[int, str]]:
    """Inserts in the store by name: what is available and the item's address."""
    page.goto(f"{service}/stock/?kind=insert&location={place}")
    shelf = {}
    for row in page.locator("table.list tbody tr").all():
        link = row.get_by_role("link").first
        number = re.search(r"-?\d+", row.locator("td[data-label='On hand']").inner_text())
        shelf[link.inner_text()] = (int(number.group()) if number else 0, link.get_attribute("href") or "")
    return shelf


def move_one(page: Page, service: str, address: str, source: str) -> None:
    page.goto(f"{service}{address}transfer/")
    page.get_by_label("From").select_option(source)
    to = page.get_by_label("To", exact=True)
    to.select_option(label=to.locator("option", has_text="Van").first.inner_text())
    page.get_by_label("Quantity").fill("1")
    page.get_by_role("button", name="Move").click()
    expect(page.locator(".message.success").first).to_be_visible()


@SIZES
def test_a_blind_count_from_start_to_posted_while_stock_moves(
    log_in: LogIn, service: str, size: dict[str, int]
) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/counts/")
    look(page, "counts")
    page.get_by_role("link", name="Start a count").first.click()
    where = page.get_by_label("Where")
    place = where.locator("option", has_text="Store").first
    where.select_option(label=place.inner_text())
    key = where.input_value()
    page.get_by_text("Only one kind, family or range of bins").click()
    page.get_by_label("Kind").select_option("insert")
    look(page, "count-start")
    page.get_by_role("button", name="Start").click()
    page.get_by_role("heading", level=1).wait_for()
    count = page.url
    look(page, "count")

    shelf = on_the_shelf(page, service, key)
    moved = next(name for name, (held, _) in shelf.items() if held >= 2)
    page.goto(count)
    page.get_by_role("link", name="Count item by item").click()
    look(page, "count-line")
    move_one(page, service, shelf[moved][1], key)
    page.goto(count)
    page.get_by_role("link", name=re.compile("Count item by item|Go on counting")).click()
    wrong = ""
    for _ in range(len(shelf) + 5):
        if not page.get_by_label("How many are there").count():
            break
        name = page.get_by_role("heading", level=1).inner_text()
        held = shelf[name][0] - (name == moved)
        if not wrong and name != moved:
            wrong, held = name, held + 3
        page.get_by_label("How many are there").fill(str(held))
        page.get_by_role("button", name="Write down, next item").click()
        if name == moved:
            expect(page.get_by_text("It moved while you counted")).to_be_visible()
            expect(page.locator(".caution li").first).to_contain_text(re.compile("1 pc left for Van .* at"))
            look(page, "count-moved")
            page.get_by_role("link", name=re.compile("After: it stands")).click()
    expect(page).to_have_url(re.compile(r"/stock/counts/\d+/$"))
    sheet = page.request.get(f"{count}sheet/")
    assert (sheet.status, sheet.headers["content-type"]) == (200, "application/pdf")
    page.get_by_role("button", name="Finish counting").click()
    rows = page.locator("table.list tbody tr")
    expect(rows).to_have_count(1)
    expect(rows.first).to_contain_text(wrong)
    expect(rows.first).to_contain_text("+3")
    look(page, "count-review")
    page.get_by_role("button", name="Post the differences").click()
    expect(page.get_by_text(re.compile(r"Count CT-\d+ is posted"))).to_be_visible()
    look(page, "count-posted")
    after = on_the_shelf(page, service, key)
    assert after[wrong][0] == shelf[wrong][0] + 3
    assert after[moved][0] == shelf[moved][0] - 1
    page.goto(f"{service}/stock/counts/")
    expect(page.get_by_text("Lines right").first).to_be_attached()
    look(page, "counts-after")


@SIZES
def test_a_recount_and_a_paper_typed_in(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/counts/start/")
    where = page.get_by_label("Where")
    where.select_option(label=where.locator("option", has_text="Store").last.inner_text())
    page.get_by_text("Only one kind, family or range of bins").click()
    page.get_by_label("Kind").select_option("insert")
    page.get_by_role("button", name="Start").click()
    page.get_by_role("link", name="Type a paper in").click()
    fields = page.locator("table.list input[type=number]")
    lines = fields.count()
    fields.first.fill("123")
    look(page, "count-type")
    page.get_by_role("button", name="Write down").click()
    expect(page.get_by_text("Written down: 1.")).to_be_visible()
    expect(fields).to_have_count(lines - 1)
    page.get_by_role("link", name="Back to the count").click()
    page.get_by_role("button", name="Finish counting").click()
    expect(page.get_by_role("heading", name="Not counted")).to_be_visible()
    page.get_by_role("button", name="Post the differences").click()
    expect(page.get_by_role("alert").first).to_contain_text("not counted yet")
    look(page, "count-not-counted")
    page.get_by_label(re.compile("^Count .* again$")).first.check()
    page.get_by_role("button", name="Have the ticked lines counted again").click()
    expect(page.get_by_text("1 to be counted again")).to_be_visible()
    page.get_by_label("Show").select_option("recount")
    page.get_by_role("button", name="Show").click()
    page.locator("table.list tbody a").first.click()
    expect(page.get_by_text("That was you")).to_be_visible()
    look(page, "count-recount")
    page.get_by_role("link", name=re.compile("^CT-")).click()
    page.get_by_text("Cancel this count").click()
    page.get_by_role("button", name="Cancel the count").click()
    expect(page.get_by_text("is cancelled. Nothing was posted.")).to_be_visible()


@SIZES
def test_an_engineer_counts_the_van_by_scanning_numbers(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Engineer", size)
    page.goto(f"{service}/stock/counts/start/")
    where = page.get_by_label("Where")
    expect(where.locator("option")).to_have_count(2)
    where.select_option(index=1)
    page.get_by_role("button", name="Start").click()
    count = page.url
    page.get_by_role("row", name=re.compile("by serial number")).get_by_role("link").first.click()
    scan = page.get_by_label("Serial number", exact=True)
    for number in ("VAN-1-X1", "VAN-1-X2"):
        # A hand scanner types the number and ends with Enter.
        scan.fill(number)
        scan.press("Enter")
        expect(page.get_by_label(number)).to_be_checked()
    look(page, "count-numbers")
    page.get_by_label("VAN-1-X2").uncheck()
    page.get_by_role("button", name="That is all").click()
    expect(page.get_by_text(re.compile(r"1 pc written down"))).to_be_visible()
    look(page, "count-next")
    page.goto(count)
    page.get_by_label("Scan or type an item").fill("nothing of that name")
    page.get_by_role("button", name="Go to it").click()
    expect(page.get_by_text("No item, label or serial number is called that.")).to_be_visible()
    look(page, "count-find")
    page.goto(count)
    page.get_by_role("button", name="Finish counting").click()
    expect(page.get_by_text("The stores people look it over and post it.").first).to_be_visible()
    look(page, "count-handed-in")
    page.get_by_text("Cancel this count").click()
    page.get_by_role("button", name="Cancel the count").click()
    expect(page.get_by_text("is cancelled. Nothing was posted.")).to_be_visible()


def test_a_phone_reads_counts_as_cards(log_in: LogIn, service: str) -> None:
    page = log_in("Service manager", PHONE)
    page.goto(f"{service}/stock/counts/")
    page.get_by_role("link", name="CT-DEMO-1").click()
    expect(page.locator("table.list tbody tr").first).to_be_visible()
    look(page, "count-of-the-past")
