"""Measured values in a real browser: the instant verdict on a phone, the trend, and a file taken in by the worker."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from config.demo import awkward
from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import LogIn, look, open_visit_with_loop_test

SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])


def open_drifting_circuit(page: Page, service: str) -> None:
    page.goto(f"{service}/sites/?q={awkward.DRIFTING.replace(' ', '+')}")
    page.get_by_role("link", name=awkward.DRIFTING).click()
    page.get_by_role("heading", level=1).wait_for()
    circuit = page.evaluate("document.querySelector('[id^=circuit-]').id.split('-')[1]")
    page.goto(f"{service}/sites/circuit/{circuit}/trend/")


def test_an_engineer_on_a_phone_reads_the_verdict_while_recording(log_in: LogIn, service: str) -> None:
    page = log_in("Engineer", PHONE)
    open_visit_with_loop_test(page)
    field = page.get_by_label("Measured loop resistance")
    where = page.locator(f"#{field.first.get_attribute('aria-describedby')}")
    field.first.fill("4700V")
    field.first.blur()
    expect(where.locator(".error")).to_contain_text("is not a resistance")
    field.first.fill("99k")
    field.first.blur()
    expect(where).to_contain_text(re.compile("Outside|Nothing is computed"))
    address = page.url
    look(page, "visit-verdict")
    assert page.url == address


@SIZES
def test_a_drifting_loop_is_drawn_and_a_value_written_down(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Service manager", size)
    open_drifting_circuit(page, service)
    expect(page.locator("svg.trend circle").first).to_be_visible()
    expect(page.locator("#trend .tag").first).to_contain_text("Rises by")
    look(page, "trend")
    page.get_by_text("Write down a measured value").click()
    page.get_by_label("Measured (Ω)").fill("6k5")
    page.get_by_label("Every device was at rest").uncheck()
    page.get_by_role("button", name="Write down").click()
    expect(page.get_by_text("The measured value is written down.")).to_be_visible()
    page.locator("#trend summary").first.click()
    expect(page.locator("#trend table.list tbody tr").first).to_contain_text("6.5 kΩ")
    look(page, "trend-written")


def test_a_file_is_taken_in_by_the_worker_while_the_page_watches(log_in: LogIn, service: str) -> None:
    page = log_in("Service manager", PHONE)
    page.goto(f"{service}/sites/imports/")
    look(page, "imports")
    lines = "Site;Circuit;Date;Measured;Note\nS000011;1;2026-11-02;6,6 kΩ;\nS000011;1;2026-11-03;4700V;=1+1\n"
    page.get_by_label("CSV or XLSX file").set_input_files(
        {"name": "values.csv", "mimeType": "text/csv", "buffer": lines.encode()}
    )
    page.get_by_role("button", name="Take in").click()
    expect(page.get_by_text("Nothing of the file was taken in.")).to_be_visible(timeout=30_000)
    expect(page.locator("table.list tbody tr")).to_have_count(1)
    look(page, "import-refused")
    page.get_by_label("Take the good rows even if others are bad").check()
    page.get_by_role("button", name="Run again").click()
    expect(page.locator("#import .tag")).to_contain_text("Taken in", timeout=30_000)
    look(page, "import-done")
    page.goto(f"{service}/work/drifts/")
    look(page, "drifts")
