"""Each role logs in with Chromium, on a desk and on a phone, and does what it came for."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP, PHONE

SHOTS = os.environ.get("ZONEWRIGHT_SHOTS")
LogIn = Callable[[str, dict[str, int]], Page]
SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])


def look(page: Page, name: str) -> None:
    """No serious or critical accessibility violation, no sideways scrolling, and a picture if asked for."""
    results = Axe().run(page)
    bad = [
        f"{v['id']}: {v['help']} at {[n['target'] for n in v['nodes']][:4]}"
        for v in results.response["violations"]
        if v["impact"] in {"serious", "critical"}
    ]
    width = page.viewport_size["width"] if page.viewport_size else 0
    if SHOTS:
        Path(SHOTS).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{SHOTS}/{name}-{width}.png", full_page=True)
    assert bad == [], name
    overflow = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert overflow <= 0, f"{name} scrolls sideways by {overflow} px"


def test_log_in_page_and_a_wrong_password(page: Page, service: str) -> None:
    page.goto(f"{service}/accounts/login/")
    look(page, "login")
    page.get_by_label("Email").fill("nobody@nowhere.example")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Log in").click()
    expect(page.locator(".error, .errorlist").first).to_be_visible()


@SIZES
def test_stores_manager_sees_what_is_short_and_where_serials_are(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Stores", size)
    expect(page.get_by_role("heading", level=1)).to_have_text("Stores today")
    look(page, "stores-today")
    page.get_by_role("link", name="Levels").click()
    rows = page.locator("table.list tbody tr")
    expect(rows.first).to_contain_text("Short by")
    look(page, "stock-levels")
    page.get_by_label("Kind").select_option("cover")
    page.wait_for_url(re.compile("kind=cover"))
    expect(rows.first).to_be_visible()
    rows.first.get_by_role("link").first.click()
    expect(page.get_by_role("heading", name=re.compile("Serial", re.IGNORECASE)).first).to_be_visible()
    look(page, "stock-item")


@SIZES
def test_scheduler_sees_why_it_is_overdue_and_plans_a_visit(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Service scheduler", size)
    expect(page.locator("table.list tbody tr").first).to_contain_text(re.compile("overdue|escalated", re.IGNORECASE))
    look(page, "due")
    page.get_by_role("link", name=re.compile("Plan a visit")).first.click()
    expect(page.get_by_label(re.compile("Engineer")).first).to_be_visible()
    look(page, "visit-plan")


@SIZES
def test_scheduler_reads_a_swap_proposal(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Service scheduler", size)
    page.get_by_role("link", name="Swap proposals").click()
    expect(page.locator("table.list tbody tr").first).to_contain_text("Fits")
    look(page, "proposals")
    page.locator("table.list tbody tr").first.locator("a[href*='/proposals/']").click()
    expect(page.get_by_role("button", name=re.compile("Accept"))).to_be_visible()
    look(page, "proposal")
    page.get_by_role("link", name=re.compile("why not", re.IGNORECASE)).first.click()
    look(page, "device-swaps")


@SIZES
def test_engineer_finds_a_site_and_reads_its_sheet(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Engineer", size)
    look(page, "visits")
    page.get_by_role("link", name="Sites", exact=True).click()
    look(page, "sites")
    reference = page.locator("#list a").first.inner_text().strip()
    page.get_by_role("searchbox").or_(page.get_by_label(re.compile("Find|Search"))).first.type(reference[:4], delay=40)
    expect(page.locator("#list a").first).to_be_visible()
    page.locator("#list a").first.click()
    expect(page.get_by_text(re.compile("monitoring centre")).first).to_be_visible()
    expect(page.get_by_text(re.compile("Access notes", re.IGNORECASE)).first).to_be_visible()
    look(page, "site-sheet")


@SIZES
def test_service_manager_and_administrator_see_the_nightly_work(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Service manager", size)
    look(page, "service-manager")
    page.get_by_role("link", name="Nightly work").click()
    expect(page.get_by_text(re.compile("Done")).first).to_be_visible()
    look(page, "jobs")


def test_double_booking_is_refused_and_explained(log_in: LogIn, service: str) -> None:
    page = log_in("Service scheduler", DESKTOP)
    for _ in range(2):
        page.goto(f"{service}/work/due/")
        page.get_by_role("link", name=re.compile("Plan a visit")).first.click()
        page.get_by_label("Day").fill("2031-03-04")
        page.get_by_label("From").fill("09:00")
        page.get_by_label(re.compile("^(To|Until)")).fill("10:30")
        page.get_by_label("Engineer", exact=True).select_option(index=1)
        page.get_by_role("button", name=re.compile("Plan")).click()
        page.wait_for_load_state()
    expect(page.locator(".error").first).to_contain_text(re.compile("already|overlap|booked", re.IGNORECASE))
    look(page, "visit-plan-refused")


def open_visit_with_loop_test(page: Page) -> None:
    """From the first page to a visit with a loop still to be measured; other tests may have recorded some."""
    page.get_by_role("link", name="Record results").first.wait_for()
    addresses = page.locator("main a[href*='/visits/']").evaluate_all("links => links.map(link => link.href)")
    field = page.get_by_label("Measured loop resistance")
    for address in dict.fromkeys(addresses):
        page.goto(address)
        if field.count():
            break
    expect(field.first).to_be_visible()


@SIZES
def test_engineer_records_a_visit(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Engineer", size)
    open_visit_with_loop_test(page)
    expect(page.get_by_role("heading", name="Record results")).to_be_visible()
    look(page, "visit-record")
    loop = page.locator("section.card", has=page.get_by_label(re.compile("Measured loop"))).first
    loop.get_by_label(re.compile("Measured loop")).fill("about four")
    loop.get_by_label("Passed", exact=True).check()
    page.get_by_role("button", name=re.compile("Record|Save")).last.click()
    expect(page.get_by_text("'about four'")).to_be_visible()
    look(page, "visit-record-refused")
    loop = page.locator("section.card", has=page.get_by_label(re.compile("Measured loop"))).first
    loop.get_by_label(re.compile("Measured loop")).fill("4k72")
    page.get_by_role("button", name=re.compile("Record|Save")).last.click()
    expect(page.locator(".tag", has_text="Done").first).to_be_visible()
    expect(page.get_by_text("4.72 kΩ").first).to_be_visible()
    look(page, "visit-done")


def test_scheduler_accepts_a_swap_and_its_parts_are_reserved(log_in: LogIn) -> None:
    page = log_in("Service scheduler", DESKTOP)
    page.get_by_role("link", name="Swap proposals").click()
    page.locator("table.list tbody tr").first.locator("a[href*='/proposals/']").click()
    page.get_by_role("button", name=re.compile("Accept")).click()
    expect(page.locator(".tag", has_text="Accepted").first).to_be_visible()
    look(page, "proposal-accepted")


@SIZES
def test_administrator_opens_the_administration_pages(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Administrator", size)
    expect(page.get_by_role("heading", name="Nightly work")).to_be_visible()
    page.goto(f"{service}/admin/")
    expect(page.get_by_role("link", name="Regimes", exact=True)).to_be_visible()
