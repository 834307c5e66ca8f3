"""The lists that can be taken out as files: which rows a person sees of each, in which order, under which headings.

Lists that an import knows carry the import's headings, so that what was taken out can be changed and taken in again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import F, Q, QuerySet, Value
from django.db.models.functions import Coalesce
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from stock.models import (
    BinPlace,
    CountLine,
    Item,
    Location,
    Movement,
    OrderLine,
    PastDemand,
    Reservation,
    Serial,
    StockLevel,
    SupplierItem,
    TransferLine,
    Variant,
)
from stock.queries.items import levels
from stock.queries.orders import orders
from stock.queries.plan_view import plans
from stock.queries.transfers import transfers

Rows = QuerySet[Any, Any]
Filters = Mapping[str, str]


@dataclass(frozen=True)
class ExportList:
    """One list. `columns`: heading and the field of a row; `rows`: what the person sees, filtered; `fields` names the
    filters that count, others are left out of the file's foot."""

    title: str
    right: Right
    columns: tuple[tuple[str, str], ...]
    rows: Callable[[User, Filters], Rows]
    filters: tuple[str, ...] = ()

    @property
    def headings(self) -> tuple[str, ...]:
        return tuple(heading for heading, _ in self.columns)

    def line(self, row: Mapping[str, Any]) -> tuple[Any, ...]:
        return tuple(_cell(row[field]) for _, field in self.columns)


def _cell(value: Any) -> Any:
    if isinstance(value, list):
        return " ".join(str(part) for part in value)
    if isinstance(value, dict):
        return json.dumps(value, sort_keys=True)
    return value


def _number(filters: Filters, name: str) -> int | None:
    text = filters.get(name, "")
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 19 else None


def _where(filters: Filters, numbers: Mapping[str, str], words: Mapping[str, str]) -> Q:
    """A condition from the filters of a page's address; what is no number where one is due is left out."""
    wanted = Q()
    for name, field in numbers.items():
        number = _number(filters, name)
        if number is not None:
            wanted &= Q(**{field: number})
    for name, field in words.items():
        if filters.get(name):
            wanted &= Q(**{field: filters[name]})
    return wanted


def _items(_user: User, filters: Filters) -> Rows:
    return Item.objects.filter(_where(filters, {"family": "family_id"}, {"kind": "kind"})).order_by("sku").values(
        "sku", "name", "kind", "family__code", "tracking", "unit"
    )


def _variants(_user: User, _filters: Filters) -> Rows:
    return Variant.objects.order_by("code").values(
        "code", "name", "family__code", "cover__sku", "technology", "grade", "environmental_class", "anti_mask",
        "outputs", "backplate_generations", "supply_min_v", "supply_max_v", "quiescent_ma", "maximum_ma",
        "discontinued_on", "successor__code", "settings_schema", "factory_settings",
    )


def _levels(user: User, filters: Filters) -> Rows:
    found = levels(
        user, family=_number(filters, "family"), kind=filters.get("kind") or None,
        location=_number(filters, "location"), below_only=filters.get("below") == "on",
    )
    return found.order_by("location__name", "item__sku", "id")


def _settings(user: User, filters: Filters) -> Rows:
    return StockLevel.objects.visible_to(user).filter(_where(filters, {"location": "location_id"}, {})).order_by(
        "location__code", "item__sku"
    ).values("item__sku", "location__code", "minimum", "target")


def _movements(user: User, filters: Filters) -> Rows:
    return (
        Movement.objects.visible_to(user)
        .filter(_where(filters, {"item": "item_id", "source": "source_id", "destination": "destination_id"},
                       {"kind": "kind", "reference": "reference"}))
        .order_by("-id")
        .values("id", "at", "kind", "item__sku", "quantity", "source__name", "destination__name", "serial__number",
                "batch", "reference", "note", "posted_by__name", "corrects_id")
    )


def _serials(user: User, filters: Filters) -> Rows:
    return (
        Serial.objects.visible_to(user).filter(_where(filters, {"item": "item_id", "location": "location_id"}, {}))
        .order_by("item__sku", "number", "id")
        .values("item__sku", "number", "batch", place=Coalesce(F("location__name"), Value("never received")))
    )


def _reservations(user: User, filters: Filters) -> Rows:
    return Reservation.objects.visible_to(user).filter(
        _where(filters, {"item": "item_id", "location": "location_id"}, {"state": "state", "reference": "reference"})
    ).order_by("-id").values(
        "id", "item__sku", "location__name", "quantity", "needed_on", "reference", "state", "ahead", "made_at"
    )


