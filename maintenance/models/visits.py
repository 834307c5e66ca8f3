"""Visits: who goes where and when, and what each is to do."""

from __future__ import annotations

from typing import ClassVar, Self

import pghistory
from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateTimeRangeField, RangeOperators
from django.contrib.postgres.fields.ranges import RangeStartsWith
from django.db import models
from django.db.models import Q
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right, Role
from installs.models import Site
from maintenance.models import triggers
from maintenance.models.people import Engineer


class VisitQuerySet(models.QuerySet["Visit"]):
    def visible_to(self, user: User) -> Self:
        """An engineer's own visits; else those of the branch."""
        if not user.has_right(Right.SEE_VISITS):
            return self.none()
        if user.role == Role.ENGINEER:
            return self.filter(engineer__user=user)
        return self if user.branch_id is None else self.filter(site__branch_id=user.branch_id)


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), append_only=True)
class Visit(models.Model):
    class Kind(models.TextChoices):
        SITE = "site", "Site visit"
        REMOTE = "remote", "Remote check"

    class State(models.TextChoices):
        PLANNED = "planned", "Planned"
        CONFIRMED = "confirmed", "Confirmed"
        UNDER_WAY = "under way", "Under way"
        DONE = "done", "Done"
        ABORTED = "aborted", "Aborted"
        MISSED = "missed", "Missed"

    LIVE: ClassVar = (State.PLANNED, State.CONFIRMED, State.UNDER_WAY)

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="visits")
    kind = models.CharField(max_length=6, choices=Kind.choices, default=Kind.SITE)
    state = models.CharField(max_length=10, choices=State.choices, default=State.PLANNED)
    engineer = models.ForeignKey(Engineer, on_delete=models.PROTECT, related_name="visits")
    period = DateTimeRangeField(help_text="from when to when the engineer is there")
    note = models.CharField(max_length=200, blank=True)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    made_at = models.DateTimeField(default=timezone.now)
    version = models.PositiveIntegerField(default=1, help_text="counts changes; the page sends back what it read")

    objects = VisitQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["site", "-id"]),
            models.Index(RangeStartsWith("period"), "id", name="maintenance_visit_from"),
        ]
        constraints: ClassVar = [
            ExclusionConstraint(
                name="maintenance_visit_no_overlap",
                expressions=[("engineer", RangeOperators.EQUAL), ("period", RangeOperators.OVERLAPS)],
                condition=~Q(state__in=("aborted", "missed")),
            ),
            models.CheckConstraint(
                name="maintenance_visit_period_whole",
                condition=Q(period__isempty=False, period__lower_inf=False, period__upper_inf=False),
            ),
        ]
        triggers: ClassVar = [triggers.VISIT_OPENS_SITE]

    def __str__(self) -> str:
        return f"{self.kind} visit {self.pk}"


class VisitTask(models.Model):
    """A requirement that a visit is to meet."""

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="tasks")
    requirement = models.ForeignKey("maintenance.Requirement", on_delete=models.PROTECT, related_name="tasks")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="maintenance_visittask_once", fields=["visit", "requirement"])
        ]

    def __str__(self) -> str:
        return f"{self.visit_id}/{self.requirement_id}"
