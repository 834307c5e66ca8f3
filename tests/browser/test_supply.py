"""A panel's supply in Chromium: the too long power run, its cure, and a feed that is recorded on a phone."""

from __future__ import annotations

from collections.abc import Callable

from playwright.sync_api import Page, expect

from config.demo.awkward import FAILED
from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import SIZES, look

LogIn = Callable[[str, dict[str, int]], Page]


def _open_supply(page: Page, service: str) -> None:
    page.goto(f"{service}/sites/?q={FAILED.replace(' ', '+')}")
    page.get_by_role("link", name=FAILED).first.click()
    page.get_by_role("link", name="Supply: volts at each device, battery").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Supply: volts and battery")


@SIZES
def test_the_supply_of_a_site_with_a_long_power_run(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Service manager", size)
    _open_supply(page, service)
    expect(page.get_by_text("are lost on 225 m of cable from the panel to D5")).to_be_visible()
    expect(page.get_by_text("Power-supply ripple and inrush currents are not computed.")).to_be_visible()
    look(page, "supply")


def test_a_shorter_feed_is_recorded_on_a_phone(log_in: LogIn, service: str) -> None:
    page = log_in("Service scheduler", PHONE)
    page.goto(f"{service}/sites/?q=Ottermead")
    page.get_by_role("link", name="Ottermead Pottery").first.click()
    page.get_by_role("link", name="Supply: volts at each device, battery").click()
    page.get_by_role("link", name="Change the feed of D4").click()
    look(page, "power-feed")
    page.get_by_label("Cable from there, m").fill("21.5")
    page.get_by_role("button", name="Record this feed").click()
    expect(page.get_by_text("Power feed of D4 recorded")).to_be_visible()
    expect(page.get_by_role("row").filter(has_text="D4").first).to_contain_text("D2, 21.5 m")


def test_a_proposal_says_what_the_swap_does_to_the_supply(log_in: LogIn, service: str) -> None:
    page = log_in("Service manager", DESKTOP)
    page.goto(f"{service}/work/proposals/")
    page.locator("table.list tbody tr").first.get_by_role("link").last.click()
    expect(page.get_by_role("heading", name="What it does to the supply")).to_be_visible()
    look(page, "proposal-supply")
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    look(page, "proposal-supply")
