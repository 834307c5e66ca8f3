"""Administration of what no page edits: customers, sites, panels and their inputs, circuits."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import URLPattern, path
from django.views.decorators.http import require_POST

from config.accounts.models import User
from installs.forms_inputs import InputBandForm, InputBandFormSet, InputProfileForm
from installs.models import (
    Circuit,
    CircuitPlace,
    Customer,
    Device,
    InputBand,
    InputProfile,
    LoopTable,
    Panel,
    PanelType,
    PowerFeed,
    Site,
    StandbyRule,
    System,
)
from installs.services.reads import log_read
from installs.services.refusals import compare_bands_at_end, recorded
from installs.services.supply import install_standby_rules


@admin.register(Customer)
class CustomerAdmin(admin.ModelAdmin[Customer]):
    list_display = ("reference", "name", "phone")
    search_fields = ("reference", "name")


@admin.register(Site)
class SiteAdmin(admin.ModelAdmin[Site]):
    list_display = ("reference", "name", "town", "branch", "grade")
    list_select_related = ("branch",)
    list_filter = ("branch", "grade", "contract")
    search_fields = ("reference", "name", "postcode")
    autocomplete_fields = ("customer",)
    exclude = ("search",)

    def change_view(self, request: HttpRequest, object_id: str, *args: Any, **kwargs: Any) -> HttpResponse:
        """The form shows the access notes, so opening it is a look at the site."""
        site = self.get_object(request, object_id)
        if site is not None and request.user.is_authenticated:
            log_read(site.pk, by=request.user, door="admin: site", address=request.META.get("REMOTE_ADDR"))
        return super().change_view(request, object_id, *args, **kwargs)


@admin.register(System)
class SystemAdmin(admin.ModelAdmin[System]):
    list_display = ("id", "site", "name")
    list_select_related = ("site",)
    autocomplete_fields = ("site",)
    search_fields = ("site__reference", "site__name")


@admin.register(PanelType)
class PanelTypeAdmin(admin.ModelAdmin[PanelType]):
    list_display = ("code", "name", "grade")
    search_fields = ("code", "name")


class InputBandInline(admin.TabularInline[InputBand, InputProfile]):
    """Bands in volts where the input has a reference and a pull-up: their ohms follow."""

    model = InputBand
    form = InputBandForm
    formset = InputBandFormSet  # type: ignore[assignment]
    extra = 0
    fields = ("state", "low_v", "high_v", "low_ohm", "high_ohm")

    def get_readonly_fields(self, _request: HttpRequest, obj: InputProfile | None = None) -> tuple[str, ...]:
        return ("low_ohm", "high_ohm") if obj is not None and obj.reference_v is not None else ()


@admin.register(InputProfile)
class InputProfileAdmin(admin.ModelAdmin[InputProfile]):
    form = InputProfileForm
    list_display = ("panel_type", "code", "topology", "reference_v", "pull_up_ohm")
    list_select_related = ("panel_type", "topology")
    search_fields = ("code", "panel_type__code")
    inlines: ClassVar = [InputBandInline]

    def changeform_view(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """What only the database sees is refused in words as well."""
        assert isinstance(request.user, User)
        with recorded(request.user):
            compare_bands_at_end()
            return super().changeform_view(request, *args, **kwargs)


@admin.register(Panel)
class PanelAdmin(admin.ModelAdmin[Panel]):
    list_display = ("id", "system", "type", "place")
    list_select_related = ("system", "type")
    autocomplete_fields = ("system", "type")
    search_fields = ("system__site__reference", "serial_number")


class CircuitPlaceInline(admin.TabularInline[CircuitPlace, Circuit]):
    """Shown, not edited: the service that sets places checks what the topology and the wires can carry."""

    model = CircuitPlace
    extra = 0
    can_delete = False
    readonly_fields = ("order", "device", "functions", "run_m")

    def has_add_permission(self, _request: HttpRequest, _obj: Circuit | None = None) -> bool:
        return False


class LoopTableInline(admin.StackedInline[LoopTable, Circuit]):
    """Shown, not edited: it is computed from the record."""

    model = LoopTable
    can_delete = False
    fields = ("stale", "outcome", "cause", "cure", "values_since", "computed_at")
    readonly_fields = fields

    def has_add_permission(self, _request: HttpRequest, _obj: Circuit | None = None) -> bool:
        return False


@admin.register(Circuit)
class CircuitAdmin(admin.ModelAdmin[Circuit]):
    list_display = ("panel", "number", "zone", "topology")
    list_select_related = ("panel", "topology")
    autocomplete_fields = ("panel", "profile")
    search_fields = ("zone",)
    inlines: ClassVar = [CircuitPlaceInline, LoopTableInline]


@admin.register(Device)
class DeviceAdmin(admin.ModelAdmin[Device]):
    """To look at only: devices change through services that keep the ledger in step."""

    list_display = ("mark", "position", "system", "variant", "fitted_on", "removed_on")
    list_select_related = ("system", "variant")
    search_fields = ("mark", "serial__number")
    show_full_result_count = False

    def has_add_permission(self, _request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, _request: HttpRequest, _obj: Device | None = None) -> bool:
        return False

    def has_delete_permission(self, _request: HttpRequest, _obj: Device | None = None) -> bool:
        return False


@admin.register(PowerFeed)
class PowerFeedAdmin(admin.ModelAdmin[PowerFeed]):
    """To look at only: the service that records feeds refuses rings and other systems' devices."""

    list_display = ("device", "fed_from", "run_m", "cable_type", "cores_per_pole")
    list_select_related = ("device", "fed_from", "cable_type")
    show_full_result_count = False

    def has_add_permission(self, _request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, _request: HttpRequest, _obj: PowerFeed | None = None) -> bool:
        return False

    def has_delete_permission(self, _request: HttpRequest, _obj: PowerFeed | None = None) -> bool:
        return False


@admin.register(StandbyRule)
class StandbyRuleAdmin(admin.ModelAdmin[StandbyRule]):
    """How long supplies must last. The firm may edit every row; a button adds the standards' rows that are missing."""

    list_display = (
        "scheme", "grade", "psu_type", "fault_signalled", "standby_hours", "alarm_minutes", "recharge_hours", "source",
    )
    list_filter = ("scheme", "grade", "psu_type")
    ordering = ("scheme", "psu_type", "grade", "fault_signalled")
    change_list_template = "installs/admin_standby_rules.html"

    def get_urls(self) -> list[URLPattern]:
        add = self.admin_site.admin_view(require_POST(self.add_standard))
        return [path("add-standard/", add, name="installs_standbyrule_standard"), *super().get_urls()]

    def add_standard(self, request: HttpRequest) -> HttpResponse:
        """Add the standards' rows; those that are there stay as they are."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        messages.success(request, f"{install_standby_rules()} standby rules added; those that were there stay.")
        return redirect("admin:installs_standbyrule_changelist")
