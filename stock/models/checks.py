"""Proof that the ledger is whole: stock as of past moments, and the differences that must never be there."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.utils import timezone

from stock.models.catalogue import Item
from stock.models.ledger import Location, Reservation, Serial


class Snapshot(models.Model):
    """What every place held at one moment: the sum of all movements that happened before it.

    A movement posted later for a time before it is added by the movement's trigger.
    """

    moment = models.DateTimeField(unique=True)
    taken_at = models.DateTimeField(default=timezone.now)
    lines_written = models.PositiveIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.moment:%Y-%m-%d %H:%M}"


class SnapshotLine(models.Model):
    """What one place held of one item. Written by the service and by the trigger of movements only.

    No foreign keys in the database: an item or a place with a line has movements, which hold it already, and three
    checks of each of 200,000 lines took most of a snapshot's time.
    """

    snapshot = models.ForeignKey(
        Snapshot, on_delete=models.CASCADE, related_name="lines", db_index=False, db_constraint=False
    )
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+", db_index=False, db_constraint=False)
    location = models.ForeignKey(
        Location, on_delete=models.PROTECT, related_name="+", db_index=False, db_constraint=False
    )
    on_hand = models.IntegerField()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["snapshot", "location"])]
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_snapshotline_once", fields=["snapshot", "item", "location"])
        ]

    def __str__(self) -> str:
        return f"{self.item_id} at {self.location_id}: {self.on_hand}"


class LedgerCheck(models.Model):
    """One comparison of what the ledger keeps with what its movements add up to."""

    started_at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True, blank=True)
    movements = models.PositiveBigIntegerField(default=0)
    compared = models.JSONField(default=dict, help_text="how much of each kind was compared")
    differences = models.PositiveIntegerField(default=0)

    def __str__(self) -> str:
        return f"check of {self.started_at:%Y-%m-%d %H:%M}"


class LedgerDifference(models.Model):
    """Something that does not add up. Reported, never repaired by the service."""

    class Kind(models.TextChoices):
        BALANCE = "balance", "Balance is not the sum of its movements"
        BATCH = "batch", "Batch balance is not the sum of its movements"
        SERIAL = "serial", "Serial is not where its last movement took it"
        RESERVED = "reserved", "Reserved is not the sum of open reservations"
        ON_ORDER = "on order", "On order is not the sum of open order lines"
        DEAD_WORK = "dead work", "Reservation for work that is over or unknown"
        SNAPSHOT = "snapshot", "Snapshot is not the sum of the movements before it"
        TRANSIT = "transit", "On the way is not what the parcels under way hold"
        LEVEL = "level", "Least quantity kept with the balance is not the level's"

    check_run = models.ForeignKey(LedgerCheck, on_delete=models.CASCADE, related_name="found")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    item = models.ForeignKey(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    serial = models.ForeignKey(Serial, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    reservation = models.ForeignKey(Reservation, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    about = models.CharField(max_length=60, blank=True, help_text="the batch or the snapshot's moment, if there is one")
    kept = models.CharField(max_length=80, help_text="what the ledger keeps")
    proven = models.CharField(max_length=80, help_text="what its movements say")
    gap = models.BigIntegerField(default=0, help_text="kept less proven, where both are quantities")
    seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    seen_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True, help_text="what was found out about it")

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["check_run", "id"]),
            models.Index(fields=["kind", "item"], name="stock_ledgerdifference_open", condition=models.Q(seen_at=None)),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.kept}, not {self.proven}"
