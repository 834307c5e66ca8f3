"""Filters of the maintenance endpoints."""

from __future__ import annotations

from typing import Any, ClassVar

import django_filters as filters
from django.db.models import QuerySet

from maintenance.models import (
    Absence,
    Engineer,
    Flag,
    JobRun,
    Regime,
    RegimeRule,
    Requirement,
    Shortage,
    SwapNeed,
    SwapProposal,
    SwapVerdict,
    TestResult,
    Visit,
)
from stock.models.catalogue import Grade


class RegimeFilter(filters.FilterSet):  # type: ignore[misc]
    class Meta:
        model = Regime
        fields: ClassVar = ["grade", "contract"]


class RegimeRuleFilter(filters.FilterSet):  # type: ignore[misc]
    class Meta:
        model = RegimeRule
        fields: ClassVar = ["regime", "test", "subject"]


class RequirementFilter(filters.FilterSet):  # type: ignore[misc]
    test = filters.ChoiceFilter(field_name="rule__test", choices=RegimeRule.Test.choices)
    grade = filters.ChoiceFilter(field_name="site__grade", choices=Grade.choices)
    site = filters.NumberFilter()
    device = filters.NumberFilter()
    circuit = filters.NumberFilter()
    due_from = filters.DateFilter(field_name="due_month", lookup_expr="gte")
    due_to = filters.DateFilter(field_name="due_month", lookup_expr="lte")
    branch = filters.NumberFilter(field_name="site__branch_id")

    class Meta:
        model = Requirement
        fields: ClassVar = ["active"]


class FlagFilter(filters.FilterSet):  # type: ignore[misc]
    site = filters.NumberFilter()
    requirement = filters.NumberFilter()
    test = filters.ChoiceFilter(field_name="requirement__rule__test", choices=RegimeRule.Test.choices)
    grade = filters.ChoiceFilter(field_name="site__grade", choices=Grade.choices)
    branch = filters.NumberFilter(field_name="site__branch_id")

    class Meta:
        model = Flag
        fields: ClassVar = ["state", "fault"]


class TestResultFilter(filters.FilterSet):  # type: ignore[misc]
    site = filters.NumberFilter(field_name="requirement__site_id")
    requirement = filters.NumberFilter()
    visit = filters.NumberFilter()
    done_from = filters.DateFilter(field_name="done_on", lookup_expr="gte")
    done_to = filters.DateFilter(field_name="done_on", lookup_expr="lte")

    class Meta:
        model = TestResult
        fields: ClassVar = ["outcome"]


class VisitFilter(filters.FilterSet):  # type: ignore[misc]
    site = filters.NumberFilter()
    engineer = filters.NumberFilter()
    starts_from = filters.IsoDateTimeFilter(field_name="starts", lookup_expr="gte")
    starts_before = filters.IsoDateTimeFilter(field_name="starts", lookup_expr="lt")

    class Meta:
        model = Visit
        fields: ClassVar = ["state", "kind"]


class ProposalFilter(filters.FilterSet):  # type: ignore[misc]
    device = filters.NumberFilter()
    site = filters.NumberFilter(field_name="device__system__site_id")
    verdict = filters.ChoiceFilter(field_name="verdict__verdict", choices=SwapVerdict.Verdict.choices)
    reason = filters.ChoiceFilter(method="with_reason", choices=SwapNeed.Reason.choices)

    class Meta:
        model = SwapProposal
        fields: ClassVar = ["state"]

    def with_reason(self, queryset: QuerySet[Any], _name: str, value: str) -> QuerySet[Any]:
        return queryset.filter(reasons__contains=[value])


class SwapNeedFilter(filters.FilterSet):  # type: ignore[misc]
    device = filters.NumberFilter()
    reason = filters.ChoiceFilter(method="with_reason", choices=SwapNeed.Reason.choices)

    class Meta:
        model = SwapNeed
        fields: ClassVar = ["device"]

    def with_reason(self, queryset: QuerySet[Any], _name: str, value: str) -> QuerySet[Any]:
        return queryset.filter(reasons__contains=[value])


class EngineerFilter(filters.FilterSet):  # type: ignore[misc]
    branch = filters.NumberFilter(field_name="user__branch_id")

    class Meta:
        model = Engineer
        fields: ClassVar = ["user"]


class AbsenceFilter(filters.FilterSet):  # type: ignore[misc]
    engineer = filters.NumberFilter()
    day = filters.DateFilter(field_name="days", lookup_expr="contains")

    class Meta:
        model = Absence
        fields: ClassVar = ["engineer"]


class JobRunFilter(filters.FilterSet):  # type: ignore[misc]
    class Meta:
        model = JobRun
        fields: ClassVar = ["job", "state", "business_date"]


class ShortageFilter(filters.FilterSet):  # type: ignore[misc]
    branch = filters.NumberFilter()
    item = filters.NumberFilter()
    needed_before = filters.DateFilter(field_name="needed_on", lookup_expr="lt")

    class Meta:
        model = Shortage
        fields: ClassVar = ["branch", "item"]
