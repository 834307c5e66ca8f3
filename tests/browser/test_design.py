"""A circuit is designed before it is wired, at the desk and on the phone."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from tests.browser.conftest import DESKTOP
from tests.browser.test_roles import SIZES, LogIn, look


@SIZES
def test_a_circuit_is_designed_and_its_address_sent_on(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Engineer", size)
    page.get_by_role("link", name="Sites", exact=True).click()
    page.get_by_role("link", name=re.compile("Design a circuit")).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Design a circuit")
    look(page, "design-empty")
    profile = page.get_by_label("Panel and input")
    profile.select_option(label="deol-4k7: Double EOL, alarm and tamper on one pair")
    result = page.locator("#design-result")
    expect(result.get_by_role("heading", name="How it reads")).to_be_visible()
    expect(result).to_contain_text("This wiring needs an end-of-line resistor and an alarm resistor")
    page.get_by_label("Devices", exact=True).fill("3")
    page.get_by_label("Metres to the first").fill("40")
    page.get_by_label("Metres to the first").blur()
    expect(result).to_contain_text("50 m, panel to end")
    page.get_by_label("A board").select_option(label="Board double EOL 4k7/4k7")
    expect(result).to_contain_text("Next to the values given")
    expect(result.locator(".tag").first).to_have_text("Reads right")
    look(page, "design-board")
    page.wait_for_url(re.compile("first_m=40"))
    page.goto(page.url)
    expect(page.locator("#design-result")).to_contain_text("50 m, panel to end")
    page.get_by_label("A board").select_option(label="Board double EOL 1k/1k")
    expect(page.locator("#design-result .tag").first).to_have_text("Reads wrong")
    look(page, "design-wrong")


def test_a_slip_is_named_without_losing_the_form(log_in: LogIn, service: str) -> None:
    page = log_in("Service scheduler", DESKTOP)
    page.goto(f"{service}/sites/design/")
    page.get_by_label("Panel and input").select_option(index=1)
    page.get_by_label("End-of-line resistor").fill("4x7")
    page.get_by_role("button", name="Compute").click()
    expect(page.locator("#design-result")).to_contain_text("'4x7' is not a resistor value. Write it as 2k2")
    expect(page.get_by_label("End-of-line resistor")).to_have_value("4x7")
    look(page, "design-slip")
