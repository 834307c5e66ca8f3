"""Recalls under /api/, to read."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from rest_framework import serializers
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.viewsets import ReadViewSet
from maintenance.models import Recall, RecallSite
from maintenance.queries.recalls import RECALL_ORDER, lines_of, recalls_of


class RecallSerializer(serializers.ModelSerializer[Recall]):
    sku = serializers.CharField(source="item.sku")
    made_by = serializers.CharField(source="made_by.name", allow_null=True, default=None)
    sites = serializers.IntegerField(source="site_count", help_text="sites that you may know of")
    done = serializers.IntegerField(source="done_count", help_text="of these, how many are done")

    class Meta:
        model = Recall
        fields = ("id", "item", "sku", "batch", "reason", "made_by", "made_at", "closed_at", "sites", "done")
        read_only_fields = fields


class RecallSiteSerializer(serializers.ModelSerializer[RecallSite]):
    reference = serializers.CharField(source="site.reference")

    class Meta:
        model = RecallSite
        fields = ("id", "recall", "site", "reference", "pieces", "visit", "done_at")
        read_only_fields = fields


class RecallViewSet(ReadViewSet):
    """Recalled batches, the newest first, and how far each is."""

    right = Right.RECALL_BATCHES
    queryset = Recall.objects.none()
    serializer_class = RecallSerializer
    keyset_order = RECALL_ORDER

    def visible(self, user: User) -> QuerySet[Any]:
        return recalls_of(user)


class RecallSiteFilter(filters.FilterSet):  # type: ignore[misc]
    recall = filters.NumberFilter(field_name="recall_id")
    done = filters.BooleanFilter(field_name="done_at", lookup_expr="isnull", exclude=True)

    class Meta:
        model = RecallSite
        fields = ("recall", "done")


class RecallSiteViewSet(ReadViewSet):
    """Sites of recalls that you may know of."""

    right = Right.RECALL_BATCHES
    queryset = RecallSite.objects.none()
    serializer_class = RecallSiteSerializer
    filterset_class = RecallSiteFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return lines_of(user)


def register(router: BaseRouter) -> None:
    """Put the endpoints of this module under /api/."""
    router.register("recalls", RecallViewSet, basename="recalls")
    router.register("recall-sites", RecallSiteViewSet, basename="recall-sites")
