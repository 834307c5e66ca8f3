"""Recalls of a batch, and studies of how few variants the firm could live with."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from config.background import BackgroundWork
from installs.models import Site
from maintenance.models.visits import Visit
from stock.models import Item


class Recall(models.Model):
    """A batch of an item to be looked at or replaced wherever it is."""

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")
    batch = models.CharField(max_length=40)
    reason = models.CharField(max_length=300)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    made_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="maintenance_recall_one_open", fields=["item", "batch"], condition=Q(closed_at=None)
            ),
            models.CheckConstraint(name="maintenance_recall_batch", condition=~Q(batch="")),
        ]

    def __str__(self) -> str:
        return f"{self.item_id} batch {self.batch}"


class RecallSite(models.Model):
    """A site to be visited for a recall."""

    recall = models.ForeignKey(Recall, on_delete=models.CASCADE, related_name="sites")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="recalls")
    pieces = models.PositiveIntegerField()
    visit = models.ForeignKey(Visit, on_delete=models.SET_NULL, null=True, blank=True, related_name="recalls")
    done_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(name="maintenance_recallsite_once", fields=["recall", "site"])]

    def __str__(self) -> str:
        return f"{self.site_id} for {self.recall_id}"


class RangeStudy(BackgroundWork):
    """How few variants could serve every position of the installed base, and what pooling would save."""

    LOCK = 20_170_136

    branch = models.ForeignKey("accounts.Branch", on_delete=models.CASCADE, null=True, blank=True, related_name="+")
    result = models.JSONField(default=dict)

    class Meta(BackgroundWork.Meta):
        pass

    def __str__(self) -> str:
        return f"study {self.pk}"
