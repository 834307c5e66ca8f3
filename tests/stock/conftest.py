"""A small firm's stock: one store, one van and the outside places, and one of each kind of item."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from stock.models import Balance, Item, Location, Serial, Supplier


@dataclass(frozen=True)
class Places:
    store: Location
    van: Location
    other_store: Location
    supplier: Location
    sites: Location
    scrap: Location
    firm: Supplier


@pytest.fixture
def places(branch: Branch, other_branch: Branch, engineer: User) -> Places:
    outside = make.SuppliersPlaceFactory.create(code="supplier", name="Wholesaler")
    return Places(
        store=make.LocationFactory.create(code="store", name="Main store", branch=branch),
        van=make.VanFactory.create(code="van", name="Van 1", branch=branch, engineer=engineer),
        other_store=make.LocationFactory.create(code="other", name="Far store", branch=other_branch),
        supplier=outside,
        sites=make.SitesPlaceFactory.create(),
        scrap=make.ScrapPlaceFactory.create(),
        firm=make.SupplierFactory.create(name="Wholesaler", location=outside, lead_time_days=5),
    )


@pytest.fixture
def spare(places: Places) -> Item:
    """Kept by quantity; ten in the store."""
    item = make.ItemFactory.create(sku="SP-1", name="Tamper spring")
    make.MovementFactory.create(item=item, quantity=10, source=places.supplier, destination=places.store)
    return item


@pytest.fixture
def cover(places: Places) -> Item:
    return make.CoverFactory.create(sku="CV-1", name="Cover of a detector")


@pytest.fixture
def serial(cover: Item, places: Places) -> Serial:
    """A cover's serial in the store."""
    made = make.SerialFactory.create(item=cover, number="A100")
    make.MovementFactory.create(item=cover, source=places.supplier, destination=places.store, serial=made)
    made.refresh_from_db()
    return made


def on_hand(item: Item, location: Location) -> int:
    found = Balance.objects.filter(item=item, location=location).values_list("on_hand", flat=True).first()
    return found or 0


def balance(item: Item, location: Location) -> tuple[int, int, int, int]:
    """On hand, reserved, reserved ahead, on order."""
    return Balance.objects.values_list("on_hand", "reserved", "reserved_ahead", "on_order").get(
        item=item, location=location
    )
