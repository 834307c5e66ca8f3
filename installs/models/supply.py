"""How devices are fed, and how long a supply must last without mains."""

from __future__ import annotations

from typing import ClassVar

import pghistory
from django.db import models
from django.db.models import F, Q

from installs.models.circuits import Device
from installs.models.panels import PsuType
from stock.models.catalogue import CableType, Grade


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), pghistory.DeleteEvent(), append_only=True)
class PowerFeed(models.Model):
    """Where a device's power pair comes from, where it does not follow the device's first circuit.

    Without a row the power pair is taken to run in the same cable as the signals, device after device.
    """

    device = models.OneToOneField(Device, on_delete=models.CASCADE, related_name="power_feed")
    fed_from = models.ForeignKey(
        Device, on_delete=models.PROTECT, null=True, blank=True, related_name="feeds",
        help_text="the device whose supply terminals it is taken from; empty: the panel",
    )
    run_m = models.FloatField(help_text="metres of cable from there")
    cable_type = models.ForeignKey(CableType, on_delete=models.PROTECT, related_name="+")
    cores_per_pole = models.PositiveSmallIntegerField(default=1, help_text="cores joined for each pole")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(name="installs_powerfeed_run", condition=Q(run_m__gte=0)),
            models.CheckConstraint(name="installs_powerfeed_cores", condition=Q(cores_per_pole__gte=1)),
            models.CheckConstraint(
                name="installs_powerfeed_not_itself", condition=Q(fed_from=None) | ~Q(fed_from=F("device"))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.device_id} from {self.fed_from_id or 'panel'}"


class StandbyRule(models.Model):
    """How long a supply must last without mains, and be recharged in, by scheme and grade. The firm may edit it."""

    scheme = models.CharField(max_length=60, help_text="standard and edition, or national scheme")
    grade = models.PositiveSmallIntegerField(choices=Grade.choices)
    psu_type = models.CharField(max_length=1, choices=PsuType.choices, default=PsuType.A)
    fault_signalled = models.BooleanField(help_text="loss of mains is signalled to a receiving or other remote centre")
    standby_hours = models.DecimalField(max_digits=5, decimal_places=1)
    alarm_minutes = models.PositiveSmallIntegerField(default=15, help_text="full alarm at the end of the standby time")
    recharge_hours = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    recharge_percent = models.PositiveSmallIntegerField(
        default=80, help_text="share of its capacity to which the battery is to be recharged in that time"
    )
    source = models.CharField(max_length=200)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="installs_standbyrule_once", fields=["scheme", "grade", "psu_type", "fault_signalled"]
            ),
            models.CheckConstraint(
                name="installs_standbyrule_sane",
                condition=Q(standby_hours__gt=0, recharge_percent__range=(1, 100))
                & (Q(recharge_hours=None) | Q(recharge_hours__gt=0)),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.scheme}, grade {self.grade}: {self.standby_hours} h"
