"""Circuits as drawings in Chromium: legible on a phone, and every circuit of a site on paper."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESKTOP, PHONE
from tests.browser.test_roles import SIZES, LogIn, look

SHOTS = os.environ.get("ZONEWRIGHT_SHOTS")

# The texts of each piece as Chromium sets them: height on the screen, those that leave the drawing, those that meet.
MEASURE = """() => [...document.querySelectorAll('.diagram-column')].map(column => {
  const frame = column.getBoundingClientRect();
  const texts = [...column.querySelectorAll('text')].map(text => [text.textContent, text.getBoundingClientRect(),
    parseFloat(text.getAttribute('font-size')) * text.ownerSVGElement.getScreenCTM().a]);
  const out = texts.filter(([_, b]) => b.left < frame.left || b.right > frame.right).map(([words]) => words);
  const meet = [];
  texts.forEach(([words, a], i) => texts.slice(i + 1).forEach(([others, b]) => {
    // A line box is taller than its letters.
    const trim = (a.height + b.height) * 0.12;
    if (a.left < b.right && b.left < a.right && a.top + trim < b.bottom && b.top + trim < a.bottom)
      meet.push([words, others]);
  }));
  return {count: texts.length, smallest: Math.min(...texts.map(text => text[2])), out, meet};
})"""


def legible(page: Page) -> None:
    drawings = page.evaluate(MEASURE)
    assert drawings
    for drawing in drawings:
        assert drawing["count"] > 3
        assert drawing["smallest"] >= 11
        assert (drawing["out"], drawing["meet"]) == ([], [])


def open_sheets(page: Page) -> None:
    """The wiring sheets of the first site that the person finds."""
    page.get_by_role("link", name="Sites", exact=True).click()
    page.locator("#list a").first.click()
    page.get_by_role("link", name=re.compile("Wiring sheets")).first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Wiring sheets")


@SIZES
def test_engineer_sees_a_circuit_as_it_is_wired(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Engineer", size)
    open_sheets(page)
    legible(page)
    look(page, "wiring-sheets")
    heading = page.locator(".wiring-sheet h2").first
    number = (heading.get_attribute("id") or "").removeprefix("sheet-")
    page.goto(f"{service}/sites/circuit/{number}/diagram/")
    expect(page.get_by_role("img", name=re.compile("Wiring of Panel input"))).to_be_visible()
    legible(page)
    look(page, "circuit-diagram")
    page.get_by_text(re.compile("The wiring of circuit .* in words")).click()
    expect(page.locator(".diagram ol li").first).to_contain_text("From Panel input")
    expect(page.locator(".diagram ol li").last).to_contain_text("End of line")
    look(page, "circuit-diagram-words")


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_scheduler_prints_the_sheets_of_a_site(log_in: LogIn, size: dict[str, int], tmp_path: Path) -> None:
    page = log_in("Service scheduler", size)
    open_sheets(page)
    circuits = page.locator(".wiring-sheet").count()
    assert circuits > 0
    path = Path(SHOTS) / f"wiring-sheets-{size['width']}.pdf" if SHOTS else tmp_path / "sheets.pdf"
    paper = page.pdf(path=path, prefer_css_page_size=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", paper))
    assert circuits <= pages <= 2 * circuits, "a sheet each, and a second one where a drawing is long"
    page.emulate_media(media="print")
    for gone in (".top nav", ".wiring-head", ".bottom", ".wiring-sheet details"):
        expect(page.locator(gone).first).to_be_hidden()
    expect(page.locator(".wiring-foot")).to_contain_text("printed by ")
    expect(page.locator(".wiring-mark")).to_have_count(circuits)
    for mark in page.locator(".wiring-mark").all():
        expect(mark).to_be_visible()
        expect(mark).to_contain_text("Printed by ")
