# mypy: disable-error-code="no-untyped-call,no-untyped-def,untyped-decorator,assignment"
"""Factories of locations, the ledger and purchasing."""

from __future__ import annotations

from datetime import date

from factory.declarations import SelfAttribute, Sequence, SubFactory
from factory.django import DjangoModelFactory

from config.accounts.rights import Role
from config.demo.factories.accounts import BranchFactory, UserFactory
from config.demo.factories.catalogue import CoverFactory, ItemFactory
from stock.models import Location, Movement, Order, OrderLine, Reservation, Serial, StockLevel, Supplier


class LocationFactory(DjangoModelFactory[Location]):
    """A store."""

    code = Sequence(lambda n: f"place-{n}")
    name = Sequence(lambda n: f"Place {n}")
    kind = Location.Kind.STORE
    branch = SubFactory(BranchFactory)

    class Meta:
        model = Location


class VanFactory(LocationFactory):
    """An engineer's van; the person is an engineer of the van's branch."""

    kind = Location.Kind.VAN
    engineer = SubFactory(UserFactory, role=Role.ENGINEER, branch=SelfAttribute("..branch"))


class SuppliersPlaceFactory(LocationFactory):
    kind = Location.Kind.SUPPLIER
    branch = None


class SitesPlaceFactory(LocationFactory):
    """The one place of everything that is fitted at sites."""

    code = "sites"
    name = "Fitted at sites"
    kind = Location.Kind.SITE
    branch = None

    class Meta:
        django_get_or_create = ("code",)


class ScrapPlaceFactory(LocationFactory):
    code = "scrap"
    name = "Scrap"
    kind = Location.Kind.SCRAP
    branch = None

    class Meta:
        django_get_or_create = ("code",)


class TransitPlaceFactory(LocationFactory):
    """The one place of everything that was sent and has not been confirmed."""

    code = "on-the-way"
    name = "On the way"
    kind = Location.Kind.TRANSIT
    branch = None

    class Meta:
        django_get_or_create = ("code",)


class SerialFactory(DjangoModelFactory[Serial]):
    """A number that was never moved; `receive_serial` makes one that is somewhere."""

    item = SubFactory(CoverFactory)
    number = Sequence(lambda n: f"SN{n:07d}")

    class Meta:
        model = Serial


class MovementFactory(DjangoModelFactory[Movement]):
    """A receipt from a supplier into a store."""

    item = SubFactory(ItemFactory)
    quantity = 1
    source = SubFactory(SuppliersPlaceFactory)
    destination = SubFactory(LocationFactory)
    kind = Movement.Kind.RECEIVE

    class Meta:
        model = Movement


class ReservationFactory(DjangoModelFactory[Reservation]):
    """Reserves from what is ordered or on hand; the location must have it, so `receive` first."""

    item = SubFactory(ItemFactory)
    location = SubFactory(LocationFactory)
    quantity = 1
    needed_on = date(2026, 12, 1)
    reference = Sequence(lambda n: f"proposal {n}")

    class Meta:
        model = Reservation


class SupplierFactory(DjangoModelFactory[Supplier]):
    name = Sequence(lambda n: f"Supplier {n}")
    location = SubFactory(SuppliersPlaceFactory)

    class Meta:
        model = Supplier


class OrderFactory(DjangoModelFactory[Order]):
    """A placed order, expected a week after it was made."""

    number = Sequence(lambda n: f"PO-{n:05d}")
    supplier = SubFactory(SupplierFactory)
    destination = SubFactory(LocationFactory)
    state = Order.State.PLACED
    ordered_on = date(2026, 11, 16)
    expected_on = date(2026, 11, 23)

    class Meta:
        model = Order


class OrderLineFactory(DjangoModelFactory[OrderLine]):
    order = SubFactory(OrderFactory)
    item = SubFactory(ItemFactory)
    quantity = 10

    class Meta:
        model = OrderLine


class StockLevelFactory(DjangoModelFactory[StockLevel]):
    item = SubFactory(ItemFactory)
    location = SubFactory(LocationFactory)
    minimum = 5
    target = 20

    class Meta:
        model = StockLevel
