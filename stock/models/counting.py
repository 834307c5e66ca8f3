"""Counting stock: what was found, against what the ledger held at the moment of finding it."""

from __future__ import annotations

from typing import ClassVar, Self

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.utils import timezone

from config.accounts.models import User
from stock.models.catalogue import Item
from stock.models.ledger import Location


class StockCountQuerySet(models.QuerySet["StockCount"]):
    def visible_to(self, user: User) -> Self:
        """Counts of locations that this person sees."""
        return self.filter(location__in=Location.objects.visible_to(user))


class StockCount(models.Model):
    """One count of one location, or of some of its items."""

    class State(models.TextChoices):
        COUNTING = "counting", "Counting"
        REVIEW = "review", "To look over"
        POSTED = "posted", "Posted"
        CANCELLED = "cancelled", "Cancelled"

    OPEN: ClassVar = (State.COUNTING, State.REVIEW)

    number = models.CharField(max_length=20, unique=True)
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="counts")
    state = models.CharField(max_length=9, choices=State.choices, default=State.COUNTING)
    blind = models.BooleanField(default=True, help_text="whoever counts does not see what the ledger holds")
    note = models.CharField(max_length=200, blank=True)
    started_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    started_at = models.DateTimeField(default=timezone.now)
    posted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    posted_at = models.DateTimeField(null=True, blank=True)

    objects = StockCountQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="stock_stockcount_one_open", fields=["location"], condition=Q(state__in=("counting", "review"))
            )
        ]

    def __str__(self) -> str:
        return self.number


class CountLine(models.Model):
    """One item (of one batch, where tracked by batch) to be counted.

    `book` is what the ledger held when the number was entered, so what moves afterwards changes nothing: the
    difference that is posted is counted less book.
    """

    count = models.ForeignKey(StockCount, on_delete=models.CASCADE, related_name="lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")
    batch = models.CharField(max_length=40, blank=True)
    counted = models.PositiveIntegerField(null=True, blank=True)
    serials = ArrayField(
        models.CharField(max_length=40), default=list, blank=True, help_text="numbers found, of an item kept by serial"
    )
    book = models.IntegerField(null=True, blank=True)
    book_serials = ArrayField(models.CharField(max_length=40), default=list, blank=True)
    counted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    counted_at = models.DateTimeField(null=True, blank=True)
    first_counted = models.PositiveIntegerField(null=True, blank=True, help_text="before a recount")
    recount_asked = models.BooleanField(default=False)
    difference_posted = models.IntegerField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, help_text="counts changes; the page sends back what it read")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_countline_once", fields=["count", "item", "batch"]),
            models.CheckConstraint(
                name="stock_countline_whole",
                condition=Q(counted=None, book=None, counted_at=None)
                | Q(counted__isnull=False, book__isnull=False, counted_at__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item_id}: {self.counted}"
