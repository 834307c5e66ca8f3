"""Systems, panels, and which resistances a panel's inputs read as what."""

from __future__ import annotations

from typing import ClassVar

import pghistory
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import RangeOperators
from django.db import models
from django.db.models import Deferrable, F, Func, Q

from installs.models import triggers_loops
from installs.models.sites import Site
from stock.models.catalogue import Grade, Topology


class PsuType(models.TextChoices):
    """How a supply stands in for mains, EN 50131-6."""

    A = "A", "Type A: mains, battery recharged by the system"
    B = "B", "Type B: mains, battery not recharged by the system"
    C = "C", "Type C: no mains, primary battery"


class PanelType(models.Model):
    """A type of control and indicating equipment."""

    code = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=80)
    grade = models.PositiveSmallIntegerField(choices=Grade.choices)
    psu_type = models.CharField(max_length=1, choices=PsuType.choices, default=PsuType.A)
    supply_mains_v = models.DecimalField(
        max_digits=4, decimal_places=1, null=True, blank=True, help_text="volts at the device outputs on mains"
    )
    supply_end_v = models.DecimalField(
        max_digits=4, decimal_places=1, null=True, blank=True, help_text="volts there when the battery is discharged"
    )
    supply_output_ma = models.PositiveIntegerField(
        null=True, blank=True, help_text="greatest current that the outputs give to devices"
    )
    own_quiescent_ma = models.PositiveIntegerField(null=True, blank=True, help_text="the panel's own, set and quiet")
    own_alarm_ma = models.PositiveIntegerField(null=True, blank=True, help_text="the panel's own in full alarm")
    recharge_ma = models.PositiveIntegerField(null=True, blank=True, help_text="current left to recharge the battery")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="installs_paneltype_volts",
                condition=Q(supply_end_v=None) | Q(supply_mains_v=None) | Q(supply_end_v__lte=F("supply_mains_v")),
            )
        ]

    def __str__(self) -> str:
        return self.name


class InputProfile(models.Model):
    """One way a panel type's input can be set to read a circuit."""

    panel_type = models.ForeignKey(PanelType, on_delete=models.CASCADE, related_name="profiles")
    code = models.CharField(max_length=30)
    topology = models.ForeignKey(Topology, on_delete=models.PROTECT, related_name="profiles")
    reference_v = models.FloatField(
        null=True, blank=True, help_text="volts behind the pull-up resistor; empty: the maker gives bands in ohms"
    )
    pull_up_ohm = models.FloatField(null=True, blank=True, help_text="the input's own resistor to the reference")
    pull_up_tolerance_percent = models.FloatField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="installs_inputprofile_once", fields=["panel_type", "code"]),
            models.CheckConstraint(
                name="installs_inputprofile_pull_up",
                # A comparison with NULL is no refusal, so it is said that neither is missing.
                condition=Q(reference_v=None, pull_up_ohm=None)
                | Q(reference_v__isnull=False, reference_v__gt=0, pull_up_ohm__isnull=False, pull_up_ohm__gt=0),
            ),
            models.CheckConstraint(
                name="installs_inputprofile_tolerance",
                condition=Q(pull_up_tolerance_percent__gte=0, pull_up_tolerance_percent__lt=100),
            ),
        ]
        triggers: ClassVar = [triggers_loops.PROFILE_VOLTS]

    def __str__(self) -> str:
        return self.code


class InputBand(models.Model):
    """A band of loop resistance that the input reads as one state; gaps between bands are undefined."""

    class State(models.TextChoices):
        NORMAL = "normal", "Normal"
        ALARM = "alarm", "Alarm"
        TAMPER = "tamper", "Tamper"
        MASK = "mask", "Mask"
        FAULT = "fault", "Fault"

    profile = models.ForeignKey(InputProfile, on_delete=models.CASCADE, related_name="bands")
    state = models.CharField(max_length=8, choices=State.choices)
    low_ohm = models.FloatField()
    high_ohm = models.FloatField(null=True, blank=True, help_text="empty: no upper end, an open circuit included")
    low_v = models.FloatField(
        null=True, blank=True, help_text="terminal volts, of an input with a pull-up: the ohms then follow from them"
    )
    high_v = models.FloatField(null=True, blank=True, help_text="empty: up to the reference, an open circuit included")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="installs_inputband_order",
                condition=Q(low_ohm__gte=0) & (Q(high_ohm=None) | Q(high_ohm__gt=F("low_ohm"))),
            ),
            # A resistance that reads as two states at once would make every verdict on it worthless.
            # Compared at the end of each statement: a changed pull-up moves all bands of an input at once.
            ExclusionConstraint(
                name="installs_inputband_no_overlap",
                deferrable=Deferrable.IMMEDIATE,
                expressions=[
                    ("profile", RangeOperators.EQUAL),
                    (
                        Func(
                            F("low_ohm"), F("high_ohm"), function="numrange",
                            template="numrange(low_ohm::numeric, high_ohm::numeric, '[)')",
                        ),
                        RangeOperators.OVERLAPS,
                    ),
                ],
            ),
        ]
        triggers: ClassVar = [triggers_loops.BAND_OHM_FROM_VOLTS, triggers_loops.BAND_STALE]

    def __str__(self) -> str:
        return f"{self.state} {self.low_ohm}-{self.high_ohm}"


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), append_only=True)
class System(models.Model):
    """One panel and its circuits."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="systems")
    name = models.CharField(max_length=80, default="Intruder alarm")

    def __str__(self) -> str:
        return self.name


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), append_only=True)
class Panel(models.Model):
    """Control and indicating equipment of a system."""

    system = models.OneToOneField(System, on_delete=models.PROTECT, related_name="panel")
    type = models.ForeignKey(PanelType, on_delete=models.PROTECT, related_name="panels")
    serial_number = models.CharField(max_length=40, blank=True)
    place = models.CharField(max_length=80, blank=True)
    battery_ah = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    battery_fitted_on = models.DateField(null=True, blank=True)
    other_quiescent_ma = models.PositiveIntegerField(
        default=0, help_text="keypads, sounders, signalling and the like on the same supply, set and quiet"
    )
    other_alarm_ma = models.PositiveIntegerField(default=0, help_text="the same in full alarm")

    def __str__(self) -> str:
        return f"{self.type_id} {self.place}"
