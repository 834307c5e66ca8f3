"""Suppliers, orders, and the level below which an item at a location counts as short."""

from __future__ import annotations

from typing import ClassVar, Self

from django.conf import settings
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

    def __str__(self) -> str:
        return self.name


class OrderQuerySet(models.QuerySet["Order"]):
    def visible_to(self, user: User) -> Self:
        """Orders for locations that this person sees."""
        return self.filter(destination__in=Location.objects.visible_to(user))


class Order(models.Model):
    class State(models.TextChoices):
        DRAFT = "draft", "Draft"
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

    objects = OrderQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="stock_order_dates_when_placed",
                condition=~Q(state__in=("placed", "received")) | Q(ordered_on__isnull=False, expected_on__isnull=False),
            )
        ]
        triggers: ClassVar = [triggers.ORDER_POSTS]

    def __str__(self) -> str:
        return self.number


class OrderLine(models.Model):
    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="order_lines")
    quantity = models.PositiveIntegerField()
    received = models.PositiveIntegerField(default=0)

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

    objects = StockLevelQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_stocklevel_once", fields=["item", "location"]),
            models.CheckConstraint(name="stock_stocklevel_order", condition=Q(minimum__lte=F("target"))),
        ]
        triggers: ClassVar = [triggers.LEVEL_HAS_BALANCE]

    def __str__(self) -> str:
        return f"{self.item_id} at {self.location_id}: {self.minimum}"
