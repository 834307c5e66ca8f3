"""Administration pages of the firm's own tables; what only services may write is shown, not edited."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from maintenance.models import Absence, Engineer, JobRun, Regime, RegimeRule, TestResult, Visit


class RegimeRuleInline(admin.TabularInline[RegimeRule, Regime]):
    model = RegimeRule
    extra = 0


@admin.register(Regime)
class RegimeAdmin(admin.ModelAdmin[Regime]):
    list_display = ("name", "grade", "contract", "standard")
    inlines = (RegimeRuleInline,)


class AbsenceInline(admin.TabularInline[Absence, Engineer]):
    model = Absence
    extra = 0


@admin.register(Engineer)
class EngineerAdmin(admin.ModelAdmin[Engineer]):
    list_display = ("user", "day_starts", "day_ends", "weekdays")
    list_select_related = ("user",)
    inlines = (AbsenceInline,)


class _ReadOnly:
    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(Visit)
class VisitAdmin(_ReadOnly, admin.ModelAdmin[Visit]):
    list_display = ("site", "engineer", "period", "kind", "state")
    list_select_related = ("site", "engineer__user")
    show_full_result_count = False


@admin.register(TestResult)
class TestResultAdmin(_ReadOnly, admin.ModelAdmin[TestResult]):
    list_display = ("requirement", "done_on", "outcome", "recorded_by")
    list_select_related = ("requirement", "recorded_by")
    show_full_result_count = False


@admin.register(JobRun)
class JobRunAdmin(_ReadOnly, admin.ModelAdmin[JobRun]):
    list_display = ("job", "business_date", "state", "started_at", "progress")
    show_full_result_count = False
