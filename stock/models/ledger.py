"""The ledger: movements that are never changed, and what the database computes from them."""

from __future__ import annotations

from typing import Any, ClassVar, Self

import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right, Role
from stock.models import triggers
from stock.models.catalogue import Item


class LocationQuerySet(models.QuerySet["Location"]):
    def visible_to(self, user: User) -> Self:
        """The branch's locations and the shared ones (suppliers, sites, scrap); of vans an engineer sees
        only their own. No branch means every branch; none without the right to see stock."""
        if not user.has_right(Right.SEE_STOCK):
            return self.none()
        seen = self if user.branch_id is None else self.filter(Q(branch_id=user.branch_id) | Q(branch=None))
        if user.role == Role.ENGINEER:
            seen = seen.filter(~Q(kind=Location.Kind.VAN) | Q(engineer=user))
        return seen

    def counted(self) -> Self:
        """Places whose stock is counted: stores, vans, quarantine."""
        return self.filter(kind__in=Location.PHYSICAL)


class Location(models.Model):
    """A place that stock can be at. Suppliers, sites and scrap are places too, so every movement has two ends."""

    class Kind(models.TextChoices):
        STORE = "store", "Store"
        VAN = "van", "Van"
        QUARANTINE = "quarantine", "Quarantine"
        SUPPLIER = "supplier", "Supplier"
        SITE = "site", "Fitted at sites"
        SCRAP = "scrap", "Scrap"
        TRANSIT = "transit", "On the way"

    PHYSICAL: ClassVar = (Kind.STORE, Kind.VAN, Kind.QUARANTINE)
    # Where stock of the firm can be: never negative, and part of what it owns.
    HELD: ClassVar = (*PHYSICAL, Kind.TRANSIT)

    code = models.SlugField(max_length=30, unique=True)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    branch = models.ForeignKey(
        "accounts.Branch", on_delete=models.PROTECT, null=True, blank=True, related_name="locations"
    )
    engineer = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="van"
    )

    objects = LocationQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="stock_location_engineer_has_van", condition=Q(engineer=None) | Q(kind="van")
            ),
            models.CheckConstraint(
                name="stock_location_physical_has_branch",
                condition=Q(branch__isnull=False) | Q(kind__in=("supplier", "site", "scrap", "transit")),
            ),
        ]
        triggers: ClassVar = [
            # Balances carry "physical" from the kind; a changed kind would leave them wrong.
            pgtrigger.Protect(
                name="kind_is_fixed",
                operation=pgtrigger.Update,
                condition=pgtrigger.Q(old__kind__df=pgtrigger.F("new__kind")),
            )
        ]

    def __str__(self) -> str:
        return self.name


class SerialQuerySet(models.QuerySet["Serial"]):
    def visible_to(self, user: User) -> Self:
        """Serials at locations that this person sees, and those never yet received."""
        if not user.has_right(Right.SEE_STOCK):
            return self.none()
        return self.filter(Q(location=None) | Q(location__in=Location.objects.visible_to(user)))


class Serial(models.Model):
    """One numbered thing. Its place is kept by the database from its movements."""

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="serials")
    number = models.CharField(max_length=40)
    batch = models.CharField(max_length=40, blank=True, help_text="as printed on the label; for recalls")
    location = models.ForeignKey(
        Location, on_delete=models.PROTECT, null=True, editable=False, related_name="serials"
    )

    objects = SerialQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["item", "batch"], name="stock_serial_batch", condition=~Q(batch="")),
            models.Index(fields=["number"], name="stock_serial_number"),
        ]
        constraints: ClassVar = [models.UniqueConstraint(name="stock_serial_once", fields=["item", "number"])]
        triggers: ClassVar = [triggers.SERIAL_PLACE_BY_MOVEMENTS]

    def __str__(self) -> str:
        return self.number


class MovementQuerySet(models.QuerySet["Movement"]):
    def visible_to(self, user: User) -> Self:
        """Movements to or from a counted place that this person sees, and the person's own."""
        if not user.has_right(Right.SEE_STOCK):
            return self.none()
        if user.branch_id is None:
            return self
        seen = Location.objects.visible_to(user).counted()
        return self.filter(Q(source__in=seen) | Q(destination__in=seen) | Q(posted_by=user))


