"""Systems, panels, and which resistances a panel's inputs read as what."""

from __future__ import annotations

from typing import ClassVar

import pghistory
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import RangeOperators
from django.db import models
from django.db.models import F, Func, Q

from installs.models.sites import Site
from stock.models.catalogue import Grade, Topology


class PanelType(models.Model):
    """A type of control and indicating equipment."""

    code = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=80)
    grade = models.PositiveSmallIntegerField(choices=Grade.choices)

    def __str__(self) -> str:
        return self.name


class InputProfile(models.Model):
    """One way a panel type's input can be set to read a circuit."""

    panel_type = models.ForeignKey(PanelType, on_delete=models.CASCADE, related_name="profiles")
    code = models.CharField(max_length=30)
    topology = models.ForeignKey(Topology, on_delete=models.PROTECT, related_name="profiles")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="installs_inputprofile_once", fields=["panel_type", "code"])
        ]

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

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="installs_inputband_order",
                condition=Q(low_ohm__gte=0) & (Q(high_ohm=None) | Q(high_ohm__gt=F("low_ohm"))),
            ),
            # A resistance that reads as two states at once would make every verdict on it worthless.
            ExclusionConstraint(
                name="installs_inputband_no_overlap",
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

    def __str__(self) -> str:
        return f"{self.type_id} {self.place}"
