"""The circuit's page and the list of loops, on a desk and on a phone."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import LogIn, look

SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])


@SIZES
def test_engineer_opens_a_circuit_from_the_sheet(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Engineer", size)
    page.get_by_role("link", name="Sites", exact=True).click()
    page.locator("#list a").first.click()
    expect(page.get_by_text(re.compile("^Expected at the panel: normal ")).first).to_be_visible()
    page.get_by_text(re.compile("^Wiring diagram of circuit")).first.click()
    expect(page.locator("figure.diagram svg").first).to_be_visible()
    look(page, "site-diagram")
    page.locator("h3[id^=circuit-] a").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Circuit ")
    expect(page.get_by_text(re.compile("disconnect the pair from the panel")).first).to_be_visible()
    # What comes after the page: the form for a measured value, the diagram, the values over the years.
    expect(page.get_by_label("The meter shows")).to_be_visible()
    expect(page.locator("figure.diagram svg").first).to_be_visible()
    expect(page.get_by_role("heading", name="Measured over the years")).to_have_count(1)
    look(page, "circuit")
    for summary in ("At the far end", "Two signals at once"):
        page.get_by_text(summary, exact=True).first.click()
    look(page, "circuit-open")
    page.get_by_label("The meter shows").press_sequentially("12k", delay=60)
    expect(page.locator("ol.causes > li").first).to_be_visible()


@SIZES
def test_scheduler_sees_which_loops_to_look_at(log_in: LogIn, size: dict[str, int]) -> None:
    page = log_in("Service scheduler", size)
    page.get_by_role("link", name="Loops", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Loops to look at")
    row = page.locator("table.list tbody tr").first
    expect(row).to_contain_text("reads wrong")
    look(page, "loops")
    page.locator("#outcome").select_option("wrong")
    page.wait_for_url(re.compile("outcome=wrong"))
    row.get_by_role("link").first.click()
    expect(page.get_by_text("Cure:").first).to_be_visible()
    look(page, "circuit-wrong")
