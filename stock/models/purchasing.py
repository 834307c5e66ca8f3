"""Suppliers, orders, and the level below which an item at a location counts as short."""

from __future__ import annotations

from typing import ClassVar, Self

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from config.accounts.models import User
from stock.models import triggers
from stock.models.catalogue import Item
from stock.models.ledger import Location


class Supplier(models.Model):
    name = models.CharField(max_length=80, unique=True)
    location = models.OneToOneField(Location, on_delete=models.PROTECT, related_name="supplier")
    lead_time_days = models.PositiveSmallIntegerField(default=7)
    currency = models.CharField(max_length=3, default="GBP", help_text="of its prices; ISO 4217")
    email = models.EmailField(blank=True)
    address = models.TextField(blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(name="stock_supplier_currency", condition=Q(currency__regex=r"^[A-Z]{3}$"))
        ]

    def __str__(self) -> str:
        return self.name


class SupplierItem(models.Model):
    """What a supplier sells: price in the supplier's currency, least order, pack."""

    supplier = models.ForeignKey(Supplier, on_delete=models.CASCADE, related_name="items")
    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="suppliers")
    supplier_code = models.CharField(max_length=40, blank=True, help_text="the supplier's own number for it")
    unit_price = models.DecimalField(max_digits=12, decimal_places=4)
    minimum_order = models.PositiveIntegerField(default=1, help_text="least quantity of one order, in the item's unit")
    pack_size = models.PositiveIntegerField(default=1, help_text="sold in multiples of this")
    lead_time_days = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="empty: the supplier's usual lead time"
    )
    preferred = models.BooleanField(default=True, help_text="order here unless told otherwise")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_supplieritem_once", fields=["supplier", "item"]),
            models.UniqueConstraint(name="stock_supplieritem_preferred", fields=["item"], condition=Q(preferred=True)),
            models.CheckConstraint(name="stock_supplieritem_price", condition=Q(unit_price__gte=0)),
            models.CheckConstraint(
                name="stock_supplieritem_pack", condition=Q(pack_size__gt=0) & Q(minimum_order__gt=0)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item_id} from {self.supplier_id}"


class ExchangeRate(models.Model):
    """What one unit of a currency is worth in the firm's own, from a day on."""

    currency = models.CharField(max_length=3)
    valid_from = models.DateField()
    rate = models.DecimalField(max_digits=14, decimal_places=6, help_text="units of the firm's currency for one")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_exchangerate_once", fields=["currency", "valid_from"]),
            models.CheckConstraint(name="stock_exchangerate_some", condition=Q(rate__gt=0)),
        ]

    def __str__(self) -> str:
        return f"{self.currency} from {self.valid_from}: {self.rate}"


class OrderQuerySet(models.QuerySet["Order"]):
    def visible_to(self, user: User) -> Self:
        """Orders for locations that this person sees."""
        return self.filter(destination__in=Location.objects.visible_to(user))


class Order(models.Model):
    class State(models.TextChoices):
        DRAFT = "draft", "Draft"
        APPROVED = "approved", "Approved"
        PLACED = "placed", "Placed"
        RECEIVED = "received", "Received"
        CANCELLED = "cancelled", "Cancelled"

    number = models.CharField(max_length=20, unique=True)
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="orders")
    destination = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="orders")
    state = models.CharField(max_length=10, choices=State.choices, default=State.DRAFT)
    ordered_on = models.DateField(null=True, blank=True)
    expected_on = models.DateField(null=True, blank=True)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    made_at = models.DateTimeField(default=timezone.now)
    proposed = models.BooleanField(default=False, help_text="drafted by the service from what the work ahead needs")
    currency = models.CharField(max_length=3, default="GBP")
    rate = models.DecimalField(
        max_digits=14, decimal_places=6, default=1, help_text="units of the firm's currency for one of the order's"
    )
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True)
    approval_asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approval_asked_at = models.DateTimeField(null=True, blank=True, help_text="of a draft that waits for its approval")
    refusal = models.CharField(max_length=300, blank=True, help_text="why the last approval was refused")
    left_out = ArrayField(
        models.BigIntegerField(), default=list, blank=True,
        help_text="keys of items that a person took off a proposed draft: not proposed again while it is open",
    )
    sent_at = models.DateTimeField(null=True, blank=True, help_text="when it went to the supplier")
    sent_to = models.CharField(max_length=254, blank=True, help_text="mail address; empty: sent by other means")
    note = models.CharField(max_length=300, blank=True, help_text="printed on the order")
    version = models.PositiveIntegerField(default=1, help_text="counts changes; the page sends back what it read")

    objects = OrderQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="stock_order_dates_when_placed",
                condition=~Q(state__in=("placed", "received")) | Q(ordered_on__isnull=False, expected_on__isnull=False),
            ),
            models.CheckConstraint(name="stock_order_rate", condition=Q(rate__gt=0)),
        ]
        triggers: ClassVar = [triggers.ORDER_POSTS]

    def __str__(self) -> str:
        return self.number


class OrderLine(models.Model):
    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="order_lines")
    quantity = models.PositiveIntegerField()
    received = models.PositiveIntegerField(default=0)
    over = models.PositiveIntegerField(default=0, help_text="received and kept beyond what was ordered")
    unit_price = models.DecimalField(
        max_digits=12, decimal_places=4, null=True, blank=True, help_text="in the order's currency"
    )
    reason = models.CharField(max_length=300, blank=True, help_text="why this quantity was proposed")
    by_hand = models.BooleanField(default=False, help_text="set by a person: the nightly proposals leave it alone")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_orderline_once", fields=["order", "item"]),
            models.CheckConstraint(name="stock_orderline_some", condition=Q(quantity__gt=0)),
            models.CheckConstraint(name="stock_orderline_not_over", condition=Q(received__lte=F("quantity"))),
        ]
        triggers: ClassVar = [triggers.ORDER_LINE_POSTS]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.item_id}"


class StockLevelQuerySet(models.QuerySet["StockLevel"]):
    def visible_to(self, user: User) -> Self:
        """Levels of locations that this person sees."""
        return self.filter(location__in=Location.objects.visible_to(user))


class StockLevel(models.Model):
    """The least that a location should hold of an item, and what it is filled up to."""

    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="levels")
    location = models.ForeignKey(Location, on_delete=models.CASCADE, related_name="levels")
    minimum = models.PositiveIntegerField()
    target = models.PositiveIntegerField()
    by_hand = models.BooleanField(default=True, help_text="set by a person; otherwise by the nightly plan")

    objects = StockLevelQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_stocklevel_once", fields=["item", "location"]),
            models.CheckConstraint(name="stock_stocklevel_order", condition=Q(minimum__lte=F("target"))),
        ]
        triggers: ClassVar = [triggers.LEVEL_HAS_BALANCE]

    def __str__(self) -> str:
        return f"{self.item_id} at {self.location_id}: {self.minimum}"
