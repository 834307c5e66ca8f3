"""Filters of the lists under /api/."""

from __future__ import annotations

from typing import ClassVar

import django_filters
from django.contrib.postgres.search import SearchQuery
from django.db.models import QuerySet

from installs.models import Circuit, CircuitPlace, Customer, Device, Document, InputProfile, Panel, Site, System
from installs.queries.search import prefix_query


class CustomerFilter(django_filters.FilterSet):  # type: ignore[misc]
    name = django_filters.CharFilter(lookup_expr="istartswith")

    class Meta:
        model = Customer
        fields: ClassVar = ["reference", "name"]


class SiteFilter(django_filters.FilterSet):  # type: ignore[misc]
    q = django_filters.CharFilter(method="by_words", help_text="beginnings of name, postcode, reference or town")

    class Meta:
        model = Site
        fields: ClassVar = ["customer", "branch", "grade", "contract", "environmental_class", "reference"]

    def by_words(self, queryset: QuerySet[Site], _name: str, value: str) -> QuerySet[Site]:
        words = prefix_query(value)
        return queryset.filter(search=SearchQuery(words, search_type="raw", config="simple")) if words else queryset


class SystemFilter(django_filters.FilterSet):  # type: ignore[misc]
    class Meta:
        model = System
        fields: ClassVar = ["site"]


class PanelFilter(django_filters.FilterSet):  # type: ignore[misc]
    site = django_filters.NumberFilter(field_name="system__site")

    class Meta:
        model = Panel
        fields: ClassVar = ["site", "system", "type"]


class InputProfileFilter(django_filters.FilterSet):  # type: ignore[misc]
    class Meta:
        model = InputProfile
        fields: ClassVar = ["panel_type", "topology"]


class CircuitFilter(django_filters.FilterSet):  # type: ignore[misc]
    site = django_filters.NumberFilter(field_name="panel__system__site")

    class Meta:
        model = Circuit
        fields: ClassVar = ["site", "panel", "topology", "profile"]


class CircuitPlaceFilter(django_filters.FilterSet):  # type: ignore[misc]
    site = django_filters.NumberFilter(field_name="circuit__panel__system__site")

    class Meta:
        model = CircuitPlace
        fields: ClassVar = ["site", "circuit", "device"]


class DeviceFilter(django_filters.FilterSet):  # type: ignore[misc]
    site = django_filters.NumberFilter(field_name="system__site")
    family = django_filters.NumberFilter(field_name="variant__family")
    removed = django_filters.BooleanFilter(field_name="removed_on", lookup_expr="isnull", exclude=True)

    class Meta:
        model = Device
        fields: ClassVar = ["site", "system", "variant", "family", "board", "signalling_wires", "serial", "removed"]


class DocumentFilter(django_filters.FilterSet):  # type: ignore[misc]
    class Meta:
        model = Document
        fields: ClassVar = ["site", "device", "kind"]