class Movement(models.Model):
    """A quantity of one item from one location to another. Never changed: a correction is another movement."""

    class Kind(models.TextChoices):
        RECEIVE = "receive", "Received"
        TRANSFER = "transfer", "Transferred"
        FIT = "fit", "Fitted at a site"
        REMOVE = "remove", "Removed from a site"
        SCRAP = "scrap", "Scrapped"
        COUNT = "count", "Count difference"
        PICK = "pick", "Picked for work"
        RELEASE = "release", "Released after test"
        WRITE_OFF = "write-off", "Written off"
        RETURN = "return", "Returned to supplier"
        CORRECT = "correct", "Correction"

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="movements")
    quantity = models.PositiveIntegerField()
    # The composite indexes below serve these two as well.
    source = models.ForeignKey(
        Location, on_delete=models.PROTECT, related_name="movements_out", db_index=False
    )
    destination = models.ForeignKey(
        Location, on_delete=models.PROTECT, related_name="movements_in", db_index=False
    )
    serial = models.ForeignKey(Serial, on_delete=models.PROTECT, null=True, blank=True, related_name="movements")
    batch = models.CharField(max_length=40, blank=True)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    at = models.DateTimeField(default=timezone.now)
    posted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    reference = models.CharField(max_length=60, blank=True, help_text="order, visit or count that it belongs to")
    note = models.CharField(max_length=200, blank=True)
    unit_cost = models.DecimalField(
        max_digits=12, decimal_places=4, null=True, blank=True,
        help_text="what one unit cost, in the firm's currency; of receipts and their corrections",
    )
    corrects = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )

    objects = MovementQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["item", "-id"]),
            models.Index(fields=["serial", "-id"], name="stock_movement_serial", condition=Q(serial__isnull=False)),
            models.Index(fields=["item", "batch"], name="stock_movement_batch", condition=~Q(batch="")),
            # With what is added up, so that stock at a past moment is read from the index alone.
            models.Index(fields=["source", "at"], include=["item", "quantity"], name="stock_movement_out"),
            models.Index(fields=["destination", "at"], include=["item", "quantity"], name="stock_movement_in"),
            models.Index(fields=["reference"], name="stock_movement_reference", condition=~Q(reference="")),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(name="stock_movement_some", condition=Q(quantity__gt=0)),
            models.CheckConstraint(name="stock_movement_two_ends", condition=~Q(source=F("destination"))),
            models.CheckConstraint(
                name="stock_movement_serial_is_one", condition=Q(serial=None) | Q(quantity=1)
            ),
            models.CheckConstraint(
                name="stock_movement_cost",
                condition=Q(unit_cost=None) | Q(unit_cost__gte=0, kind__in=("receive", "correct")),
            ),
            models.CheckConstraint(
                name="stock_movement_correction_named",
                condition=Q(kind="correct", corrects__isnull=False) | (~Q(kind="correct") & Q(corrects=None)),
            ),
        ]
        triggers: ClassVar = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete),
            triggers.MOVEMENT_CHECKS,
            triggers.MOVEMENT_POSTS,
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.item_id}: {self.source_id} to {self.destination_id}"


class BalanceQuerySet(models.QuerySet[Any]):
    def visible_to(self, user: User) -> Self:
        """Balances of counted places that this person sees."""
        return self.filter(physical=True, location__in=Location.objects.visible_to(user))


class Balance(models.Model):
    """What one location holds of one item. Written by triggers only."""

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="balances")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="balances")
    physical = models.BooleanField(default=True)
    on_hand = models.IntegerField(default=0)
    reserved = models.IntegerField(default=0, help_text="promised from what is on hand")
    reserved_ahead = models.IntegerField(default=0, help_text="promised from on hand or on order")
    on_order = models.IntegerField(default=0)
    level_minimum = models.PositiveIntegerField(
        default=0, db_default=0, help_text="what the level says; 0 without one"
    )
    # Kept, so that what is short is found by an index; postings that do not change it touch no index.
    short = models.GeneratedField(
        expression=Q(on_hand__lt=F("reserved") + F("level_minimum")),  # type: ignore[arg-type]
        output_field=models.BooleanField(),
        db_persist=True,
    )

    objects = BalanceQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["location", "item"]),
            models.Index(fields=["location"], name="stock_balance_short", condition=Q(short=True)),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_balance_once", fields=["item", "location"]),
            models.CheckConstraint(
                name="stock_balance_never_negative", condition=Q(physical=False) | Q(on_hand__gte=0)
            ),
            models.CheckConstraint(
                name="stock_balance_reserved_on_hand",
                condition=Q(reserved__gte=0) & (Q(physical=False) | Q(reserved__lte=F("on_hand"))),
            ),
            models.CheckConstraint(
                name="stock_balance_reserved_ahead",
                condition=Q(reserved_ahead__gte=0)
                & (Q(physical=False) | Q(reserved_ahead__lte=F("on_hand") + F("on_order") - F("reserved"))),
            ),
            models.CheckConstraint(name="stock_balance_on_order", condition=Q(on_order__gte=0)),
        ]
        triggers: ClassVar = [triggers.BALANCE_BY_TRIGGERS]

    def __str__(self) -> str:
        return f"{self.item_id} at {self.location_id}: {self.on_hand}"


class BatchBalance(models.Model):
    """What one location holds of one batch of an item tracked by batch. Written by triggers only."""

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="batch_balances")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="batch_balances")
    batch = models.CharField(max_length=40)
    physical = models.BooleanField(default=True)
    on_hand = models.IntegerField(default=0)

    objects = BalanceQuerySet.as_manager()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_batchbalance_once", fields=["item", "location", "batch"]),
            models.CheckConstraint(
                name="stock_batchbalance_never_negative", condition=Q(physical=False) | Q(on_hand__gte=0)
            ),
        ]
        triggers: ClassVar = [triggers.BATCH_BALANCE_BY_TRIGGERS]

    def __str__(self) -> str:
        return f"{self.item_id} batch {self.batch} at {self.location_id}: {self.on_hand}"


class ReservationQuerySet(models.QuerySet["Reservation"]):
    def visible_to(self, user: User) -> Self:
        """Reservations at locations that this person sees."""
        return self.filter(location__in=Location.objects.visible_to(user))


class Reservation(models.Model):
    """A quantity promised to a visit or an accepted proposal."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        USED = "used", "Used"
        RELEASED = "released", "Released"

    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="reservations")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="reservations")
    quantity = models.PositiveIntegerField()
    ahead = models.BooleanField(default=False, help_text="may be met from what is on order")
    needed_on = models.DateField()
    reference = models.CharField(max_length=60, help_text="the work it is for, for example proposal 12")
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    made_at = models.DateTimeField(default=timezone.now)

    objects = ReservationQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["needed_on"], name="stock_reservation_open", condition=Q(state="open")),
            models.Index(fields=["reference"]),
        ]
        constraints: ClassVar = [models.CheckConstraint(name="stock_reservation_some", condition=Q(quantity__gt=0))]
        triggers: ClassVar = [triggers.RESERVATION_POSTS]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.item_id} for {self.reference}"
