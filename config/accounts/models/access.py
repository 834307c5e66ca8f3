"""Who looked at what, with which key, and which requests were already answered."""

from __future__ import annotations

from typing import ClassVar

import pgtrigger
from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.utils import timezone


class ReadLog(models.Model):
    """One look at a confidential record; never changed or deleted."""

    subject = models.CharField(max_length=20, default="site")
    subject_id = models.BigIntegerField()
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    door = models.CharField(max_length=80, help_text="the page or endpoint that showed it")
    address = models.GenericIPAddressField(null=True)

    class Meta:
        indexes: ClassVar = [models.Index(fields=["subject", "subject_id", "-at"])]
        triggers: ClassVar = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return f"{self.subject} {self.subject_id} at {self.at:%Y-%m-%d %H:%M}"


class ApiToken(models.Model):
    """A key for the REST interface: kept as a hash, limited to the named rights, and it expires."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(max_length=60)
    key_hash = models.CharField(max_length=64, unique=True, editable=False)
    scopes = ArrayField(
        models.CharField(max_length=30), default=list, blank=True,
        help_text="rights that the key carries, never more than its owner has",
    )
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.name


class IdempotencyKey(models.Model):
    """A request that was carried out, with its answer, so that a retry changes nothing."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=100)
    request_hash = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(null=True)
    answer = models.JSONField(null=True)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="accounts_idempotencykey_once", fields=["user", "key"])
        ]

    def __str__(self) -> str:
        return self.key
