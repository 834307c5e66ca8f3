"""What to hold, under /api/."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from rest_framework import serializers
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.viewsets import ChangeViewSet, ReadViewSet, Scoped
from stock.models import Item, ServiceLevel, StockPlan, StoresPolicy
from stock.services.stores_policy import change_policy, set_service_levels


class StockPlanFilter(filters.FilterSet):  # type: ignore[misc]
    item = filters.NumberFilter(field_name="item_id")
    location = filters.NumberFilter(field_name="location_id")
    kind = filters.ChoiceFilter(field_name="item__kind", choices=Item.Kind.choices)

    class Meta:
        model = StockPlan
        fields = ("item", "location", "kind", "abc", "xyz", "method")


class StockPlanSerializer(serializers.ModelSerializer[StockPlan]):
    class Meta:
        model = StockPlan
        fields = (
            "id", "item", "location", "computed_on", "abc", "xyz", "method", "rate_per_week", "sd_per_week",
            "known_in_lead_time", "lead_time_days", "lead_time_sd_days", "service_percent", "safety_stock",
            "reorder_point", "order_quantity", "supplier", "reasons",
        )
        read_only_fields = fields


class StoresPolicySerializer(serializers.ModelSerializer[StoresPolicy]):
    class Meta:
        model = StoresPolicy
        fields = (
            "id", "currency", "order_cost", "carrying_percent", "approval_limit", "review_days", "history_weeks",
            "a_share_percent", "b_share_percent", "x_variation", "y_variation", "top_up_days",
        )
        read_only_fields = ("currency",)


class ServiceLevelSerializer(serializers.ModelSerializer[ServiceLevel]):
    class Meta:
        model = ServiceLevel
        fields = ("id", "abc", "xyz", "percent")
        read_only_fields = ("abc", "xyz")


class StockPlanViewSet(ReadViewSet):
    """What each location should hold of each item, with the reasons of every figure."""

    right = Right.SEE_STOCK
    queryset = StockPlan.objects.all()
    serializer_class = StockPlanSerializer
    filterset_class = StockPlanFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return StockPlan.objects.visible_to(user)


class _FirmViewSet(ChangeViewSet):
    """Settings of the whole firm."""

    right = Right.SEE_STOCK
    write_right = Right.ORDER_STOCK

    def visible(self, user: User) -> QuerySet[Any]:
        return super(Scoped, self).get_queryset()


class StoresPolicyViewSet(_FirmViewSet):
    """The firm's settings for its stores: one record, made by the first nightly work."""

    queryset = StoresPolicy.objects.all()
    serializer_class = StoresPolicySerializer

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        return change_policy(record, changes=changes, by=by)


class ServiceLevelViewSet(_FirmViewSet):
    """How often stock should last through a lead time, by class: nine records, made by the first nightly work."""

    queryset = ServiceLevel.objects.all()
    serializer_class = ServiceLevelSerializer

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        if "percent" in changes:
            set_service_levels({(record.abc, record.xyz): changes["percent"]}, by=by)
            record.refresh_from_db()
        return record


def register(router: BaseRouter) -> None:
    """Put the plans and the policy under /api/."""
    for name, views in {
        "stock-plans": StockPlanViewSet, "stores-policy": StoresPolicyViewSet, "service-levels": ServiceLevelViewSet,
    }.items():
        router.register(name, views, basename=name)
