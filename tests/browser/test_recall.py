"""A recall from the item to its list of sites, and the parts of a visit on the engineer's page."""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo

from playwright.sync_api import Page, expect

from tests.browser.test_roles import SIZES, LogIn, look


def _open_batch(page: Page, service: str) -> None:
    """The page of a batch that is in use and not recalled yet."""
    page.goto(f"{service}/stock/scan/?q=cover&list=1")
    items = [row.get_attribute("href") for row in page.locator("table.list a[href*='/here/']").all()]
    for item in items:
        page.goto(f"{service}{item}")
        batches = [row.get_attribute("href") for row in page.locator("a[href*='/work/recalls/new/']").all()]
        for batch in batches:
            page.goto(f"{service}{batch}")
            in_use = page.get_by_text(re.compile(r"at \d+ sites? that you see"))
            if in_use.count() and page.get_by_role("button", name=re.compile("Recall batch")).count():
                return
    raise AssertionError("no batch is in use")


@SIZES
def test_recall_from_item_to_the_list_of_sites(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Service manager", size)
    _open_batch(page, service)
    look(page, "recall-start")
    page.get_by_label("What is wrong with the batch").fill("The lens clouds: look at each.")
    page.get_by_role("button", name=re.compile("Recall batch")).click()
    expect(page.get_by_text("The recall is made.")).to_be_visible()
    rows = page.locator("table.list tbody tr", has=page.locator("a[href*='/sites/']"))
    expect(rows.first).to_contain_text("no visit yet")
    look(page, "recall")
    join = page.get_by_role("button", name=re.compile("^Join that visit"))
    if join.count():
        join.first.click()
        expect(page.get_by_text(re.compile(r"is on visit \d+"))).to_be_visible()
    aside = page.get_by_role("button", name=re.compile("into quarantine"))
    if aside.count():
        aside.click()
        expect(page.locator(".messages")).to_contain_text(re.compile("put into quarantine|reserved"))
    page.get_by_role("button", name="Close the recall").click()
    expect(page.get_by_role("alert")).to_contain_text("not done yet")
    page.get_by_role("button", name=re.compile("^Settled otherwise")).first.click()
    expect(page.get_by_text(re.compile(r"1 of \d+ sites? done|1 of \d+"))).to_be_visible()
    look(page, "recall-under-way")
    with page.expect_download() as taken:
        page.get_by_role("link", name="Sites as CSV").click()
    assert taken.value.suggested_filename.startswith("recall-")
    page.goto(f"{service}/work/recalls/")
    look(page, "recalls")


@SIZES
def test_engineer_records_the_parts_of_a_visit(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Engineer", size)
    # A visit of today: other tests may have recorded its results, which leaves its parts to be recorded.
    today = datetime.now(ZoneInfo("Europe/London")).date()
    page.goto(f"{service}/work/visits/?day={today.isoformat()}")
    page.locator("#list a[href^='/work/visits/']").first.click()
    page.get_by_role("link", name="Parts", exact=True).click()
    look(page, "visit-parts")
    part = page.get_by_label("Part in the van")
    part.select_option(index=1)
    chosen = part.locator("option:checked").inner_text()
    page.locator("form", has=part).get_by_label("Quantity").fill("1")
    page.locator("form", has=part).get_by_role("button", name="Record as fitted").click()
    if page.get_by_text("tracked by batch").count():
        page.get_by_label("Batch number").fill(page.locator("#van-batches option").first.get_attribute("value") or "")
        page.locator("form", has=page.get_by_label("Part in the van")).get_by_role(
            "button", name="Record as fitted"
        ).click()
    expect(page.get_by_text("Fitted: 1")).to_be_visible()
    row = page.locator("table.list tbody tr").first
    expect(row).to_contain_text(chosen.split(" (")[0])
    look(page, "visit-parts-fitted")
    row.get_by_role("button", name=re.compile("Take back")).click()
    expect(page.get_by_text("Taken back:")).to_be_visible()
