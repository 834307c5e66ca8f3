"""A supplier of one's own in the running demo, and items that the store has too little of."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass
from typing import Any

from playwright.sync_api import Page

_NUMBERS = itertools.count(1)


@dataclass(frozen=True)
class Scene:
    supplier: str
    address: str
    spare: dict[str, Any]
    cover: dict[str, Any]
    other: dict[str, Any]


def api(page: Page, service: str, method: str, path: str, data: Any = None, **headers: str) -> Any:
    """A request of the REST interface as the person who is logged in; answers body and headers."""
    token = next((c["value"] for c in page.context.cookies() if c["name"] == "csrftoken"), "")  # type: ignore[typeddict-item]
    answer = page.request.fetch(
        f"{service}/api/{path}", method=method, data=data,
        headers={"X-CSRFToken": token, "Referer": service, **headers},
    )
    assert answer.ok, answer.text()
    return answer.json(), answer.headers


def fill(page: Page, **values: str) -> None:
    for name, value in values.items():
        page.locator(f"main form.form [name='{name}']").fill(value)


def make_scene(page: Page, service: str) -> Scene:
    """As the stores manager: a new supplier sells a spare and a cover, of which the first store has too little."""
    name = f"Tern Row Supplies {next(_NUMBERS)} {page.viewport_size['width']}"  # type: ignore[index]
    page.goto(f"{service}/stock/suppliers/new/")
    fill(page, name=name, currency="GBP", email="orders@tern-row.example", address="7 Tern Row\nElmersley")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url(re.compile(r"/suppliers/\d+/$"))
    address = page.url
    store = next(row for row in api(page, service, "GET", "locations/?kind=store")[0]["results"])
    levels = api(page, service, "GET", f"stock-levels/?location={store['id']}&size=200")[0]["results"]
    with_level = {level["item"]: level for level in levels}
    chosen = {}
    for role, kind, tracking in (("spare", "spare", "none"), ("cover", "cover", "serial"), ("other", "insert", "none")):
        items = api(page, service, "GET", f"items/?kind={kind}&tracking={tracking}&size=200")[0]["results"]
        chosen[role] = next(item for item in items if item["id"] in with_level)
    for role, price, pack in (("spare", "6.20", "4"), ("cover", "41.5", "1")):
        item = chosen[role]
        page.goto(f"{address}items/new/")
        fill(page, item=item["sku"], supplier_code=f"TR-{item['id']}", unit_price=price, pack_size=pack)
        page.get_by_role("button", name="Save").click()
        page.wait_for_url(address)
        held = api(page, service, "GET", f"balances/?item={item['id']}&location={store['id']}")[0]["results"]
        coming = sum(row["on_hand"] + row["on_order"] for row in held)
        level = f"stock-levels/{with_level[item['id']]['id']}/"
        tag = api(page, service, "GET", level)[1]["etag"]
        api(page, service, "PATCH", level, {"minimum": coming + 30, "target": coming + 41}, **{"If-Match": tag})
    return Scene(name, address, chosen["spare"], chosen["cover"], chosen["other"])
