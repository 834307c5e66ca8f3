"""Administration pages: the catalogue may be edited, the ledger only looked at."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from stock import models


class LookOnly(admin.ModelAdmin[Any]):
    """The ledger changes by services only; here nobody adds, changes or deletes."""

    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(models.Family, models.Topology, models.Backplate, models.Insert, models.CableType, models.KitLine)
class CatalogueAdmin(admin.ModelAdmin[Any]):
    list_per_page = 50


@admin.register(models.Item)
class ItemAdmin(admin.ModelAdmin[models.Item]):
    list_display = ("sku", "name", "kind", "family", "tracking")
    list_filter = ("kind", "family")
    list_select_related = ("family",)
    search_fields = ("sku", "name")


@admin.register(models.Variant)
class VariantAdmin(admin.ModelAdmin[models.Variant]):
    list_display = ("code", "name", "family", "grade", "anti_mask", "discontinued_on")
    list_filter = ("family", "grade", "anti_mask")
    list_select_related = ("family",)
    search_fields = ("code", "name")


@admin.register(models.Board)
class BoardAdmin(admin.ModelAdmin[models.Board]):
    list_display = ("item", "topology", "signalling_wires", "eol_ohm", "alarm_ohm", "mask_ohm")
    list_select_related = ("item", "topology")


@admin.register(models.Location)
class LocationAdmin(admin.ModelAdmin[models.Location]):
    list_display = ("code", "name", "kind", "branch", "engineer")
    list_filter = ("kind", "branch")
    list_select_related = ("branch", "engineer")

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> tuple[str, ...]:
        return ("kind",) if obj else ()


@admin.register(models.Supplier)
class SupplierAdmin(admin.ModelAdmin[models.Supplier]):
    list_display = ("name", "location", "lead_time_days")
    list_select_related = ("location",)


@admin.register(models.Movement)
class MovementAdmin(LookOnly):
    list_display = ("id", "at", "item", "quantity", "source", "destination", "kind", "reference")
    list_select_related = ("item", "source", "destination")
    search_fields = ("reference", "item__sku", "serial__number")


@admin.register(models.Balance)
class BalanceAdmin(LookOnly):
    list_display = ("item", "location", "on_hand", "reserved", "reserved_ahead", "on_order")
    list_select_related = ("item", "location")
    search_fields = ("item__sku",)


@admin.register(models.Serial)
class SerialAdmin(LookOnly):
    list_display = ("number", "item", "location")
    list_select_related = ("item", "location")
    search_fields = ("number",)


@admin.register(models.Reservation, models.Order, models.StockLevel)
class LookOnlyAdmin(LookOnly):
    list_per_page = 50
