"""What is kept of a circuit's loop: the table computed from the record, and what was measured over the years."""

from __future__ import annotations

from typing import ClassVar

import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

from config.background import BackgroundWork
from installs.models.circuits import Circuit


class LoopTable(models.Model):
    """What the meter should read on a circuit in every state, computed once for each change of the record.

    A row comes with its circuit, stale; triggers make it stale again when anything changes that it was computed from.
    """

    class Outcome(models.TextChoices):
        RIGHT = "right", "Reads right"
        THIN = "thin", "Thin margin"
        MARGINAL = "marginal", "Marginal"
        WRONG = "wrong", "Reads wrong"
        UNKNOWN = "unknown", "Cannot be computed"

    TO_LOOK_AT: ClassVar = (Outcome.THIN, Outcome.MARGINAL, Outcome.WRONG, Outcome.UNKNOWN)

    circuit = models.OneToOneField(Circuit, on_delete=models.CASCADE, related_name="loop_table")
    stale = models.BooleanField(default=True)
    outcome = models.CharField(max_length=8, choices=Outcome.choices, default=Outcome.UNKNOWN)
    normal_ohm = models.FloatField(null=True, help_text="at the panel, every device at rest; empty: open circuit")
    normal_least_ohm = models.FloatField(null=True)
    normal_greatest_ohm = models.FloatField(null=True)
    band_low_ohm = models.FloatField(null=True, help_text="edges of the panel's band for normal")
    band_high_ohm = models.FloatField(null=True)
    least_margin_ohm = models.FloatField(null=True, help_text="of the state nearest to an edge; negative: beyond it")
    least_margin_percent = models.FloatField(null=True, help_text="the same, of that state's nominal value")
    longest_cable_m = models.FloatField(null=True)
    cause = models.TextField(blank=True)
    cure = models.TextField(blank=True)
    table = models.JSONField(default=dict)
    values_since = models.DateField(null=True, help_text="measured values from this day on belong to this table")
    computed_at = models.DateTimeField(null=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["circuit"], name="installs_looptable_stale", condition=Q(stale=True)),
            models.Index(
                fields=["outcome", "least_margin_percent", "id"], name="installs_looptable_look",
                condition=~Q(outcome="right"),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.circuit_id}: {self.outcome}"


class MeasurementImport(BackgroundWork):
    """A file of measured values: what came of it, row by row where something was wrong."""

    LOCK = 20_170_132

    name = models.CharField(max_length=120)
    content = models.BinaryField()
    take_good_rows = models.BooleanField(default=False, help_text="take the good rows even if others are bad")
    rows = models.PositiveIntegerField(default=0)
    taken = models.PositiveIntegerField(default=0)
    known = models.PositiveIntegerField(default=0, help_text="rows that were recorded already")
    bad = models.PositiveIntegerField(default=0)
    problems = models.JSONField(default=list, help_text="row, column, value, what is wrong, remedy")

    class Meta(BackgroundWork.Meta):
        indexes: ClassVar = [models.Index(fields=["by", "-id"])]

    def __str__(self) -> str:
        return self.name


class LoopMeasurement(models.Model):
    """A loop resistance as measured. Never changed: a better measurement is another row."""

    class Place(models.TextChoices):
        PANEL = "panel", "At the panel"
        FAR_END = "far end", "At the far end"

    class Source(models.TextChoices):
        RESULT = "result", "Test on a visit"
        IMPORT = "import", "Import"
        BY_HAND = "by hand", "Written down"

    circuit = models.ForeignKey(Circuit, on_delete=models.PROTECT, related_name="measurements")
    measured_on = models.DateField()
    ohm = models.FloatField(null=True, blank=True, help_text="empty: open circuit")
    place = models.CharField(max_length=7, choices=Place.choices, default=Place.PANEL)
    at_rest = models.BooleanField(default=True, help_text="every device was at rest, so the value belongs in the trend")
    note = models.CharField(max_length=300, blank=True)
    source = models.CharField(max_length=7, choices=Source.choices)
    # Results belong to a higher app, which writes these rows by trigger.
    result_id = models.BigIntegerField(null=True, unique=True, editable=False)
    imported = models.ForeignKey(
        MeasurementImport, on_delete=models.PROTECT, null=True, blank=True, related_name="measurements"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        indexes: ClassVar = [models.Index(fields=["circuit", "-measured_on", "-id"])]
        constraints: ClassVar = [
            models.CheckConstraint(name="installs_loopmeasurement_ohm", condition=Q(ohm=None) | Q(ohm__gte=0)),
            # A file that is taken in twice adds nothing.
            models.UniqueConstraint(
                name="installs_loopmeasurement_import_once",
                fields=["circuit", "measured_on", "place", "at_rest", "ohm"],
                condition=Q(source="import"),
                nulls_distinct=False,
            ),
            models.CheckConstraint(
                name="installs_loopmeasurement_source",
                condition=Q(source="result", result_id__isnull=False, imported=None)
                | Q(source="import", result_id=None, imported__isnull=False)
                | Q(source="by hand", result_id=None, imported=None),
            ),
        ]
        triggers: ClassVar = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete)
        ]

    def __str__(self) -> str:
        return f"{self.circuit_id} on {self.measured_on}"
