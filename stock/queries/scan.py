"""What a scanned label, or a text typed into the scan box, stands for; only what the person sees is found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from config.accounts.models import User
from stock.models import Item, Location, Order, Serial, StockCount, Transfer
from stock.rules.codes import Code, read_code

# How many of each kind a search lists.
MOST = 20


@dataclass(frozen=True)
class Hit:
    """One thing found: kind as in stock.rules.codes, its key, its name and what else to say of it."""

    kind: str
    pk: int
    name: str
    detail: str

    @property
    def kind_words(self) -> str:
        return {"count": "Stock count"}.get(self.kind, self.kind.capitalize())


def _items(_user: User) -> QuerySet[Any]:
    return Item.objects.all()


def _serials(user: User) -> QuerySet[Any]:
    return Serial.objects.visible_to(user).select_related("item")


def _locations(user: User) -> QuerySet[Any]:
    return Location.objects.visible_to(user)


def _transfers(user: User) -> QuerySet[Any]:
    return Transfer.objects.visible_to(user).select_related("source", "destination")


def _orders(user: User) -> QuerySet[Any]:
    return Order.objects.visible_to(user).select_related("supplier")


def _counts(user: User) -> QuerySet[Any]:
    return StockCount.objects.visible_to(user).select_related("location")


_SEEN = {
    "item": _items, "serial": _serials, "location": _locations, "transfer": _transfers, "order": _orders,
    "count": _counts,
}


def _state(row: Any) -> str:
    return str(row.get_state_display()).lower()


_WORDS: dict[str, Callable[[Any], tuple[str, str]]] = {
    "item": lambda row: (row.sku, row.name),
    "serial": lambda row: (row.number, f"{row.item.sku} {row.item.name}"),
    "location": lambda row: (row.name, row.get_kind_display()),
    "transfer": lambda row: (row.number, f"{row.source} to {row.destination}, {_state(row)}"),
    "order": lambda row: (row.number, f"{row.supplier}, {_state(row)}"),
    "count": lambda row: (row.number, f"{row.location}, {_state(row)}"),
}


def _hit(kind: str, row: Any) -> Hit:
    return Hit(kind, row.pk, *_WORDS[kind](row))


def by_code(user: User, code: Code) -> Hit | None:
    """The thing that a label stands for, if the person sees it. One statement."""
    row = _SEEN[code.kind](user).filter(pk=code.number).first()
    return None if row is None else _hit(code.kind, row)


def find(user: User, text: str) -> list[Hit]:
    """What a scanned or typed text can mean: a label's code or address, or else a number as printed on a thing or a
    paper; where none is exactly so, things whose number begins so or whose name holds it.

    One statement for a code; six for what is found exactly; three more when nothing is.
    """
    text = text.strip()
    if not text or "\0" in text:
        return []
    code = read_code(text)
    if code is not None:
        hit = by_code(user, code)
        return [] if hit is None else [hit]
    # Scanners give what is printed; people write small letters.
    spelled = {text, text.upper(), text.lower()}
    exact = [
        _hit(kind, row)
        for kind, field in (
            ("serial", "number"), ("item", "sku"), ("location", "code"), ("transfer", "number"), ("order", "number"),
            ("count", "number"),
        )
        for row in _SEEN[kind](user).filter(**{f"{field}__in": spelled}).order_by(field, "pk")[:MOST]
    ]
    return exact or _like(user, text)


def _like(user: User, text: str) -> list[Hit]:
    # By the index of numbers, which a search that minds no case could not use.
    serials = _serials(user).filter(number__startswith=text.upper()).order_by("number", "pk")[:MOST]
    items = Item.objects.filter(sku__istartswith=text) | Item.objects.filter(name__icontains=text)
    places = _locations(user).filter(name__icontains=text)
    return [
        *[_hit("serial", row) for row in serials],
        *[_hit("item", row) for row in items.order_by("sku")[:MOST]],
        *[_hit("location", row) for row in places.order_by("name", "pk")[:MOST]],
    ]
