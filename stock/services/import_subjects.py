"""What each kind of table changes: rows with their values to records, new or changed, in few statements."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, TypeVar, cast

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import models

from config.accounts.models import User
from config.errors import ZonewrightError
from stock.models import (
    BinPlace,
    Family,
    Item,
    Location,
    Movement,
    PastDemand,
    StockLevel,
    Supplier,
    SupplierItem,
    Variant,
)
from stock.models.files import TableImport
from stock.rules.table_rows import Problem, shown
from stock.services.catalogue import check_variant

Row = tuple[int, Mapping[str, Any]]
Subject = TableImport.Subject


@dataclass
class Change:
    """What one row does to one record: `fields` by name with the value before (None: new) and after, in words."""

    row: int
    label: str
    record: models.Model
    new: bool
    of: Change | None = None  # the change that makes what this record belongs to
    names: list[str] = field(default_factory=list)
    fields: dict[str, tuple[str, str]] = field(default_factory=dict)

    @property
    def does_something(self) -> bool:
        return self.new or bool(self.names)


Judged = tuple[list[Change], list[Problem]]


# How one kind of table is judged, in a few statements for all the rows given.
Judge = Callable[[Sequence[Row], User], Judged]


def _missing(row: int, column: str, value: object, what: str, remedy: str) -> Problem:
    return Problem(row, column, shown(value), what, remedy)


def _set(change: Change, values: Mapping[str, Any], columns: Mapping[str, str]) -> None:
    """Put the row's values into the record's fields (column to field), and note what differs."""
    for column, name in columns.items():
        if column not in values:
            continue
        before, after = getattr(change.record, name), values[column]
        if isinstance(before, Decimal) or isinstance(after, Decimal):
            same = before is not None and Decimal(str(before)) == Decimal(str(after))
        else:
            same = before == after
        if same and not change.new:
            continue
        setattr(change.record, name, after)
        change.names.append(name)
        change.fields[column] = ("" if change.new else _word(before), _word(after))


def _word(value: Any) -> str:
    if isinstance(value, models.Model):
        return str(getattr(value, "code", "") or getattr(value, "sku", "") or value)
    if isinstance(value, list):
        return " ".join(str(part) for part in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return shown(value)


def _asked(row: int, values: Mapping[str, Any], needed: Sequence[str], what: str) -> list[Problem]:
    return [
        Problem(row, name, "", f"is needed for a new {what}", "Fill it in, or check the key of a known one.")
        for name in needed if name not in values
    ]


def _families(rows: Sequence[Row]) -> dict[str, Family]:
    wanted = {values["family"].casefold() for _, values in rows if "family" in values}
    return {family.code.casefold(): family for family in Family.objects.all()} if wanted else {}


def _items_by_sku(rows: Sequence[Row], column: str = "stock number") -> dict[str, Item]:
    wanted = {values[column] for _, values in rows if column in values}
    return {item.sku: item for item in Item.objects.filter(sku__in=wanted).select_related("family")}


def _places(rows: Sequence[Row], by: User) -> dict[str, Location]:
    wanted = {values["location"] for _, values in rows}
    return {place.code: place for place in Location.objects.visible_to(by).counted().filter(code__in=wanted)}


def judge_items(rows: Sequence[Row], by: User) -> Judged:
    """Stock items. Three statements."""
    known, families = _items_by_sku(rows), _families(rows)
    moved = set(
        Movement.objects.filter(item__in=[item.pk for item in known.values()]).values_list("item_id", flat=True)
        .distinct()
    ) if any("tracking" in values for _, values in rows) else set()
    changes, problems = [], []
    for row, values in rows:
        sku = values["stock number"]
        item = known.get(sku)
        change = Change(row, sku, item or Item(sku=sku), new=item is None)
        given = dict(values)
        bad: list[Problem] = []
        if item is None:
            bad += _asked(row, values, ("name", "kind"), "item")
        if "family" in values:
            given["family"] = families.get(values["family"].casefold())
            if given["family"] is None:
                bad.append(_missing(row, "family", values["family"], "there is no such family",
                                    "Give the code of a family of the catalogue."))
        if item is not None and item.pk in moved and given.get("tracking", item.tracking) != item.tracking:
            bad.append(_missing(row, "tracking", values["tracking"], "cannot change: the item has movements",
                                "Leave it empty, or use another stock number."))
        if bad:
            problems += bad
            continue
        _set(change, given, {n: n for n in ("name", "kind", "family", "tracking", "unit")})
        changes.append(change)
    return changes, problems


_VARIANT_FIELDS = {
    "name": "name", "family": "family", "cover": "cover", "technology": "technology", "grade": "grade",
    "class": "environmental_class", "anti-mask": "anti_mask", "outputs": "outputs",
    "backplate generations": "backplate_generations", "supply min": "supply_min_v", "supply max": "supply_max_v",
    "quiescent": "quiescent_ma", "maximum": "maximum_ma", "discontinued on": "discontinued_on",
    "successor": "successor", "settings schema": "settings_schema", "factory settings": "factory_settings",
}
_NEW_VARIANT = (
    "name", "family", "cover", "technology", "grade", "class", "outputs", "backplate generations", "supply min",
    "supply max", "quiescent", "maximum", "settings schema", "factory settings",
)


def judge_variants(rows: Sequence[Row], by: User) -> Judged:
    """Variants. Four statements."""
    codes = {values["variant"] for _, values in rows} | {
        values["successor"] for _, values in rows if "successor" in values
    }
    known = {
        variant.code: variant
        for variant in Variant.objects.filter(code__in=codes).select_related("family", "cover", "successor")
    }
    families, covers = _families(rows), _items_by_sku(rows, "cover")
    changes, problems = [], []
    for row, values in rows:
        code = values["variant"]
        variant = known.get(code)
        change = Change(row, code, variant or Variant(code=code), new=variant is None)
        bad = _asked(row, values, _NEW_VARIANT, "variant") if variant is None else []
        given = dict(values)
        for column, found, what in (
            ("family", families.get(values.get("family", "").casefold()), "family"),
            ("cover", covers.get(values.get("cover", "")), "cover"),
            ("successor", known.get(values.get("successor", "")), "variant"),
        ):
            if column in values:
                given[column] = found
                if found is None or (isinstance(found, Item) and found.kind != Item.Kind.COVER):
                    bad.append(_missing(row, column, values[column], f"there is no such {what}",
                                        f"Give the {'stock number' if column == 'cover' else 'code'} of a {what}."))
        for column, read in (("outputs", _output), ("backplate generations", _generation)):
            try:
                if column in values:
                    given[column] = [read(part) for part in values[column]]
            except ValueError as error:
                bad.append(_missing(row, column, " ".join(values[column]), str(error), "See the list of columns."))
        if bad:
            problems += bad
            continue
        _set(change, given, _VARIANT_FIELDS)
        problems += _complete(change, row)
        if not problems or problems[-1].row != row:
            changes.append(change)
    return changes, problems


def _output(text: str) -> str:
    if text.casefold() not in {"alarm", "tamper", "mask", "fault"}:
        raise ValueError(f"'{shown(text)}' is no output")
    return text.casefold()


def _generation(text: str) -> int:
    if not text.isascii() or not text.isdecimal() or not 1 <= int(text) <= 999:
        raise ValueError(f"'{shown(text)}' is no generation")
    return int(text)


def _complete(change: Change, row: int) -> list[Problem]:
    """What is wrong with a variant as a whole: one problem at most."""
    variant = change.record
    assert isinstance(variant, Variant)
    try:
        variant.clean_fields(exclude=["family", "cover", "successor", "settings_schema", "factory_settings"])
        variant.validate_constraints(exclude=["code", "cover"])
        check_variant(variant)
    except ValidationError as error:
        column, messages = next(iter(error.message_dict.items()))
        return [Problem(row, column.replace("_", " ").strip(), change.label, messages[0], "Compare the row's values.")]
    except ZonewrightError as error:
        return [Problem(row, error.field.replace("_", " "), shown(error.value), error.message, error.remedy)]
    return []


def _item_and_place(row: int, values: Mapping[str, Any], items: Mapping[str, Item], places: Mapping[str, Location]) -> (
    list[Problem]
):
    bad = []
    if values["stock number"] not in items:
        bad.append(_missing(row, "stock number", values["stock number"], "there is no such item",
                            "Give a stock number of the catalogue; signs and case must match."))
    if values["location"] not in places:
        bad.append(_missing(row, "location", values["location"], "there is no such place",
                            "Give the code of a store, van or quarantine that you see."))
    return bad


AtPlace = TypeVar("AtPlace", StockLevel, BinPlace, PastDemand)


def _judge_at_places(
    rows: Sequence[Row], by: User, model: type[AtPlace], fields: Mapping[str, str], *, weekly: bool = False,
    wrong: Callable[[int, Mapping[str, Any]], list[Problem]] = lambda _row, _values: [],
) -> Judged:
    """Records of which there is one for each item and place (and week). Three statements."""
    items, places = _items_by_sku(rows), _places(rows, by)
    wanted: dict[str, Any] = {"item__in": items.values(), "location__in": places.values()}
    if weekly:
        wanted["week__in"] = {values["week"] for _, values in rows}
    known: dict[tuple[int, int, date | None], AtPlace] = {
        (one.item_id, one.location_id, one.week if isinstance(one, PastDemand) else None): one
        for one in model._default_manager.filter(**wanted)
    }
    changes, problems = [], []
    for row, values in rows:
        bad = _item_and_place(row, values, items, places) + wrong(row, values)
        if bad:
            problems += bad
            continue
        item, place = items[values["stock number"]], places[values["location"]]
        week = {"week": values["week"]} if weekly else {}
        record = known.get((item.pk, place.pk, week.get("week")))
        label = f"{item.sku} at {place.code}" + (f", week of {week['week']}" if week else "")
        change = Change(row, label, record or model(item=item, location=place, **week), new=record is None)
        _set(change, {**values, "by hand": True}, fields)
        changes.append(change)
    return changes, problems


def _minimum_over_target(row: int, values: Mapping[str, Any]) -> list[Problem]:
    if values["minimum"] <= values["target"]:
        return []
    return [_missing(row, "minimum", values["minimum"], f"is above the target {values['target']}",
                     "Lower the minimum or raise the target.")]


def judge_levels(rows: Sequence[Row], by: User) -> Judged:
    """Levels of items at places; each counts as set by hand from then on. Three statements."""
    fields = {"minimum": "minimum", "target": "target", "by hand": "by_hand"}
    return _judge_at_places(rows, by, StockLevel, fields, wrong=_minimum_over_target)


def judge_bins(rows: Sequence[Row], by: User) -> Judged:
    """Where items lie. Three statements."""
    return _judge_at_places(rows, by, BinPlace, {"bin": "code"})


def judge_demand(rows: Sequence[Row], by: User) -> Judged:
    """Past demand by week. Three statements."""
    return _judge_at_places(rows, by, PastDemand, {"quantity": "quantity"}, weekly=True)


_SUPPLIER_FIELDS = {"currency": "currency", "e-mail": "email", "address": "address"}
_OFFER_FIELDS = {
    "supplier's code": "supplier_code", "unit price": "unit_price", "minimum order": "minimum_order",
    "pack size": "pack_size", "lead time": "lead_time_days", "preferred": "preferred",
}


def _contact(row: int, values: Mapping[str, Any]) -> list[Problem]:
    bad = []
    currency = values.get("currency", "GBP")
    if len(currency) != 3 or not currency.isascii() or not currency.isalpha():
        bad.append(_missing(row, "currency", currency, "is no currency", "Write its three letters, for example GBP."))
    try:
        validate_email(values.get("e-mail", "name@place.example"))
    except ValidationError:
        bad.append(_missing(row, "e-mail", values["e-mail"], "is no e-mail address", "Write it as name@place.example."))
    return bad


def judge_suppliers(rows: Sequence[Row], by: User) -> Judged:
    """Suppliers, and what each asks for an item. Four statements, and one for each new supplier's place."""
    items = _items_by_sku(rows)
    known = {supplier.name: supplier for supplier in Supplier.objects.all()}
    offers = {
        (offer.supplier_id, offer.item_id): offer for offer in SupplierItem.objects.filter(item__in=items.values())
    }
    changes: list[Change] = []
    problems: list[Problem] = []
    made: dict[str, Change] = {}
    for row, values in rows:
        name = values["supplier"]
        bad: list[Problem] = []
        if "stock number" in values and values["stock number"] not in items:
            bad.append(_missing(row, "stock number", values["stock number"], "there is no such item",
                                "Give a stock number of the catalogue; signs and case must match."))
        bad += _contact(row, values)
        item = items.get(values.get("stock number", ""))
        supplier = known.get(name)
        offer = offers.get((supplier.pk, item.pk)) if supplier and item else None
        if item is not None and offer is None and "unit price" not in values:
            bad += _asked(row, values, ("unit price",), "price")
        if bad:
            problems += bad
            continue
        own = made.get(name) or Change(row, name, supplier or Supplier(name=name), new=supplier is None)
        if name not in made:
            made[name] = own
            changes.append(own)
        own_values = dict(values)
        if "currency" in own_values:
            own_values["currency"] = own_values["currency"].upper()
        columns = _SUPPLIER_FIELDS if item is not None else {**_SUPPLIER_FIELDS, "lead time": "lead_time_days"}
        _set(own, own_values, columns)
        if item is not None:
            record = offer or SupplierItem(supplier=cast("Supplier", own.record), item=item, preferred=False)
            change = Change(row, f"{item.sku} from {name}", record, new=offer is None, of=own)
            _set(change, values, _OFFER_FIELDS)
            changes.append(change)
    return changes, problems


JUDGES: Mapping[str, Judge] = {
    Subject.ITEMS: judge_items,
    Subject.VARIANTS: judge_variants,
    Subject.LEVELS: judge_levels,
    Subject.SUPPLIERS: judge_suppliers,
    Subject.BINS: judge_bins,
    Subject.DEMAND: judge_demand,
}
