"""Runs of the nightly work and what they leave behind."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.utils import timezone

from stock.models import Item


class JobRun(models.Model):
    class State(models.TextChoices):
        RUNNING = "running", "Running"
        DONE = "done", "Done"
        FAILED = "failed", "Failed"

    job = models.CharField(max_length=30)
    business_date = models.DateField()
    state = models.CharField(max_length=8, choices=State.choices, default=State.RUNNING)
    started_at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True, blank=True)
    step = models.CharField(max_length=60, blank=True)
    progress = models.PositiveSmallIntegerField(default=0, help_text="percent")
    counts = models.JSONField(default=dict)
    error = models.TextField(blank=True)

    class Meta:
        indexes: ClassVar = [models.Index(fields=["-id"])]
        constraints: ClassVar = [
            models.CheckConstraint(name="maintenance_jobrun_progress", condition=Q(progress__lte=100))
        ]

    def __str__(self) -> str:
        return f"{self.job} of {self.business_date}"


class Shortage(models.Model):
    """What the work ahead needs and a branch will not have. Rebuilt each night."""

    branch = models.ForeignKey("accounts.Branch", on_delete=models.CASCADE, related_name="+")
    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="+")
    needed_on = models.DateField(help_text="first day on which the item runs out")
    needed = models.PositiveIntegerField()
    on_hand = models.PositiveIntegerField()
    on_order = models.PositiveIntegerField()
    short = models.PositiveIntegerField()
    references = ArrayField(models.CharField(max_length=60), help_text="the work that needs it")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="maintenance_shortage_once", fields=["branch", "item"])
        ]

    def __str__(self) -> str:
        return f"{self.short} x {self.item_id}"


class Digest(models.Model):
    """A digest mail: written once for a person and day, sent once."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    business_date = models.DateField()
    subject = models.CharField(max_length=120)
    body = models.TextField()
    sent_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="maintenance_digest_once", fields=["user", "business_date"])
        ]

    def __str__(self) -> str:
        return self.subject
