"""Suppliers, what they sell, and exchange rates."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils.text import slugify

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from stock.models import ExchangeRate, Item, Location, StoresPolicy, Supplier, SupplierItem

_CURRENCY = re.compile(r"[A-Z]{3}")
SUPPLIER_FIELDS = ("name", "lead_time_days", "currency", "email", "address")
TERMS_FIELDS = ("supplier_code", "unit_price", "minimum_order", "pack_size", "lead_time_days", "preferred")


def _checked_currency(text: str) -> str:
    if not _CURRENCY.fullmatch(text):
        raise InvalidInput(f"{text!r} is no code of a currency.", field="currency", value=text,
                           remedy="Write the three capital letters of ISO 4217, for example GBP or EUR.")
    return text


@transaction.atomic
def make_supplier(*, values: dict[str, Any], by: User) -> Supplier:
    """Add a supplier, with the place in the ledger that its goods come from.

    `values`: SUPPLIER_FIELDS. Raises Conflict (the name is taken) or InvalidInput (the currency).
    """
    _checked_currency(values["currency"])
    _name_is_free(values["name"])
    code = slugify(values["name"])[:24] or "supplier"
    if Location.objects.filter(code=code).exists():
        code = f"{code}-{Location.objects.filter(code__startswith=code).count() + 1}"
    place = Location.objects.create(code=code, name=values["name"], kind=Location.Kind.SUPPLIER)
    return Supplier.objects.create(location=place, **{name: values[name] for name in SUPPLIER_FIELDS if name in values})


@transaction.atomic
def change_supplier(supplier: Supplier, *, values: dict[str, Any], by: User) -> Supplier:
    """Change a supplier. The currency is that of its prices: with a list it is changed only when the list is empty.

    Raises Conflict (the name is taken, prices in the old currency) or InvalidInput.
    """
    now = Supplier.objects.select_for_update(of=("self",)).select_related("location").get(pk=supplier.pk)
    if "currency" in values and _checked_currency(values["currency"]) != now.currency and now.items.exists():
        raise Conflict(
            f"The prices of {now.name} are in {now.currency}.", field="currency", value=values["currency"],
            remedy="Take its items off the list first, then change the currency and enter the new prices.",
        )
    if "name" in values and values["name"] != now.name:
        _name_is_free(values["name"])
        now.location.name = values["name"]
        now.location.save(update_fields=["name"])
    for name in SUPPLIER_FIELDS:
        if name in values:
            setattr(now, name, values[name])
    now.save()
    return now


def _name_is_free(name: str) -> None:
    if Supplier.objects.filter(name=name).exists():
        raise Conflict(f"There is a supplier {name} already.", field="name", value=name, remedy="Choose another name.")


@transaction.atomic
def set_terms(supplier: Supplier, item: Item, *, values: dict[str, Any], by: User) -> SupplierItem:
    """Put an item on a supplier's list, or change how it is sold. The preferred supplier of an item is one: choosing
    another takes it from the first. Raises InvalidInput for a pack or least order below 1 or a price below 0."""
    for name in ("pack_size", "minimum_order"):
        if values.get(name) is not None and values[name] < 1:
            raise InvalidInput(f"{name.replace('_', ' ').capitalize()} is at least 1.", field=name, value=values[name],
                               remedy="Write a whole number from 1 up.")
    price = values.get("unit_price")
    if price is not None and price < 0:
        raise InvalidInput("A price is not below 0.", field="unit_price", value=price, remedy="Write 0 or more.")
    # Whoever sets another supplier for the same item waits here.
    Item.objects.select_for_update().get(pk=item.pk)
    if values.get("preferred"):
        SupplierItem.objects.filter(item=item, preferred=True).exclude(supplier=supplier).update(preferred=False)
    known = {name: values[name] for name in TERMS_FIELDS if name in values}
    found, _ = SupplierItem.objects.update_or_create(supplier=supplier, item=item, defaults=known)
    return found


@transaction.atomic
def drop_terms(supplier: Supplier, item: Item, *, by: User) -> None:
    """Take an item off a supplier's list. Orders keep their prices."""
    SupplierItem.objects.filter(supplier=supplier, item=item).delete()


@transaction.atomic
def set_exchange_rate(*, currency: str, valid_from: date, rate: Decimal, by: User) -> ExchangeRate:
    """Say what one unit of a currency is worth in the firm's own from a day on; the same day again replaces it.

    Orders keep the rate they were made with. Raises InvalidInput.
    """
    _checked_currency(currency)
    own = StoresPolicy.current().currency
    if currency == own:
        raise InvalidInput(f"{own} is the firm's own currency.", field="currency", value=currency,
                           remedy="Name the currency of a supplier's prices.")
    if rate <= 0:
        raise InvalidInput("A rate is above 0.", field="rate", value=rate,
                           remedy=f"Write how many {own} one {currency} is worth.")
    found, _ = ExchangeRate.objects.update_or_create(
        currency=currency, valid_from=valid_from, defaults={"rate": rate}
    )
    return found
