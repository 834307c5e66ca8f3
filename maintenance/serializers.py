"""What the maintenance endpoints read and write."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from maintenance.models import (
    Absence,
    Engineer,
    Flag,
    JobRun,
    Regime,
    RegimeRule,
    Requirement,
    Shortage,
    TestResult,
    Visit,
)
from maintenance.services.results import ResultEntry


class RegimeSerializer(serializers.ModelSerializer[Regime]):
    class Meta:
        model = Regime
        fields = ("id", "name", "grade", "contract", "standard")


class RegimeRuleSerializer(serializers.ModelSerializer[RegimeRule]):
    regime_name = serializers.CharField(source="regime.name", read_only=True)

    class Meta:
        model = RegimeRule
        fields = (
            "id", "regime", "regime_name", "test", "subject", "interval_months", "first_after_months",
            "early_months", "late_months", "keeps_anniversary", "source",
        )
        read_only_fields = ("regime", "test", "subject")


class RequirementSerializer(serializers.ModelSerializer[Requirement]):
    site_reference = serializers.CharField(source="site.reference", read_only=True)
    test = serializers.ChoiceField(source="rule.test", choices=RegimeRule.Test.choices, read_only=True)
    subject = serializers.CharField(source="rule.subject", read_only=True)

    class Meta:
        model = Requirement
        fields = (
            "id", "rule", "site", "site_reference", "test", "subject", "panel", "circuit", "device", "due_month",
            "window_from", "window_to", "last_done_on", "active",
        )


class FlagSerializer(serializers.ModelSerializer[Flag]):
    site_reference = serializers.CharField(source="site.reference", read_only=True)
    test = serializers.ChoiceField(source="requirement.rule.test", choices=RegimeRule.Test.choices, read_only=True)

    class Meta:
        model = Flag
        fields = ("id", "requirement", "site", "site_reference", "test", "state", "fault", "since", "raised_at")


class TestResultSerializer(serializers.ModelSerializer[TestResult]):
    site = serializers.IntegerField(source="requirement.site_id", read_only=True)

    class Meta:
        model = TestResult
        fields = (
            "id", "requirement", "site", "visit", "done_on", "outcome", "measured_ohm", "note", "recorded_by",
            "recorded_at",
        )


class VisitSerializer(serializers.ModelSerializer[Visit]):
    site_reference = serializers.CharField(source="site.reference", read_only=True)
    engineer_name = serializers.CharField(source="engineer.user.name", read_only=True)
    starts = serializers.DateTimeField(source="period.lower", read_only=True)
    ends = serializers.DateTimeField(source="period.upper", read_only=True)
    requirements = serializers.SerializerMethodField()

    class Meta:
        model = Visit
        fields = (
            "id", "site", "site_reference", "engineer", "engineer_name", "kind", "state", "starts", "ends", "note",
            "requirements", "version",
        )

    def get_requirements(self, visit: Visit) -> list[int]:
        return [task.requirement_id for task in visit.tasks.all()]


class VisitPlanSerializer(serializers.Serializer[Any]):
    """A visit to be planned."""

    site = serializers.IntegerField()
    engineer = serializers.IntegerField()
    starts = serializers.DateTimeField()
    ends = serializers.DateTimeField()
    kind = serializers.ChoiceField(choices=Visit.Kind.choices, default=Visit.Kind.SITE)
    requirements = serializers.ListField(child=serializers.IntegerField(), default=list)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class VisitMoveSerializer(serializers.Serializer[Any]):
    """A visit's new time, engineer or note; what is left out stays."""

    starts = serializers.DateTimeField()
    ends = serializers.DateTimeField()
    engineer = serializers.IntegerField(required=False)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True)


class VisitAbortSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=150)


class EntrySerializer(serializers.Serializer[Any]):
    """The result of one task of a visit."""

    requirement = serializers.IntegerField()
    outcome = serializers.ChoiceField(choices=TestResult.Outcome.choices)
    measured_ohm = serializers.FloatField(
        required=False, allow_null=True, default=None, min_value=0, help_text="loop tests only, in ohms"
    )
    note = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")


class RecordSerializer(serializers.Serializer[Any]):
    """The results of all tasks of a visit."""

    done_on = serializers.DateField()
    results = EntrySerializer(many=True)

    def entries(self) -> list[ResultEntry]:
        return [
            ResultEntry(
                requirement_id=entry["requirement"], outcome=entry["outcome"], measured_ohm=entry["measured_ohm"],
                note=entry["note"],
            )
            for entry in self.validated_data["results"]
        ]


class EngineerSerializer(serializers.ModelSerializer[Engineer]):
    name = serializers.CharField(source="user.name", read_only=True)
    branch = serializers.IntegerField(source="user.branch_id", read_only=True)

    class Meta:
        model = Engineer
        # Where somebody lives is nobody's business here; the planner reads it from the database.
        fields = ("id", "user", "name", "branch", "skills", "day_starts", "day_ends", "weekdays")


class AbsenceSerializer(serializers.ModelSerializer[Absence]):
    first_day = serializers.DateField(source="days.lower", read_only=True)
    day_after = serializers.DateField(source="days.upper", read_only=True)

    class Meta:
        model = Absence
        fields = ("id", "engineer", "first_day", "day_after", "reason")


class JobRunSerializer(serializers.ModelSerializer[JobRun]):
    class Meta:
        model = JobRun
        fields = (
            "id", "job", "business_date", "state", "started_at", "finished_at", "step", "progress", "counts", "error",
        )


class ShortageSerializer(serializers.ModelSerializer[Shortage]):
    sku = serializers.CharField(source="item.sku", read_only=True)
    branch_name = serializers.CharField(source="branch.name", read_only=True)

    class Meta:
        model = Shortage
        fields = (
            "id", "branch", "branch_name", "item", "sku", "needed_on", "needed", "on_hand", "on_order", "short",
            "references",
        )
