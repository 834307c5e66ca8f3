"""A delivery, with a phone or at a desk: in two parts, with more than ordered and with something wrong."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable

from playwright.sync_api import Page, expect

from tests.browser.order_scene import Scene, api, make_scene
from tests.browser.test_roles import SIZES, look

LogIn = Callable[[str, dict[str, int]], Page]


def placed_order(page: Page, service: str, scene: Scene) -> str:
    """Ten spares and two covers, placed; the address of its page."""
    store = api(page, service, "GET", "locations/?kind=store")[0]["results"][0]
    supplier = int(scene.address.rstrip("/").rsplit("/", 1)[1])
    lines = [{"item": scene.spare["id"], "quantity": 10}, {"item": scene.cover["id"], "quantity": 2}]
    made, _ = api(page, service, "POST", "orders/",
                  {"supplier": supplier, "destination": store["id"], "lines": lines},
                  **{"Idempotency-Key": uuid.uuid4().hex})
    api(page, service, "POST", f"orders/{made['id']}/place/", {})
    return f"{service}/stock/orders/{made['id']}/"


@SIZES
def test_a_delivery_in_two_parts(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    scene = make_scene(page, service)
    address = placed_order(page, service, scene)
    code = address.rstrip("/").rsplit("/", 1)[1]
    page.goto(f"{service}/stock/scan/o-{code}/")
    expect(page).to_have_url(address)
    page.get_by_role("link", name="Receive", exact=True).click()
    page.get_by_label("Delivery note").fill("DN 4711")
    page.get_by_role("button", name="Use for this delivery").click()
    look(page, "receive")

    page.get_by_role("link", name=f"Receive {scene.spare['name']}").click()
    expect(page.get_by_label("Delivery note")).to_have_value("DN 4711")
    page.get_by_label("How many came").fill("6")
    page.get_by_role("button", name="Receive").click()
    expect(page.get_by_text("4 pc still to come.")).to_be_visible()

    page.get_by_role("link", name=f"Receive {scene.cover['name']}").click()
    mark = uuid.uuid4().hex[:6].upper()
    for number in (f"{mark}-1", f"{mark}-2"):
        page.get_by_label("Scan a serial number").fill(number)
        page.get_by_label("Scan a serial number").press("Enter")
        expect(page.locator(".tag-ok", has_text=number)).to_be_visible()
    page.get_by_label("Scan a serial number").fill(f"{mark}-2")
    page.get_by_label("Scan a serial number").press("Enter")
    expect(page.get_by_text(f"{mark}-2 is on the list already.")).to_be_visible()
    look(page, "receive-numbers")
    page.get_by_label("Batch number").fill("B26-11")
    page.get_by_role("button", name="Receive").click()
    expect(page.get_by_text("The line is complete.")).to_be_visible()

    # The second delivery: five of the four that were open, and something that nobody ordered.
    page.get_by_role("link", name=f"Receive {scene.spare['name']}").click()
    page.get_by_label("How many came").fill("5")
    page.get_by_role("button", name="Receive").click()
    expect(page.get_by_text("5 are 1 too many")).to_be_visible()
    look(page, "receive-too-many")
    page.get_by_label("Keep it at the line's price").check()
    page.get_by_role("button", name="Receive").click()
    expect(page.get_by_text("1 pc more than ordered was kept.")).to_be_visible()
    expect(page.locator(".tag", has_text="Received")).to_be_visible()

    page.get_by_role("link", name="Something came that is not on the order").click()
    look(page, "receive-wrong")
    page.get_by_label("Stock number of what came").fill(scene.other["sku"])
    page.get_by_role("button", name="Next").click()
    page.get_by_label("How many came").fill("3")
    page.get_by_role("button", name="Take into quarantine").click()
    expect(page.locator(".tag", has_text="to decide")).to_be_visible()
    look(page, "receive-held")
    page.get_by_role("checkbox").first.check()
    page.get_by_role("button", name="Return to the supplier").click()
    expect(page.locator(".tag", has_text="Returned to the supplier")).to_be_visible()
    page.get_by_role("link", name="Back to the order").click()
    expect(page.get_by_text(re.compile("1 over")).first).to_be_visible()
    look(page, "order-received")
