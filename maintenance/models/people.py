"""Engineers as the planner sees them: skills, home, hours, days off."""

from __future__ import annotations

from datetime import time
from typing import ClassVar

from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateRangeField, RangeOperators
from django.db import models
from django.db.models import F, Q


def working_week() -> list[int]:
    return [1, 2, 3, 4, 5]


class Engineer(models.Model):
    user = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="engineer")
    skills = ArrayField(models.CharField(max_length=30), default=list, blank=True)
    home_latitude = models.FloatField(null=True, blank=True)
    home_longitude = models.FloatField(null=True, blank=True)
    day_starts = models.TimeField(default=time(8, 0))
    day_ends = models.TimeField(default=time(17, 0))
    weekdays = ArrayField(
        models.PositiveSmallIntegerField(), default=working_week, help_text="ISO weekdays worked; 1 is Monday"
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(name="maintenance_engineer_hours", condition=Q(day_starts__lt=F("day_ends")))
        ]

    def __str__(self) -> str:
        return str(self.user)


class Absence(models.Model):
    """Days on which an engineer takes no visits."""

    engineer = models.ForeignKey(Engineer, on_delete=models.CASCADE, related_name="absences")
    days = DateRangeField()
    reason = models.CharField(max_length=60, default="Leave")

    class Meta:
        constraints: ClassVar = [
            ExclusionConstraint(
                name="maintenance_absence_no_overlap",
                expressions=[("engineer", RangeOperators.EQUAL), ("days", RangeOperators.OVERLAPS)],
            )
        ]

    def __str__(self) -> str:
        return f"{self.engineer_id}: {self.reason}"
