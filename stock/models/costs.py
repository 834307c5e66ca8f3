"""What stock has cost: the moving average of each item, receipt by receipt."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from stock.models import triggers
from stock.models.catalogue import Item
from stock.models.ledger import Movement


class ItemCost(models.Model):
    """The average cost of an item after one receipt, in the firm's currency. Written by triggers only.

    average = (held before x last average + quantity x unit cost) / (held before + quantity), over all that the firm
    holds in stores, vans, quarantine and on the way. Taking back a receipt has a negative quantity.
    """

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="costs")
    movement = models.OneToOneField(Movement, on_delete=models.PROTECT, related_name="cost")
    at = models.DateTimeField(
        help_text="from when the average counts: when the receipt happened or, posted late, when the last before did"
    )
    quantity = models.IntegerField()
    unit_cost = models.DecimalField(max_digits=12, decimal_places=4)
    held_before = models.IntegerField()
    average = models.DecimalField(max_digits=16, decimal_places=6)

    class Meta:
        indexes: ClassVar = [models.Index(fields=["item", "-at", "-id"])]
        constraints: ClassVar = [models.CheckConstraint(name="stock_itemcost_average", condition=Q(average__gte=0))]
        triggers: ClassVar = [triggers.ITEM_COST_BY_TRIGGERS]

    def __str__(self) -> str:
        return f"{self.item_id}: {self.average}"
