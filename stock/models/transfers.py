"""Stock on its way between two places: sent by one person, confirmed by another."""

from __future__ import annotations

from typing import ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from config.accounts.models import User
from stock.models.catalogue import Item
from stock.models.ledger import Location, Serial


class BinPlace(models.Model):
    """Where in a store an item lies; pick lists go through a store in this order."""

    location = models.ForeignKey(Location, on_delete=models.CASCADE, related_name="bins")
    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="bins")
    code = models.CharField(max_length=20, help_text="as written on the shelf, for example A-03-2")

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(name="stock_binplace_once", fields=["location", "item"])]

    def __str__(self) -> str:
        return self.code


class TransferQuerySet(models.QuerySet["Transfer"]):
    def visible_to(self, user: User) -> Self:
        """Transfers that start or end at a counted place that this person sees."""
        seen = Location.objects.visible_to(user).counted()
        return self.filter(Q(source__in=seen) | Q(destination__in=seen))


class Transfer(models.Model):
    """A pick list first, then a parcel: what is sent leaves its source, and is on the way until the receiver says
    that it has come."""

    class Purpose(models.TextChoices):
        MOVE = "move", "Move"
        TOP_UP = "top-up", "Van top-up"
        BRING_BACK = "back", "Back to the store"

    class State(models.TextChoices):
        TO_PICK = "to pick", "To pick"
        SENT = "sent", "Sent"
        CONFIRMED = "confirmed", "Confirmed"
        CANCELLED = "cancelled", "Cancelled"

    number = models.CharField(max_length=20, unique=True)
    source = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="transfers_out")
    destination = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="transfers_in")
    purpose = models.CharField(max_length=7, choices=Purpose.choices, default=Purpose.MOVE)
    state = models.CharField(max_length=9, choices=State.choices, default=State.TO_PICK)
    for_day = models.DateField(null=True, blank=True, help_text="of a top-up: the evening that it was made for")
    note = models.CharField(max_length=200, blank=True)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    made_at = models.DateTimeField(default=timezone.now)
    sent_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    sent_at = models.DateTimeField(null=True, blank=True)
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    confirmed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, help_text="counts changes; the page sends back what it read")

    objects = TransferQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["state", "-id"])]
        constraints: ClassVar = [
            models.CheckConstraint(name="stock_transfer_two_ends", condition=~Q(source=F("destination"))),
            # The evening's job may run twice, or be killed half-way.
            models.UniqueConstraint(
                name="stock_transfer_one_top_up", fields=["destination", "for_day"],
                condition=Q(purpose="top-up") & ~Q(state="cancelled"),
            ),
            models.CheckConstraint(
                name="stock_transfer_top_up_day", condition=~Q(purpose="top-up") | Q(for_day__isnull=False)
            ),
        ]

    def __str__(self) -> str:
        return self.number


class TransferLine(models.Model):
    """One item of a transfer (of one batch, where the item is tracked by batch)."""

    transfer = models.ForeignKey(Transfer, on_delete=models.CASCADE, related_name="lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")
    batch = models.CharField(max_length=40, blank=True)
    wanted = models.PositiveIntegerField(help_text="what to pick; 0 for what was added while picking")
    sent = models.PositiveIntegerField(default=0)
    arrived = models.PositiveIntegerField(default=0)
    settled = models.PositiveIntegerField(default=0, help_text="did not arrive, and was found or written off since")
    reasons = models.JSONField(default=list, help_text="why it is wanted, in words: visits, the van's own minimum")

    class Meta:
        indexes: ClassVar = [
            # The few lines that are not accounted for, among those of years.
            models.Index(
                fields=["transfer"], name="stock_transferline_open", condition=Q(sent__gt=F("arrived") + F("settled"))
            )
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_transferline_once", fields=["transfer", "item", "batch"]),
            models.CheckConstraint(
                name="stock_transferline_arrived", condition=Q(sent__gte=F("arrived") + F("settled"))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.wanted} x {self.item_id}"


class TransferPiece(models.Model):
    """A numbered piece of a transfer."""

    line = models.ForeignKey(TransferLine, on_delete=models.CASCADE, related_name="pieces")
    serial = models.ForeignKey(Serial, on_delete=models.PROTECT, related_name="+")
    arrived = models.BooleanField(default=False)
    settled = models.BooleanField(default=False, help_text="did not arrive, and was found or written off since")

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(name="stock_transferpiece_once", fields=["line", "serial"])]

    def __str__(self) -> str:
        return f"{self.serial_id}"
