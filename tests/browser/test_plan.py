"""What to hold, in the browser: from the list to every figure's reasons, a level from the plan and back by hand."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import look

LogIn = Callable[[str, dict[str, int]], Page]
SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])


@SIZES
def test_from_the_list_to_the_reasons(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/plan/")
    rows = page.locator("table.list tbody tr")
    expect(rows.first).to_be_visible()
    look(page, "plan")
    page.get_by_label("Kind").select_option("spare")
    page.wait_for_url(re.compile("kind=spare"))
    expect(rows.first).to_contain_text("Spare part")
    rows.filter(has_text="SP-SCREW").first.get_by_role("link").click()
    expect(page.get_by_role("heading", name="The coming weeks")).to_be_visible()
    expect(page.locator("svg.stock-plot").first).to_be_visible()
    point = page.locator("summary", has_text="Reorder point:")
    point.click()
    expect(page.get_by_text("An order is made as soon as on hand and on order together")).to_be_visible()
    look(page, "plan-item")
    page.locator("summary", has_text="The same as a table").click()
    expect(page.get_by_text("Nine cases of ten").first).to_be_attached()
    look(page, "plan-item-table")


@SIZES
def test_a_level_from_the_plan_and_back_by_hand(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/plan/?search=SP-LABEL")
    page.locator("table.list tbody tr").first.get_by_role("link").click()
    page.get_by_role("button", name="Let the plan set it").click()
    expect(page.get_by_text("the plan sets it each night")).to_be_visible()
    page.locator("summary", has_text="Set by hand").click()
    page.get_by_label("Hold at least").fill("9")
    page.get_by_label("Fill up to").fill("3")
    page.get_by_role("button", name="Set by hand").click()
    expect(page.get_by_text("It cannot be filled up to 3 and hold at least 9.")).to_be_visible()
    look(page, "plan-item-refused")
    page.get_by_label("Fill up to").fill("30")
    page.get_by_role("button", name="Set by hand").click()
    expect(page.get_by_text("set by hand").first).to_be_visible()


@SIZES
def test_the_policy(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/plan/")
    page.get_by_role("link", name="Policy and service levels").click()
    look(page, "plan-policy")
    page.get_by_label("Class BY, percent").fill("96")
    page.get_by_role("button", name="Set the policy").click()
    expect(page.get_by_text("The policy is set.")).to_be_visible()
    expect(page.get_by_label("Class BY, percent")).to_have_value("96.00")
