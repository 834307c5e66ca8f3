"""A transfer in Chromium: made, picked and sent by stores, confirmed by the engineer with typed scans, settled."""

from __future__ import annotations

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP
from tests.browser.test_roles import SIZES, look

LogIn = Callable[[str, dict[str, int]], Page]


def log_out(page: Page) -> None:
    page.get_by_role("button", name="Log out").click()
    # The next person logs in on the same phone or desk.
    page.context.clear_cookies()


def scan(page: Page, text: str, quantity: int = 1) -> None:
    """What a hand scanner does: type and press Enter."""
    page.get_by_label("Quantity", exact=True).fill(str(quantity))
    field = page.get_by_label("Scan or type")
    field.fill(text)
    field.press("Enter")


def store_with_bins(page: Page, service: str) -> str:
    """The first store, by its page of bins."""
    page.goto(f"{service}/stock/bins/")
    page.locator("main").get_by_role("link").first.click()
    return page.get_by_role("heading", level=1).inner_text().removeprefix("Bins of ")


def item_with(page: Page, prefix: str, least: int) -> str:
    """From a store's page of bins: the stock number of an item that begins so, with at least that many on hand."""
    page.goto(f"{page.url.split('?')[0]}?q={prefix}")
    for row in page.locator("table.list tbody tr").all():
        held = int(re.sub(r"\D", "", row.locator("td[data-label='On hand']").inner_text()) or 0)
        if held >= least:
            return row.locator("small").first.inner_text()
    raise AssertionError(f"nothing {prefix} there")


@SIZES
def test_from_the_list_to_the_settled_difference(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/vans/")
    look(page, "vans")
    van = page.get_by_role("link", name=re.compile("Van 1")).inner_text()
    store = store_with_bins(page, service)
    look(page, "bins")
    loose, cover = item_with(page, "SP-LABEL", 4), item_with(page, "CV-FW-2D", 2)
    page.goto(f"{service}/stock/transfers/")
    look(page, "transfers")

    page.goto(f"{service}/stock/transfers/new/")
    page.get_by_label("From").select_option(label=store)
    page.get_by_label("To", exact=True).select_option(label=van)
    page.get_by_label("Item 1").fill(loose)
    page.get_by_label("Quantity 1").fill("3")
    page.get_by_label("Item 2").fill(cover)
    page.get_by_label("Note").fill("For the browser")
    look(page, "transfer-new")
    page.get_by_role("button", name="Make the pick list").click()
    expect(page.get_by_text(re.compile(r"TR-\d+ is ready to be picked"))).to_be_visible()
    address = page.url
    look(page, "transfer-pick")
    pieces = page.locator("table.list tbody tr").filter(has_text=cover)
    pieces.locator("summary").first.click()
    number = pieces.locator(".ticks label").last.inner_text().strip()
    scan(page, number)
    expect(page.get_by_text(f"1 × {number} is picked.")).to_be_visible()
    row = page.locator("table.list tbody tr").filter(has_text=loose)
    row.get_by_role("button", name="Picked 3 pc").click()
    expect(row.get_by_text("3 pc picked")).to_be_visible()
    look(page, "transfer-picked")
    page.get_by_role("button", name="Send the parcel").click()
    expect(page.get_by_text("The parcel is on its way.")).to_be_visible()
    expect(page.get_by_role("button", name="Everything is here")).to_have_count(0)
    look(page, "transfer-sent")
    log_out(page)

    page = log_in("Engineer", size)
    page.goto(f"{service}/stock/transfers/?show=to-me")
    look(page, "transfers-engineer")
    page.goto(address)
    look(page, "transfer-confirm")
    scan(page, number.lower())
    expect(page.get_by_text("has arrived.")).to_be_visible()
    scan(page, "no such thing")
    expect(page.get_by_role("alert")).to_contain_text("is no stock number, serial number or label that is known")
    scan(page, loose, 2)
    expect(page.get_by_text("3 of 4 confirmed so far.")).to_be_visible()
    look(page, "transfer-part-confirmed")
    page.get_by_text("That is all, the rest is missing").click()
    page.get_by_role("button", name="Close the parcel with 1 missing").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("1 did not arrive")
    look(page, "transfer-engineer-difference")
    log_out(page)

    page = log_in("Stores", size)
    page.goto(f"{service}/stock/transfers/?show=differences")
    page.goto(address)
    page.get_by_label("What became of it").select_option("lost")
    page.get_by_label("Reason").fill("Fell out of the box")
    look(page, "transfer-differences")
    page.get_by_role("button", name="Settle it").click()
    expect(page.get_by_text("Written off.", exact=True)).to_be_visible()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Confirmed")
    expect(page.get_by_text(re.compile("1 pc: Written off: Fell out of the box"))).to_be_visible()
    look(page, "transfer-settled")


def test_an_engineer_brings_back_from_the_van(log_in: LogIn, service: str) -> None:
    page = log_in("Engineer", DESKTOP)
    page.goto(f"{service}/stock/vans/")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Van 1")
    look(page, "van-own")
    page.get_by_role("link", name="Bring back to the store").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Bring back from my van")
    look(page, "transfer-bring-back")
