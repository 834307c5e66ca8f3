"""The van top-up in Chromium: run now, the walk picked by scan and tick, sent, confirmed by the engineer."""

from __future__ import annotations

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from config.demo_logins import LOGINS, PASSWORD
from tests.browser.conftest import DESKTOP
from tests.browser.test_roles import SIZES, look
from tests.browser.test_transfers import item_with, log_out, scan, store_with_bins

LogIn = Callable[[str, dict[str, int]], Page]


@SIZES
def test_from_run_now_to_the_confirmed_parcel(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    # A van has one list an evening, so each size takes a van of its own.
    van, email = ("Van 1", LOGINS[2][1]) if size == DESKTOP else ("Van 2", "bram.fallowell@lanternfold.example")
    page = log_in("Stores", size)
    store_with_bins(page, service)
    loose = item_with(page, "SP-SCREW" if size == DESKTOP else "SP-RES-1K", 3)
    page.goto(f"{service}/stock/vans/")
    page.get_by_role("link", name=re.compile(van)).click()
    name = page.get_by_role("heading", level=1).inner_text()
    page.get_by_label("Item", exact=True).fill(loose)
    page.get_by_label("Minimum").fill("60")
    page.get_by_label("Fill up to").fill("60")
    look(page, "van")
    page.get_by_role("button", name="Set the level").click()
    expect(page.get_by_text(f"{loose}: at least 60, filled up to 60.")).to_be_visible()
    _give_up_todays_list(page, service, name)

    page.goto(f"{service}/stock/top-up/")
    page.get_by_role("button", name="Make the lists now").click()
    expect(page.get_by_text(re.compile("pick lists? made"))).to_be_visible()
    look(page, "top-up")
    walk = page.locator("table.pick-list tbody tr").filter(has_text=name)
    expect(walk.filter(has_text=loose)).to_contain_text("short at the store")
    scan(page, loose)
    expect(page.get_by_text(re.compile(rf"1 × {loose} picked: put it to "))).to_be_visible()
    page.goto(f"{service}/stock/top-up/")
    page.locator("ul.plain a", has_text=name).first.click()
    address = page.url
    # Line by line: what is asked for; of numbered pieces as many as there are.
    todo = page.locator("table.pick-list tbody tr:not(.done)")
    while todo.count():
        before = todo.count()
        row = todo.first
        take = re.search(r"\d+", row.locator("td[data-label=Take]").inner_text())
        assert take
        if row.get_by_role("button", name="Picked").count():
            row.get_by_role("button", name="Picked").click()
        else:
            row.locator("summary").first.click()
            for box in row.locator("input[type=checkbox]").all()[: int(take.group())]:
                box.check()
            row.get_by_label("If less, why").select_option("Cannot be found")
            row.get_by_role("button", name="Note it").click()
        expect(todo).to_have_count(before - 1)
    row = page.locator("table.pick-list tbody tr").filter(has_text=loose)
    row.locator("summary").first.click()
    take = re.search(r"\d+", row.locator("td[data-label=Take]").inner_text())
    assert take
    row.get_by_label("Picked, ").fill(take.group())
    row.get_by_role("button", name="Note it").click()
    expect(row.get_by_text(f"{take.group()} pc picked")).to_be_visible()
    look(page, "top-up-picked")
    page.get_by_role("button", name="Send the parcel").click()
    expect(page.get_by_text("The parcel is on its way.")).to_be_visible()
    page.goto(f"{service}/stock/top-up/")
    look(page, "top-up-sent")
    log_out(page)

    page.goto(f"{service}/accounts/login/")
    page.get_by_label("Email").fill(email)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(lambda url: "/accounts/login" not in url)
    page.goto(address)
    look(page, "top-up-confirm")
    scan(page, loose)
    expect(page.get_by_text("has arrived.")).to_be_visible()
    if page.get_by_role("button", name="Everything is here").count():
        page.get_by_role("button", name="Everything is here").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Confirmed")
    look(page, "top-up-confirmed")


def _give_up_todays_list(page: Page, service: str, name: str) -> None:
    """The van may have a list of today already, from the evening's run or another test."""
    page.goto(f"{service}/stock/transfers/?show=to-pick")
    for _ in range(5):
        row = page.locator("table.list tbody tr").filter(has_text=name).filter(has_text="Van top-up")
        if not row.count():
            return
        row.first.get_by_role("link").first.click()
        page.get_by_text("Give the list up").click()
        page.get_by_role("button", name="Cancel the list").click()
        page.goto(f"{service}/stock/transfers/?show=to-pick")
