"""Administration of what no page edits: customers, sites, panels and their inputs, circuits."""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib import admin
from django.http import HttpRequest, HttpResponse

from installs.models import (
    Circuit,
    CircuitPlace,
    Customer,
    Device,
    InputBand,
    InputProfile,
    Panel,
    PanelType,
    Site,
    System,
)
from installs.services.reads import log_read


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
    model = InputBand
    extra = 0


@admin.register(InputProfile)
class InputProfileAdmin(admin.ModelAdmin[InputProfile]):
    list_display = ("panel_type", "code", "topology")
    list_select_related = ("panel_type", "topology")
    search_fields = ("code", "panel_type__code")
    inlines: ClassVar = [InputBandInline]


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


@admin.register(Circuit)
class CircuitAdmin(admin.ModelAdmin[Circuit]):
    list_display = ("panel", "number", "zone", "topology")
    list_select_related = ("panel", "topology")
    autocomplete_fields = ("panel", "profile")
    search_fields = ("zone",)
    inlines: ClassVar = [CircuitPlaceInline]


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
