"""Regimes, the requirements they put on sites and devices, results, and the flags computed from both."""

from __future__ import annotations

from typing import ClassVar

import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from installs.models import Circuit, Device, Panel, Site
from maintenance.models import triggers
from stock.models.catalogue import Grade


class Subject(models.TextChoices):
    """What a requirement is about."""

    SITE = "site", "Site"
    PANEL = "panel", "Panel"
    CIRCUIT = "circuit", "Circuit"
    DEVICE = "device", "Device"


class Regime(models.Model):
    """Which visits and tests a grade and contract call for. The firm may edit it; the source stays named."""

    name = models.CharField(max_length=80, unique=True)
    grade = models.PositiveSmallIntegerField(choices=Grade.choices)
    contract = models.CharField(max_length=10, choices=Site.Contract.choices)
    standard = models.CharField(max_length=60)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="maintenance_regime_once", fields=["grade", "contract"])
        ]

    def __str__(self) -> str:
        return self.name


class RegimeRule(models.Model):
    """One visit or test of a regime, how often, and how far early or late still counts as on time."""

    class Test(models.TextChoices):
        SITE_VISIT = "site visit", "Site visit"
        REMOTE_CHECK = "remote check", "Remote check"
        BATTERY = "battery", "Battery and supply test"
        SIGNALLING = "signalling", "Signalling test"
        LOOP = "loop", "Loop resistance"
        WALK_TEST = "walk test", "Walk test"
        MASK_TEST = "mask test", "Anti-mask test"

    regime = models.ForeignKey(Regime, on_delete=models.CASCADE, related_name="rules")
    test = models.CharField(max_length=14, choices=Test.choices)
    subject = models.CharField(max_length=8, choices=Subject.choices)
    interval_months = models.PositiveSmallIntegerField()
    first_after_months = models.PositiveSmallIntegerField(help_text="months from the month it came into use")
    early_months = models.PositiveSmallIntegerField(default=1)
    late_months = models.PositiveSmallIntegerField(default=1)
    keeps_anniversary = models.BooleanField(
        default=True, help_text="count the next due month from the due month, not from the day of the visit"
    )
    source = models.CharField(max_length=160)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="maintenance_regimerule_once", fields=["regime", "test"]),
            models.CheckConstraint(
                name="maintenance_regimerule_interval",
                condition=Q(interval_months__gt=0, first_after_months__gt=0)
                & Q(early_months__lt=F("interval_months")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.test} every {self.interval_months} months"


class Requirement(models.Model):
    """A test or visit that one subject owes, with its due month and window."""

    rule = models.ForeignKey(RegimeRule, on_delete=models.PROTECT, related_name="requirements")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="requirements")
    panel = models.ForeignKey(Panel, on_delete=models.PROTECT, null=True, blank=True, related_name="requirements")
    circuit = models.ForeignKey(
        Circuit, on_delete=models.PROTECT, null=True, blank=True, related_name="requirements"
    )
    device = models.ForeignKey(
        Device, on_delete=models.PROTECT, null=True, blank=True, related_name="requirements"
    )
    due_month = models.DateField(help_text="first day of the month it is due in")
    window_from = models.DateField(help_text="first day that counts as on time")
    window_to = models.DateField(help_text="last day that counts as on time")
    last_done_on = models.DateField(null=True, blank=True)
    active = models.BooleanField(default=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["window_to", "id"], name="maintenance_req_open", condition=Q(active=True)),
            models.Index(fields=["site", "window_to"]),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="maintenance_requirement_once",
                fields=["rule", "site", "panel", "circuit", "device"],
                nulls_distinct=False,
            ),
            models.CheckConstraint(
                name="maintenance_requirement_one_subject",
                condition=Q(panel=None, circuit=None)
                | Q(panel=None, device=None)
                | Q(circuit=None, device=None),
            ),
            models.CheckConstraint(
                name="maintenance_requirement_window",
                condition=Q(window_from__lte=F("due_month")) & Q(window_to__gte=F("due_month")),
            ),
            models.CheckConstraint(name="maintenance_requirement_month", condition=Q(due_month__day=1)),
        ]

    def __str__(self) -> str:
        return f"{self.rule_id} due {self.due_month:%B %Y}"


class TestResult(models.Model):
    """What was found when a requirement was carried out. Never changed: a later result supersedes it."""

    __test__ = False  # pytest takes the name for a test class

    class Outcome(models.TextChoices):
        PASSED = "passed", "Passed"
        FAILED = "failed", "Failed"
        NOT_DONE = "not done", "Not done"

    requirement = models.ForeignKey(Requirement, on_delete=models.PROTECT, related_name="results")
    visit = models.ForeignKey(
        "maintenance.Visit", on_delete=models.PROTECT, null=True, blank=True, related_name="results"
    )
    done_on = models.DateField()
    outcome = models.CharField(max_length=8, choices=Outcome.choices)
    measured_ohm = models.FloatField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(default=timezone.now)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["requirement", "-done_on", "-id"]),
            models.Index(fields=["requirement"], name="maintenance_result_failed", condition=Q(outcome="failed")),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                name="maintenance_testresult_measured", condition=Q(measured_ohm=None) | Q(measured_ohm__gte=0)
            )
        ]
        triggers: ClassVar = [
            pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete),
            triggers.RESULT_IS_MEASUREMENT,
        ]

    def __str__(self) -> str:
        return f"{self.outcome} on {self.done_on}"


class Flag(models.Model):
    """A mark that the nightly work puts on a requirement and withdraws when it no longer holds."""

    class State(models.TextChoices):
        DUE_SOON = "due soon", "Due soon"
        DUE = "due", "Due"
        OVERDUE = "overdue", "Overdue"
        ESCALATED = "escalated", "Escalated"
        FAILED = "failed", "Failed test"

    LATE: ClassVar = (State.OVERDUE, State.ESCALATED)

    requirement = models.ForeignKey(Requirement, on_delete=models.CASCADE, related_name="flags")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="flags")
    state = models.CharField(max_length=10, choices=State.choices)
    fault = models.BooleanField(default=False, help_text="from a failed test, not from the calendar")
    since = models.DateField(help_text="day from which the state holds")
    raised_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["site"], name="maintenance_flag_site", condition=Q(withdrawn_at=None)),
            # The list of what is due: worst state first, oldest first.
            models.Index(fields=["state", "since", "id"], name="maintenance_flag_open", condition=Q(withdrawn_at=None)),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="maintenance_flag_once", fields=["requirement", "fault"], condition=Q(withdrawn_at=None)
            ),
            models.CheckConstraint(
                name="maintenance_flag_fault_state",
                condition=Q(fault=True, state="failed") | (Q(fault=False) & ~Q(state="failed")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.state} since {self.since}"
