"""Accounts, branches and the firm's settings on the administration pages; the read log to look at only."""

from __future__ import annotations

from typing import ClassVar

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.forms import BaseUserCreationForm
from django.contrib.auth.models import Group
from django.http import HttpRequest

from config.accounts.models import ApiToken, Branch, Firm, ReadLog, User

# Rights come from the role; the framework's groups would only suggest otherwise.
admin.site.unregister(Group)
admin.site.site_header = admin.site.site_title = "Zonewright administration"


class NewPersonForm(BaseUserCreationForm):  # type: ignore[type-arg]
    class Meta:
        model = User
        fields = ("email", "name", "role", "branch")


@admin.register(User)
class PersonAdmin(UserAdmin):  # type: ignore[type-arg]
    add_form = NewPersonForm
    ordering = ("email",)
    list_display = ("email", "name", "role", "branch", "is_active", "last_login")
    list_filter = ("role", "branch", "is_active")
    search_fields = ("email", "name")
    filter_horizontal = ()
    list_select_related = ("branch",)
    readonly_fields = ("last_login", "joined_at")
    fieldsets = (
        (None, {"fields": ("email", "name", "password")}),
        ("Rights", {"fields": ("role", "branch", "is_active")}),
        ("Dates", {"fields": ("last_login", "joined_at")}),
    )
    add_fieldsets = ((None, {"fields": ("email", "name", "role", "branch", "password1", "password2")}),)


@admin.register(Branch)
class BranchAdmin(admin.ModelAdmin[Branch]):
    list_display = ("code", "name")


@admin.register(Firm)
class FirmAdmin(admin.ModelAdmin[Firm]):
    list_display = ("name", "access_days_before", "access_days_after", "due_soon_days", "escalate_days")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Firm | None = None) -> bool:
        return False


@admin.register(ApiToken)
class ApiTokenAdmin(admin.ModelAdmin[ApiToken]):
    """Keys are made by `manage.py issue_token`; here they are seen and revoked."""

    list_display = ("name", "user", "created_at", "expires_at")
    list_select_related = ("user",)
    readonly_fields: ClassVar = ["user", "name", "scopes", "created_at", "expires_at"]

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False


@admin.register(ReadLog)
class ReadLogAdmin(admin.ModelAdmin[ReadLog]):
    list_display = ("at", "user", "subject", "subject_id", "door", "address")
    list_select_related = ("user",)
    ordering = ("-id",)
    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: ReadLog | None = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: ReadLog | None = None) -> bool:
        return False
