"""What to hold: the firm's policy, past demand, and the plan computed for each item and location."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar, Self

from django.db import models
from django.db.models import Q

from config.accounts.models import User
from stock.models.catalogue import Item
from stock.models.ledger import Location
from stock.models.purchasing import Supplier


class StoresPolicy(models.Model):
    """The firm's settings for its stores: one row."""

    currency = models.CharField(max_length=3, default="GBP", help_text="the firm's own currency; ISO 4217")
    order_cost = models.DecimalField(
        max_digits=8, decimal_places=2, default=Decimal(15), help_text="what placing and receiving one order costs"
    )
    carrying_percent = models.DecimalField(
        max_digits=5, decimal_places=2, default=Decimal(20), help_text="cost of keeping stock a year, of its value"
    )
    approval_limit = models.DecimalField(
        max_digits=12, decimal_places=2, default=Decimal(500),
        help_text="orders worth more than this need an approval, in the firm's currency",
    )
    review_days = models.PositiveSmallIntegerField(default=1, help_text="days between two looks at what to order")
    history_weeks = models.PositiveSmallIntegerField(default=104, help_text="weeks of past demand that are used")
    a_share_percent = models.PositiveSmallIntegerField(
        default=80, help_text="items that make up this much of the yearly value used are class A"
    )
    b_share_percent = models.PositiveSmallIntegerField(default=95, help_text="and up to this much class B")
    x_variation = models.DecimalField(
        max_digits=4, decimal_places=2, default=Decimal("0.5"),
        help_text="coefficient of variation of the weekly demand up to which an item is class X",
    )
    y_variation = models.DecimalField(max_digits=4, decimal_places=2, default=Decimal("1.0"))
    top_up_days = models.PositiveSmallIntegerField(default=2, help_text="days of visits that a van is topped up for")

    class Meta:
        verbose_name_plural = "stores policy"
        constraints: ClassVar = [
            models.CheckConstraint(name="stock_storespolicy_one_row", condition=Q(pk=1)),
            models.CheckConstraint(
                name="stock_storespolicy_shares",
                condition=Q(a_share_percent__lt=models.F("b_share_percent"), b_share_percent__lte=100),
            ),
            models.CheckConstraint(
                name="stock_storespolicy_variations", condition=Q(x_variation__lt=models.F("y_variation"))
            ),
            models.CheckConstraint(
                name="stock_storespolicy_costs", condition=Q(order_cost__gte=0, carrying_percent__gt=0)
            ),
        ]

    def __str__(self) -> str:
        return "stores policy"

    @classmethod
    def current(cls) -> StoresPolicy:
        """The firm's row, or the defaults while there is none. One statement."""
        return cls.objects.filter(pk=1).first() or cls(pk=1)


class ServiceLevel(models.Model):
    """How often stock should last through a lead time, by class of item. Missing rows: 95 %."""

    abc = models.CharField(max_length=1, choices=[(c, c) for c in "ABC"], help_text="by value used a year")
    xyz = models.CharField(max_length=1, choices=[(c, c) for c in "XYZ"], help_text="by regularity of demand")
    percent = models.DecimalField(max_digits=5, decimal_places=2)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_servicelevel_once", fields=["abc", "xyz"]),
            models.CheckConstraint(
                name="stock_servicelevel_percent", condition=Q(percent__gte=50) & Q(percent__lt=100)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.abc}{self.xyz}: {self.percent} %"


class PastDemand(models.Model):
    """What was used in one week before the ledger began, from an import."""

    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="past_demand")
    location = models.ForeignKey(Location, on_delete=models.CASCADE, related_name="past_demand")
    week = models.DateField(help_text="its Monday")
    quantity = models.PositiveIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_pastdemand_once", fields=["item", "location", "week"]),
            models.CheckConstraint(name="stock_pastdemand_monday", condition=Q(week__iso_week_day=1)),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.item_id} in {self.week}"


class StockPlanQuerySet(models.QuerySet["StockPlan"]):
    def visible_to(self, user: User) -> Self:
        """Plans of locations that this person sees."""
        return self.filter(location__in=Location.objects.visible_to(user))


class StockPlan(models.Model):
    """What one location should hold of one item, and why. Computed nightly from the work ahead and from history."""

    class Method(models.TextChoices):
        NONE = "none", "No demand in the weeks looked at"
        MEAN = "mean", "Mean of the weeks"
        SES = "ses", "Simple exponential smoothing"
        CROSTON = "croston", "Croston"
        SBA = "sba", "Croston with Syntetos and Boylan's correction"
        TSB = "tsb", "Teunter, Syntetos and Babai"

    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="plans")
    location = models.ForeignKey(Location, on_delete=models.CASCADE, related_name="plans")
    computed_on = models.DateField()
    abc = models.CharField(max_length=1)
    xyz = models.CharField(max_length=1)
    method = models.CharField(max_length=8, choices=Method.choices)
    rate_per_week = models.FloatField(help_text="random demand expected a week")
    sd_per_week = models.FloatField(help_text="spread of the weekly random demand")
    known_in_lead_time = models.PositiveIntegerField(help_text="promised to work within lead time and review")
    lead_time_days = models.FloatField()
    lead_time_sd_days = models.FloatField()
    service_percent = models.DecimalField(max_digits=5, decimal_places=2)
    safety_stock = models.PositiveIntegerField()
    reorder_point = models.PositiveIntegerField()
    order_quantity = models.PositiveIntegerField()
    supplier = models.ForeignKey(Supplier, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    reasons = models.JSONField(
        help_text="what the figures were computed from: weekly demand, known work, back-test of each method, "
        "lead times seen, classes, formulas with sources"
    )

    objects = StockPlanQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(name="stock_stockplan_once", fields=["item", "location"])]

    def __str__(self) -> str:
        return f"{self.item_id} at {self.location_id}: {self.reorder_point}"