def _orders(user: User, filters: Filters) -> Rows:
    wanted = orders(
        user, today=timezone.localdate(), state=filters.get("state", ""), supplier=_number(filters, "supplier"),
        destination=_number(filters, "destination"),
    )
    return (
        OrderLine.objects.filter(order__in=wanted.values("pk"))
        .order_by("-order_id", "id")
        .values("order__number", "order__supplier__name", "order__destination__name", "order__state",
                "order__ordered_on", "order__expected_on", "item__sku", "quantity", "received", "over", "unit_price",
                "order__currency", "reason")
    )


def _suppliers(_user: User, filters: Filters) -> Rows:
    return SupplierItem.objects.filter(_where(filters, {"supplier": "supplier_id"}, {})).order_by(
        "supplier__name", "item__sku"
    ).values("supplier__name", "item__sku", "supplier_code", "unit_price", "minimum_order", "pack_size",
             "lead_time_days", "preferred", "supplier__currency", "supplier__email", "supplier__address")


def _transfers(user: User, filters: Filters) -> Rows:
    wanted = transfers(user, show=filters.get("show", "all"), location=_number(filters, "location"))
    return (
        TransferLine.objects.filter(transfer__in=wanted.values("pk"))
        .order_by("-transfer_id", "id")
        .values("transfer__number", "transfer__source__name", "transfer__destination__name", "transfer__purpose",
                "transfer__state", "transfer__for_day", "item__sku", "batch", "wanted", "sent", "arrived", "settled")
    )


def _counts(user: User, filters: Filters) -> Rows:
    """Of counts that are posted: a blind one that is under way tells nobody what the ledger holds."""
    return (
        CountLine.objects.filter(count__location__in=Location.objects.visible_to(user), count__state="posted")
        .filter(_where(filters, {"location": "count__location_id"}, {}))
        .order_by("-count_id", "id")
        .values("count__number", "count__location__name", "count__posted_at", "item__sku", "batch", "counted", "book",
                "difference_posted", "counted_by__name")
    )


def _plans(user: User, filters: Filters) -> Rows:
    place = filters.get("location", "0")
    found = plans(
        user, search=filters.get("search", ""), location=_number(filters, "location") or None, stores_only=not place,
        kind=filters.get("kind", ""), abc=filters.get("abc", ""), xyz=filters.get("xyz", ""),
        below_only=filters.get("below") == "on",
    )
    return found.order_by("location__code", "item__sku").values(
        "item__sku", "location__code", "abc", "xyz", "method", "rate_per_week", "known_in_lead_time",
        "lead_time_days", "service_percent", "safety_stock", "reorder_point", "order_quantity", "supplier__name",
    )


def _bins(user: User, filters: Filters) -> Rows:
    return BinPlace.objects.filter(location__in=Location.objects.visible_to(user)).filter(
        _where(filters, {"location": "location_id"}, {})
    ).order_by("location__code", "code", "item__sku").values("item__sku", "location__code", "code")


def _demand(user: User, filters: Filters) -> Rows:
    return PastDemand.objects.filter(location__in=Location.objects.visible_to(user)).filter(
        _where(filters, {"location": "location_id", "item": "item_id"}, {})
    ).order_by("location__code", "item__sku", "week").values("item__sku", "location__code", "week", "quantity")


def _columns(*pairs: str) -> tuple[tuple[str, str], ...]:
    """Pairs written as "heading: field"."""
    split = [pair.partition(": ") for pair in pairs]
    return tuple((heading, name) for heading, _, name in split)


