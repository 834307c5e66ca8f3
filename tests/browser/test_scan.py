"""From the scan box to a serial's life, and a piece out of a store into quarantine and back."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.browser.test_roles import SIZES, LogIn, look


def _open_serial(page: Page, service: str) -> str:
    """The page of a cover's serial in a store; gives its number."""
    page.goto(f"{service}/stock/?kind=cover")
    for address in [
        row.get_attribute("href") for row in page.locator("table.list tbody a[href*='/stock/items/']").all()
    ]:
        page.goto(f"{service}{address}here/")
        piece = page.locator("li", has_text=re.compile("Store ")).locator("a[href*='/stock/serials/']").last
        if piece.count():
            number = piece.inner_text()
            piece.click()
            return number
    raise AssertionError("no cover with a number lies in a store")


@SIZES
def test_scan_box_leads_to_the_life_of_a_serial(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    number = _open_serial(page, service)
    page.goto(f"{service}/stock/scan/")
    look(page, "scan-box")
    box = page.get_by_label("Label, serial number")
    box.fill(number.lower())
    box.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Serial {number}")
    expect(page.locator("ol.life > li").first).to_contain_text(re.compile("Received|Transferred"))
    look(page, "serial")
    page.goto(f"{service}/stock/scan/?q=nothing-like-this")
    expect(page.get_by_role("status")).to_contain_text("Nothing found")
    look(page, "scan-nothing")
    page.goto(f"{service}/stock/scan/?q=cover")
    look(page, "scan-several")


@SIZES
def test_piece_goes_into_quarantine_is_tested_and_released(
    log_in: LogIn, size: dict[str, int], service: str
) -> None:
    page = log_in("Stores", size)
    number = _open_serial(page, service)
    page.get_by_role("link", name="Put into quarantine").click()
    page.get_by_label("What is wrong with it").fill(f"reacts late {size['width']}")
    if not page.get_by_label("To", exact=True).input_value():
        page.get_by_label("To", exact=True).select_option(index=1)
    look(page, "posting")
    page.get_by_role("button", name="Put into quarantine").click()
    expect(page.get_by_text("Posted: serial")).to_be_visible()
    page.goto(f"{service}/stock/quarantine/")
    row = page.locator("table.list tbody tr", has_text=f"Serial {number}")
    expect(row).to_contain_text(f"reacts late {size['width']}")
    look(page, "quarantine")
    row.get_by_role("link", name="Tested: release").click()
    page.get_by_label("What was tested").fill("ten walks, all seen")
    page.get_by_label("To", exact=True).select_option(index=1)
    page.get_by_role("button", name="Tested: release").click()
    expect(page.locator("ol.life > li").first).to_contain_text("Released after test")
    page.locator("ol.life a[href*='/stock/movements/']").first.click()
    look(page, "movement")
    page.get_by_label("What was wrong").fill("released by mistake")
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_text("Takes back")).to_be_visible()
    expect(page.get_by_text("taken back by this counter-movement")).to_be_visible()


@SIZES
def test_labels_of_a_place_become_a_pdf(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/scan/?q=store-ell")
    expect(page.get_by_role("heading", level=1)).to_have_text("Store Ellerquay")
    look(page, "place")
    page.get_by_role("link", name="Print labels").click()
    expect(page.get_by_role("checkbox").first).to_be_checked()
    look(page, "labels")
    with page.expect_popup() as opened:
        page.get_by_role("button", name="Make the PDF").click()
    answer = opened.value
    assert "/stock/labels/print/" in answer.url


@SIZES
def test_item_says_where_it_lies_and_is_reserved_by_hand(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/?kind=board")
    address = page.locator("table.list tbody a[href*='/stock/items/']").last.get_attribute("href")
    page.goto(f"{service}{address}here/")
    page.get_by_label("At", exact=True).select_option(index=1)
    page.get_by_label("Quantity").fill("1000000")
    page.get_by_label("Needed on").fill("2026-12-20")
    page.get_by_label("For which work").fill(f"show room {size['width']}")
    page.get_by_role("button", name="Reserve").click()
    expect(page.get_by_text("more cannot be taken or promised")).to_be_visible()
    look(page, "item-here")


@SIZES
def test_camera_button_only_where_the_browser_reads_codes(
    log_in: LogIn, size: dict[str, int], service: str
) -> None:
    page = log_in("Engineer", size)
    page.goto(f"{service}/stock/scan/")
    expect(page.get_by_label("Label, serial number")).to_be_visible()
    expect(page.locator(".scan-button")).to_have_count(0)
    # A browser that can: the label that it reads is put in and sent.
    page.add_init_script(
        """
        window.BarcodeDetector = class {
            static async getSupportedFormats() { return ["qr_code"]; }
            async detect() { return [{ rawValue: "https://stock.example/stock/scan/i-999999999/" }]; }
        };
        const stream = () => document.createElement("canvas").captureStream();
        Object.defineProperty(navigator, "mediaDevices", { value: {
            enumerateDevices: async () => [{ kind: "videoinput" }], getUserMedia: async () => stream(),
        }});
        """
    )
    page.reload()
    page.get_by_role("button", name=re.compile("^Scan")).click()
    page.wait_for_url(re.compile(r"q=i-999999999"))
    expect(page.get_by_role("status")).to_contain_text("Nothing found")
