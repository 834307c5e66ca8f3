"""Filters of the REST lists. Keys are plain numbers: an unknown one gives an empty list, and costs no look-up."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters

from stock.models import Backplate, Board, Item, KitLine, Location, Movement, Order, Reservation, Serial, StockLevel
from stock.models import Variant as VariantModel


class ItemFilter(filters.FilterSet):  # type: ignore[misc]
    family = filters.NumberFilter(field_name="family_id")
    kind = filters.ChoiceFilter(choices=Item.Kind.choices)
    tracking = filters.ChoiceFilter(choices=Item.Tracking.choices)
    sku = filters.CharFilter(lookup_expr="istartswith")
    name = filters.CharFilter(lookup_expr="icontains")

    class Meta:
        model = Item
        fields = ("family", "kind", "tracking", "sku", "name")


class VariantFilter(filters.FilterSet):  # type: ignore[misc]
    family = filters.NumberFilter(field_name="family_id")
    cover = filters.NumberFilter(field_name="cover_id")
    grade = filters.NumberFilter(help_text="security grade 1 to 4")
    anti_mask = filters.BooleanFilter()
    discontinued = filters.BooleanFilter(field_name="discontinued_on", lookup_expr="isnull", exclude=True)

    class Meta:
        model = VariantModel
        fields = ("family", "cover", "grade", "anti_mask", "discontinued")


class BackplateFilter(filters.FilterSet):  # type: ignore[misc]
    family = filters.NumberFilter(field_name="family_id")
    item = filters.NumberFilter(field_name="item_id")

    class Meta:
        model = Backplate
        fields = ("family", "item")


class BoardFilter(filters.FilterSet):  # type: ignore[misc]
    family = filters.NumberFilter(field_name="families")
    item = filters.NumberFilter(field_name="item_id")
    topology = filters.NumberFilter(field_name="topology_id")

    class Meta:
        model = Board
        fields = ("family", "item", "topology")


class KitLineFilter(filters.FilterSet):  # type: ignore[misc]
    variant = filters.NumberFilter(field_name="variant_id")
    item = filters.NumberFilter(field_name="item_id")

    class Meta:
        model = KitLine
        fields = ("variant", "item")


class LocationFilter(filters.FilterSet):  # type: ignore[misc]
    kind = filters.ChoiceFilter(choices=Location.Kind.choices)

    class Meta:
        model = Location
        fields = ("kind",)


class SerialFilter(filters.FilterSet):  # type: ignore[misc]
    item = filters.NumberFilter(field_name="item_id")
    location = filters.NumberFilter(field_name="location_id")
    number = filters.CharFilter(lookup_expr="istartswith")

    class Meta:
        model = Serial
        fields = ("item", "location", "number")


class BalanceFilter(filters.FilterSet):  # type: ignore[misc]
    item = filters.NumberFilter(field_name="item_id")
    location = filters.NumberFilter(field_name="location_id")
    family = filters.NumberFilter(field_name="item__family_id")
    kind = filters.ChoiceFilter(field_name="item__kind", choices=Item.Kind.choices)
    below_only = filters.BooleanFilter(method="only_below", help_text="only what is below its minimum")

    def only_below(self, rows: QuerySet[Any, Any], _name: str, value: bool) -> QuerySet[Any, Any]:
        return rows.filter(short=True) if value else rows


class MovementFilter(filters.FilterSet):  # type: ignore[misc]
    item = filters.NumberFilter(field_name="item_id")
    source = filters.NumberFilter(field_name="source_id")
    destination = filters.NumberFilter(field_name="destination_id")
    serial = filters.NumberFilter(field_name="serial_id")
    kind = filters.ChoiceFilter(choices=Movement.Kind.choices)
    reference = filters.CharFilter()
    since = filters.IsoDateTimeFilter(field_name="at", lookup_expr="gte")
    before = filters.IsoDateTimeFilter(field_name="at", lookup_expr="lt")

    class Meta:
        model = Movement
        fields = ("item", "source", "destination", "serial", "kind", "reference", "since", "before")


class ReservationFilter(filters.FilterSet):  # type: ignore[misc]
    item = filters.NumberFilter(field_name="item_id")
    location = filters.NumberFilter(field_name="location_id")
    state = filters.ChoiceFilter(choices=Reservation.State.choices)
    reference = filters.CharFilter()
    needed_by = filters.DateFilter(field_name="needed_on", lookup_expr="lte")

    class Meta:
        model = Reservation
        fields = ("item", "location", "state", "reference", "needed_by")


class OrderFilter(filters.FilterSet):  # type: ignore[misc]
    state = filters.ChoiceFilter(choices=Order.State.choices)
    supplier = filters.NumberFilter(field_name="supplier_id")
    destination = filters.NumberFilter(field_name="destination_id")

    class Meta:
        model = Order
        fields = ("state", "supplier", "destination")


class StockLevelFilter(filters.FilterSet):  # type: ignore[misc]
    item = filters.NumberFilter(field_name="item_id")
    location = filters.NumberFilter(field_name="location_id")

    class Meta:
        model = StockLevel
        fields = ("item", "location")
