"""Tables in and out in a real browser: a file looked over by the worker, taken in, and taken out again."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import LogIn, look

SIZES = pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])


@SIZES
def test_a_table_is_looked_over_taken_in_and_taken_out(log_in: LogIn, service: str, size: dict[str, int]) -> None:
    page = log_in("Stores manager", size)
    page.goto(f"{service}/stock/imports/")
    look(page, "tables-in")
    code = f"TT-{size['width']}"
    lines = f"stock number,name,kind,family\n{code},Blanking plug,spare,\n{code}-X,Nameless,,nowhere\n"
    page.get_by_label("What it holds").select_option(label="Stock items")
    page.get_by_label("CSV or XLSX file").set_input_files(
        {"name": "parts.csv", "mimeType": "text/csv", "buffer": lines.encode()}
    )
    page.get_by_role("button", name="Look over", exact=True).click()
    expect(page.locator("#import .tag").first).to_contain_text("Looked over", timeout=30_000)
    expect(page.get_by_role("cell", name="there is no such family")).to_be_visible()
    look(page, "table-looked-over")
    page.get_by_label("Take the good rows and leave out the bad ones").check()
    page.get_by_role("button", name="Take in").click()
    expect(page.locator("#import .tag").first).to_contain_text("Done", timeout=30_000)
    look(page, "table-taken-in")

    # Filtered without a reload: what is taken out is what the address says now.
    page.goto(f"{service}/stock/")
    page.get_by_label("Kind").select_option(label="End-of-line board")
    page.wait_for_url("**kind=board**")
    page.get_by_role("button", name="CSV").click()
    expect(page.locator("#export .tag").first).to_contain_text("Done", timeout=30_000)
    expect(page.get_by_text("filtered by kind board")).to_be_visible()
    look(page, "list-out")
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save the file").click()
    read = list(csv.reader(Path(saved.value.path()).read_text("utf-8-sig").splitlines()))
    assert read[0][:3] == ["stock number", "name", "kind"]
    assert {row[2] for row in read[1:-1]} == {"board"}
    page.goto(f"{service}/stock/exports/")
    look(page, "lists-out")
