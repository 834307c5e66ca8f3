"""Loops whose measured value drifts out of its band."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone

from installs.models import Circuit, Site


class LoopDrift(models.Model):
    """A circuit whose measured values will leave the panel's normal band before it is measured again.

    The nightly work raises and withdraws these marks.
    """

    circuit = models.ForeignKey(Circuit, on_delete=models.CASCADE, related_name="drifts")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="drifts")
    leaves_on = models.DateField(help_text="day on which the trend leaves the band")
    measured_again_by = models.DateField(help_text="next planned visit, or the end of the loop test's window")
    ohm_per_year = models.FloatField()
    last_ohm = models.FloatField()
    last_on = models.DateField()
    values = models.PositiveSmallIntegerField(help_text="measured values that the trend rests on")
    raised_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["site"], name="maintenance_drift_site", condition=Q(withdrawn_at=None)),
            models.Index(fields=["leaves_on", "id"], name="maintenance_drift_open", condition=Q(withdrawn_at=None)),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="maintenance_drift_once", fields=["circuit"], condition=Q(withdrawn_at=None)
            )
        ]

    def __str__(self) -> str:
        return f"{self.circuit_id} leaves on {self.leaves_on}"
