"""Swaps: which devices should change, what fits there, and what was decided."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from installs.models import Device
from stock.models.catalogue import Board, Variant


class SwapNeed(models.Model):
    """A device that should be swapped, why, and the signature under which its swaps were judged."""

    class Reason(models.TextChoices):
        FAILED_TEST = "failed test", "failed a test"
        SERVICE_LIFE = "service life", "past its family's service life"
        DISCONTINUED = "discontinued", "variant discontinued"
        BELOW_GRADE = "below grade", "short of the site's grade"

    device = models.OneToOneField(Device, on_delete=models.CASCADE, related_name="swap_need")
    reasons = ArrayField(models.CharField(max_length=14, choices=Reason.choices))
    signature = models.CharField(max_length=32, db_index=True)
    since = models.DateField()
    proposable = models.IntegerField(default=0, help_text="covers that the existing wiring can carry")

    def __str__(self) -> str:
        return f"{self.device_id}: {', '.join(self.reasons)}"


class SwapVerdict(models.Model):
    """The judgement of one cover (and board) for every device of one signature."""

    class Verdict(models.TextChoices):
        FITS = "fits", "Fits as is"
        FITS_BOARD = "fits with board", "Fits with another board"
        FITS_CORES = "fits with cores", "Would fit once spare cores are landed"
        DOES_NOT_FIT = "does not fit", "Does not fit"

    PROPOSABLE: ClassVar = (Verdict.FITS, Verdict.FITS_BOARD)

    signature = models.CharField(max_length=32)
    catalogue = models.CharField(max_length=32, help_text="fingerprint of the catalogue it was judged under")
    variant = models.ForeignKey(Variant, on_delete=models.CASCADE, related_name="+")
    board = models.ForeignKey(Board, on_delete=models.CASCADE, null=True, blank=True, related_name="+")
    verdict = models.CharField(max_length=16, choices=Verdict.choices)
    rank = models.PositiveSmallIntegerField(help_text="1 is the best cover for the signature")
    reasons_for = ArrayField(models.CharField(max_length=240))
    reasons_against = ArrayField(models.CharField(max_length=240))
    settings = models.JSONField(help_text="settings that reproduce the old ones on the new cover")
    setting_changes = models.JSONField(default=list, help_text="settings that cannot be kept as they were, and why")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="maintenance_swapverdict_once",
                fields=["signature", "catalogue", "variant", "board"],
                nulls_distinct=False,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.variant_id}: {self.verdict}"


class SwapProposal(models.Model):
    """A cover proposed for one device, waiting for a decision."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting for a decision"
        ACCEPTED = "accepted", "Accepted"
        DECLINED = "declined", "Declined"
        WITHDRAWN = "withdrawn", "Withdrawn"
        DONE = "done", "Done"

    device = models.ForeignKey(Device, on_delete=models.CASCADE, related_name="swap_proposals")
    verdict = models.ForeignKey(SwapVerdict, on_delete=models.PROTECT, related_name="proposals")
    reasons = ArrayField(models.CharField(max_length=14, choices=SwapNeed.Reason.choices))
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    made_on = models.DateField()
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    decision_note = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["id"], name="maintenance_proposal_waiting", condition=Q(state="waiting"))
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="maintenance_proposal_one_waiting",
                fields=["device"],
                condition=Q(state__in=("waiting", "accepted")),
            ),
            models.CheckConstraint(
                name="maintenance_proposal_decided",
                condition=~Q(state__in=("accepted", "declined")) | Q(decided_at__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.device_id}: {self.state}"
