"""From a proposal to a placed order, on a desk and on a phone: edited, approved by a second person, placed, printed."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.order_scene import make_scene
from tests.browser.test_roles import SHOTS, SIZES, look

LogIn = Callable[[str, dict[str, int]], Page]


@SIZES
def test_a_proposal_is_edited_approved_and_placed(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    scene = make_scene(page, service)
    page.goto(scene.address)
    look(page, "supplier")
    page.goto(f"{service}/stock/orders/")
    page.get_by_role("button", name="Propose orders now").click()
    expect(page.get_by_text("Proposals are up to date")).to_be_visible()
    page.get_by_label("Supplier").select_option(label=scene.supplier)
    page.wait_for_url(re.compile("supplier="))
    rows = page.locator("table.list tbody tr")
    expect(rows).to_have_count(1)
    expect(rows.first).to_contain_text("Proposed")
    look(page, "orders")
    rows.first.get_by_role("link").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Order PO-")
    address = page.url
    expect(page.get_by_text("set by hand; fills up to").first).to_be_visible()
    look(page, "order-proposed")

    page.get_by_label(f"Quantity of {scene.cover['sku']}").fill("12")
    page.get_by_label("Add an item").fill(scene.other["sku"])
    page.locator("[name=add_quantity]").fill("10")
    page.locator("[name=add_price]").fill("1.35")
    page.get_by_label("Note printed on the order").fill("Deliver to the back gate, please.")
    page.get_by_role("button", name="Save the draft").click()
    expect(page.get_by_text("is saved.")).to_be_visible()
    expect(page.get_by_text("set by hand", exact=True).first).to_be_visible()
    page.get_by_role("button", name="Ask for approval").click()
    expect(page.locator(".tag", has_text="Waiting for approval")).to_be_visible()
    look(page, "order-waiting")
    page.get_by_role("button", name="Log out").click()

    page = log_in("Service manager", size)
    page.goto(f"{service}/stock/orders/?state=waiting")
    look(page, "orders-waiting")
    page.goto(address)
    look(page, "order-to-approve")
    page.get_by_role("button", name="Approve").click()
    expect(page.locator(".tag", has_text="Approved, not placed yet")).to_be_visible()
    page.get_by_role("button", name="Place and mail it").click()
    expect(page.get_by_text("went by mail to orders@tern-row.example")).to_be_visible()
    expect(page.get_by_role("link", name="Receive", exact=True)).to_be_visible()
    look(page, "order-placed")

    paper = page.request.get(f"{address}paper/")
    assert paper.headers["content-type"] == "application/pdf"
    assert paper.body().startswith(b"%PDF-")
    if SHOTS:
        (Path(SHOTS) / f"order-{os.getpid()}.pdf").write_bytes(paper.body())
    table = page.request.get(f"{address}table/")
    assert table.text().count("\r\n") == 4


@SIZES
def test_rates_and_a_supplier_abroad(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/suppliers/")
    look(page, "suppliers")
    page.get_by_role("link", name="Exchange rates").click()
    expect(page.get_by_label("GBP for one")).to_be_visible()
    look(page, "exchange-rates")
    page.goto(f"{service}/stock/orders/?state=waiting")
    page.get_by_role("link", name="PO-ND-1").click()
    expect(page.get_by_text("1 EUR = 0.863100 GBP")).to_be_visible()
    look(page, "order-abroad")