LISTS: Mapping[str, ExportList] = {
    "levels": ExportList("Stock on hand", Right.SEE_STOCK, _columns(
        "stock number: item__sku", "name: item__name", "kind: item__kind", "family: item__family__name",
        "location: location__name", "on hand: on_hand", "reserved: reserved", "available: available",
        "on order: on_order", "minimum: minimum", "target: target", "unit: item__unit",
    ), _levels, ("family", "kind", "location", "below")),
    "items": ExportList("Stock items", Right.SEE_CATALOGUE, _columns(
        "stock number: sku", "name: name", "kind: kind", "family: family__code", "tracking: tracking", "unit: unit",
    ), _items, ("family", "kind")),
    "variants": ExportList("Variants", Right.SEE_CATALOGUE, _columns(
        "variant: code", "name: name", "family: family__code", "cover: cover__sku", "technology: technology",
        "grade: grade", "class: environmental_class", "anti-mask: anti_mask", "outputs: outputs",
        "backplate generations: backplate_generations", "supply min: supply_min_v", "supply max: supply_max_v",
        "quiescent: quiescent_ma", "maximum: maximum_ma", "discontinued on: discontinued_on",
        "successor: successor__code", "settings schema: settings_schema", "factory settings: factory_settings",
    ), _variants),
    "minimums": ExportList("Levels as set", Right.SEE_STOCK, _columns(
        "stock number: item__sku", "location: location__code", "minimum: minimum", "target: target",
    ), _settings, ("location",)),
    "movements": ExportList("Movements", Right.SEE_STOCK, _columns(
        "number: id", "at: at", "kind: kind", "stock number: item__sku", "quantity: quantity", "from: source__name",
        "to: destination__name", "serial: serial__number", "batch: batch", "reference: reference", "note: note",
        "by: posted_by__name", "corrects: corrects_id",
    ), _movements, ("item", "source", "destination", "kind", "reference")),
    "serials": ExportList("Serial numbers", Right.SEE_STOCK, _columns(
        "stock number: item__sku", "serial: number", "batch: batch", "place: place",
    ), _serials, ("item", "location")),
    "reservations": ExportList("Reservations", Right.SEE_STOCK, _columns(
        "number: id", "stock number: item__sku", "location: location__name", "quantity: quantity",
        "needed on: needed_on", "reference: reference", "state: state", "ahead: ahead", "made at: made_at",
    ), _reservations, ("item", "location", "state", "reference")),
    "orders": ExportList("Orders", Right.ORDER_STOCK, _columns(
        "order: order__number", "supplier: order__supplier__name", "destination: order__destination__name",
        "state: order__state", "ordered on: order__ordered_on", "expected on: order__expected_on",
        "stock number: item__sku", "quantity: quantity", "received: received", "over: over",
        "unit price: unit_price", "currency: order__currency", "reason: reason",
    ), _orders, ("supplier", "destination", "state")),
    "suppliers": ExportList("Suppliers and prices", Right.ORDER_STOCK, _columns(
        "supplier: supplier__name", "stock number: item__sku", "supplier's code: supplier_code",
        "unit price: unit_price", "minimum order: minimum_order", "pack size: pack_size",
        "lead time: lead_time_days", "preferred: preferred", "currency: supplier__currency",
        "e-mail: supplier__email", "address: supplier__address",
    ), _suppliers, ("supplier",)),
    "transfers": ExportList("Transfers", Right.SEE_STOCK, _columns(
        "transfer: transfer__number", "from: transfer__source__name", "to: transfer__destination__name",
        "purpose: transfer__purpose", "state: transfer__state", "for: transfer__for_day", "stock number: item__sku",
        "batch: batch", "wanted: wanted", "sent: sent", "arrived: arrived", "settled: settled",
    ), _transfers, ("show", "location")),
    "counts": ExportList("Counts", Right.SEE_STOCK, _columns(
        "count: count__number", "location: count__location__name", "posted at: count__posted_at",
        "stock number: item__sku", "batch: batch", "counted: counted", "book: book", "difference: difference_posted",
        "counted by: counted_by__name",
    ), _counts, ("location",)),
    "plans": ExportList("What to hold", Right.SEE_STOCK, _columns(
        "stock number: item__sku", "location: location__code", "value class: abc", "regularity class: xyz",
        "method: method", "demand a week: rate_per_week", "known work: known_in_lead_time",
        "lead time in days: lead_time_days", "service level in percent: service_percent",
        "safety stock: safety_stock", "reorder point: reorder_point", "order quantity: order_quantity",
        "supplier: supplier__name",
    ), _plans, ("search", "location", "abc", "xyz", "kind", "below")),
    "bins": ExportList("Bins", Right.SEE_STOCK, _columns(
        "stock number: item__sku", "location: location__code", "bin: code",
    ), _bins, ("location",)),
    "demand": ExportList("Past demand", Right.SEE_STOCK, _columns(
        "stock number: item__sku", "location: location__code", "week: week", "quantity: quantity",
    ), _demand, ("location", "item")),
}


def lists_of(user: User) -> Sequence[tuple[str, str]]:
    """Key and title of the lists that the person may take out."""
    return [(key, found.title) for key, found in LISTS.items() if user.has_right(found.right)]
