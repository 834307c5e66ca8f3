"""Complete detectors from parts, and the study of fewer variants carried out by the worker, in a real browser."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import LogIn, look

SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])


@SIZES
def test_a_stores_manager_sees_what_can_be_made_and_the_best_mix(
    log_in: LogIn, service: str, size: dict[str, int]
) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/kits/")
    rows = page.locator("table.list tbody tr")
    expect(rows.first).to_be_visible()
    look(page, "kits")
    for row, number in ((0, "40"), (1, "40"), (2, "3")):
        rows.nth(row).locator("input[type=number]").fill(number)
    rows.nth(1).locator("select").select_option("2")
    page.get_by_role("button", name="Compute the best mix").click()
    expect(page.get_by_role("heading", name=re.compile(r"Best mix: \d+ of 83 wanted"))).to_be_visible()
    expect(page.locator("#mix")).to_contain_text("Proven: no mix is better")
    expect(page.locator("#mix tbody tr")).to_have_count(3)
    look(page, "kits-mix")


@SIZES
def test_a_service_manager_has_a_study_carried_out(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Service manager", size)
    page.goto(f"{service}/work/range/")
    look(page, "range-studies")
    page.get_by_label("Positions of").select_option("Whole firm")
    page.get_by_role("button", name="Start").click()
    expect(page.get_by_role("heading", level=2, name=re.compile(r"Keep \d+ variants"))).to_be_visible(timeout=90_000)
    expect(page.locator("#study .tag").first).to_contain_text("Proven: no smaller set does")
    look(page, "range-study")


def test_a_stores_manager_sees_no_sites_in_a_study(log_in: LogIn, service: str) -> None:
    page = log_in("Stores", PHONE)
    page.goto(f"{service}/work/range/")
    page.get_by_role("button", name="Start").click()
    expect(page.get_by_role("heading", level=2, name=re.compile(r"Keep \d+ variants"))).to_be_visible(timeout=90_000)
    assert page.locator("#study a[href^='/sites/']").count() == 0
    look(page, "range-study-stores")
