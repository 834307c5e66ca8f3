"""An engineer with a meter in hand finds the cause of what it shows, on a phone."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import LogIn, look, open_visit_with_loop_test


def open_site(page: Page) -> None:
    page.get_by_role("link", name="Sites", exact=True).click()
    page.locator("#list a").first.click()
    expect(page.get_by_text(re.compile("monitoring centre")).first).to_be_visible()


def test_engineer_types_a_value_and_reads_the_causes(log_in: LogIn, service: str) -> None:
    page = log_in("Engineer", PHONE)
    open_site(page)
    circuit = page.locator("h3[id^=circuit-]").first.get_attribute("id") or ""
    page.goto(f"{service}/sites/circuit/{circuit.removeprefix('circuit-')}/diagnose/")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Find the fault")
    look(page, "diagnose-empty")
    page.get_by_label("The meter shows").press_sequentially("open", delay=60)
    causes = page.locator("ol.causes > li")
    expect(causes.first).to_be_visible()
    look(page, "diagnose-causes")
    # What was typed stays in the address, and the caret where it was.
    expect(page).to_have_url(re.compile(r"\?m=open~panel"))
    expect(page.get_by_label("The meter shows")).to_be_focused()
    before = causes.all_inner_texts()
    # The page says what the next measurement may show; one of these values is what the meter then shows.
    shown = re.search(r"([\d.]+) (k?)Ω speaks for", page.locator("#causes p.help").first.inner_text())
    assert shown is not None
    page.get_by_role("link", name=re.compile("^Next: ")).click()
    expect(page.get_by_label("The meter shows")).to_have_value("")
    expect(page.get_by_label("The meter shows")).to_be_focused()
    look(page, "diagnose-next")
    page.get_by_label("The meter shows").press_sequentially(shown[1] + shown[2], delay=60)
    expect(page.locator("#causes li", has_text="Remove measurement 2")).to_be_visible()
    expect(causes.first).to_contain_text("Measurement 2: would read")
    assert 0 < causes.count() < len(before)
    look(page, "diagnose-narrowed")
    page.reload()
    expect(page.locator("#causes li", has_text="Remove measurement 2")).to_be_visible()
    page.get_by_role("link", name="Remove measurement 2").click()
    expect(page.locator("#causes li", has_text="Remove measurement 2")).to_have_count(0)
    expect(causes).to_have_count(len(before))


def test_a_value_that_is_none_is_explained_without_a_reload(log_in: LogIn, service: str) -> None:
    page = log_in("Engineer", DESKTOP)
    open_site(page)
    circuit = page.locator("h3[id^=circuit-]").first.get_attribute("id") or ""
    page.goto(f"{service}/sites/circuit/{circuit.removeprefix('circuit-')}/diagnose/")
    page.get_by_label("The meter shows").press_sequentially("about four", delay=20)
    expect(page.locator("#causes .error")).to_contain_text("'about four'")
    look(page, "diagnose-refused")


def test_a_circuits_page_leads_to_the_causes_and_keeps_a_value(log_in: LogIn, service: str) -> None:
    page = log_in("Engineer", PHONE)
    open_site(page)
    page.locator("a[href*='/sites/circuit/']").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Circuit")
    # The parts that come by themselves: the form of a reading, the drawing and the values over the years.
    expect(page.get_by_label("The meter shows")).to_be_visible()
    expect(page.locator("svg").first).to_be_visible()
    page.wait_for_load_state("networkidle")
    look(page, "circuit")
    page.get_by_label("The meter shows").press_sequentially("4k7", delay=40)
    page.get_by_label("Nobody about").check()
    expect(page.locator("#causes").get_by_text("all at rest").first).to_be_visible()
    look(page, "circuit-causes")
    page.get_by_role("button", name="Write this down").click()
    expect(page.get_by_text("4.7 kΩ written down")).to_be_visible()
    look(page, "circuit-written-down")


def test_the_recording_page_judges_a_value_without_a_reload(log_in: LogIn) -> None:
    page = log_in("Engineer", PHONE)
    open_visit_with_loop_test(page)
    address = page.url
    field = page.get_by_label(re.compile("Measured loop")).first
    field.press_sequentially("330", delay=40)
    field.press("Tab")
    verdict = page.get_by_role("link", name="Find the cause").first
    expect(verdict).to_be_visible()
    assert page.url == address
    look(page, "record-verdict")
    verdict.click()
    expect(page.get_by_label("The meter shows")).to_have_value("330")
    expect(page.locator("ol.causes > li").first).to_be_visible()
    look(page, "record-causes")


def test_scheduler_opens_the_loops_that_want_a_look(log_in: LogIn) -> None:
    page = log_in("Service scheduler", DESKTOP)
    page.get_by_role("link", name="Loops", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Loops to look at")
    expect(page.locator("#list tbody tr").first).to_be_visible()
    look(page, "loops")
    page.locator("#list tbody a[href*='/circuit/']").first.click()
    expect(page.get_by_label("The meter shows")).to_be_visible()
    page.wait_for_load_state("networkidle")
    look(page, "loops-circuit")
