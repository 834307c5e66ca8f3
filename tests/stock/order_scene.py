"""A supplier with a price list, and an order of it."""

from __future__ import annotations

import uuid
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from django.test import Client

from config.accounts.models import User
from config.demo import factories as make
from stock.models import Item, Location, Order, StoresPolicy, Supplier, SupplierItem
from stock.services.orders import make_order, place_order
from tests.stock.conftest import Places


def sells(supplier: Supplier, item: Item, price: str, **terms: Any) -> SupplierItem:
    """Put an item on the supplier's list, as the place where it is ordered."""
    return SupplierItem.objects.create(supplier=supplier, item=item, unit_price=Decimal(price), **terms)


def limit(amount: str) -> None:
    StoresPolicy.objects.update_or_create(pk=1, defaults={"approval_limit": Decimal(amount)})


def quarantine(places: Places) -> Location:
    made: Location = make.LocationFactory.create(
        code="quarantine", name="Quarantine", kind=Location.Kind.QUARANTINE, branch=places.store.branch
    )
    return made


def placed(places: Places, lines: dict[Item, int], by: User) -> Order:
    return place_order(
        make_order(supplier=places.firm, destination=places.store, lines=lines, by=by), by=by
    )


def step(client: Client, order: Order, name: str, **values: Any) -> HttpResponse:
    """Post a button of the order's page, as the page was read."""
    order.refresh_from_db()
    body = {"token": uuid.uuid4().hex, "version": order.version} | values
    return client.post(f"/stock/orders/{order.pk}/{name}/", body)  # type: ignore[return-value]
