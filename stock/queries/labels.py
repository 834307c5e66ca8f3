"""What can be labelled, and the words under each label's code; only what the person sees."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from config.accounts.models import User
from stock.models import Balance, BinPlace, Item, Location, Movement, Order, Serial
from stock.rules.codes import code_of, read_code

# More than a few sheets at once is a slip of the hand, and each label is two fields of the page's form.
MOST = 450


@dataclass(frozen=True)
class Label:
    """A label: the code that its QR leads to, a title and lines of words under it."""

    code: str
    kind: str
    title: str
    lines: tuple[str, ...]

    @property
    def kind_words(self) -> str:
        return {"serial": "Serial", "item": "Item", "location": "Place"}[self.kind]


def _of_serial(serial: Serial) -> Label:
    batch = (f"Batch {serial.batch}",) if serial.batch else ()
    return Label(code_of("serial", serial.pk), "serial", serial.number, (serial.item.sku, serial.item.name, *batch))


def _of_item(item: Item, bins: Sequence[BinPlace]) -> Label:
    where = tuple(f"{place.location.name}, bin {place.code}" for place in bins[:1])
    return Label(code_of("item", item.pk), "item", item.sku, (item.name, *where))


def _of_place(place: Location) -> Label:
    return Label(code_of("location", place.pk), "location", place.name, (place.get_kind_display(),))


def _serials(user: User, keys: Any) -> list[Label]:
    """`keys`: of serials, or a query that gives them."""
    found = Serial.objects.visible_to(user).filter(pk__in=keys).select_related("item").order_by("item__sku", "number")
    return [_of_serial(serial) for serial in found[:MOST]]


def _items(user: User, keys: Iterable[int], *, at: int | None = None) -> list[Label]:
    keys = list(keys)
    if not keys:
        return []
    bins: dict[int, list[BinPlace]] = {}
    seen = Location.objects.visible_to(user)
    for place in (
        BinPlace.objects.filter(item__in=keys, location__in=seen if at is None else seen.filter(pk=at))
        .select_related("location").order_by("location__name", "pk")
    ):
        bins.setdefault(place.item_id, []).append(place)
    found = list(Item.objects.filter(pk__in=keys))
    found.sort(key=lambda item: (_walk(bins[item.pk][0].code if item.pk in bins else "~"), item.sku))
    return [_of_item(item, bins.get(item.pk, [])) for item in found[:MOST]]


def _walk(code: str) -> list[tuple[str, int]]:
    """A bin's code as one walks past it: A1-2 before A1-10."""
    return [(text, int(number or 0)) for text, number in re.findall(r"(\D*)(\d{0,9})", code)]


def _places(user: User, keys: Iterable[int]) -> list[Label]:
    return [_of_place(p) for p in Location.objects.visible_to(user).counted().filter(pk__in=keys).order_by("name")]


def labels_of(user: User, codes: Iterable[str]) -> list[Label]:
    """The labels of these codes, places first, then items by bin, then serials. Four statements."""
    keys: dict[str, list[int]] = {"location": [], "item": [], "serial": []}
    for text in codes:
        code = read_code(text)
        if code is not None and code.kind in keys:
            keys[code.kind].append(code.number)
    return [
        *_places(user, keys["location"]), *_items(user, keys["item"]), *_serials(user, keys["serial"]),
    ][:MOST]


def labels_for(
    user: User, *, serial: int | None = None, item: int | None = None, location: int | None = None,
    order: int | None = None,
) -> list[Label]:
    """Labels that go with a serial, an item and its serials in stock, a place and all it holds, or what an order
    brought in. At most seven statements."""
    labels: list[Label] = []
    seen = Location.objects.visible_to(user).counted()
    if serial is not None:
        labels += _serials(user, [serial])
    if item is not None:
        labels += _items(user, [item])
        labels += _serials(user, Serial.objects.filter(item_id=item, location__in=seen).values("pk"))
    if location is not None and seen.filter(pk=location).exists():
        held = Balance.objects.filter(location_id=location, on_hand__gt=0).values_list("item_id", flat=True)
        binned = BinPlace.objects.filter(location_id=location).values_list("item_id", flat=True)
        labels += _places(user, [location])
        labels += _items(user, {*held, *binned}, at=location)
        labels += _serials(user, Serial.objects.filter(location_id=location).values("pk"))
    if order is not None:
        found = Order.objects.visible_to(user).filter(pk=order).first()
        if found is not None:
            came = Movement.objects.filter(
                reference=found.number, kind=Movement.Kind.RECEIVE, destination_id=found.destination_id
            )
            labels += _items(user, {*came.values_list("item_id", flat=True)}, at=found.destination_id)
            labels += _serials(user, came.exclude(serial=None).values("serial_id"))
    return labels[:MOST]
