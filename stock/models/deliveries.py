"""What was wrong with deliveries: pieces that came in with an order and wait in quarantine for a decision."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from stock.models.ledger import Movement
from stock.models.purchasing import Order


class HeldDelivery(models.Model):
    """One receipt into quarantine: not on the order, beyond the order, or damaged. It does not count as received
    on the order until somebody decides to keep it."""

    class Why(models.TextChoices):
        WRONG = "wrong", "Not on the order"
        BEYOND = "beyond", "More than ordered"
        DAMAGED = "damaged", "Damaged"

    class Outcome(models.TextChoices):
        OPEN = "", "To decide"
        RETURNED = "returned", "Returned to the supplier"
        KEPT = "kept", "Kept"
        CORRECTED = "corrected", "Posted by mistake and taken back"
        SETTLED = "settled", "Settled otherwise"

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="held")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="held")
    why = models.CharField(max_length=7, choices=Why.choices)
    outcome = models.CharField(max_length=9, choices=Outcome.choices, default=Outcome.OPEN, blank=True)
    note = models.CharField(max_length=200, blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    held_at = models.DateTimeField(default=timezone.now)

    class Meta:
        verbose_name_plural = "held deliveries"
        indexes: ClassVar = [models.Index(fields=["order"], name="stock_held_open", condition=Q(outcome=""))]

    def __str__(self) -> str:
        return f"{self.get_why_display()}: movement {self.movement_id}"
