"""Measured loop resistances under /api/."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

import django_filters
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from config.accounts.rights import Right
from config.api import once
from config.viewsets import ONCE, ReadViewSet, person
from installs.models import LoopMeasurement
from installs.queries import scope
from installs.queries.measurements import measurements_of
from installs.rules.errors import RuleError
from installs.rules.measured_rows import LONGEST_NOTE, measured
from installs.services.measurements import keep_measurement

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.routers import BaseRouter

    from config.accounts.models import User


class LoopMeasurementSerializer(serializers.ModelSerializer[LoopMeasurement]):
    """`ohm` null is an open circuit."""

    class Meta:
        model = LoopMeasurement
        fields = ("id", "circuit", "measured_on", "ohm", "place", "at_rest", "note", "source", "by", "at")
        read_only_fields = fields


class NewMeasurementSerializer(serializers.Serializer[Any]):
    circuit = serializers.IntegerField(min_value=1, max_value=2**63 - 1)
    measured_on = serializers.DateField()
    measured = serializers.CharField(max_length=40, help_text="2k2, 2.2k, 2200, or 'open' for an open circuit")
    place = serializers.ChoiceField(choices=LoopMeasurement.Place.choices, default=LoopMeasurement.Place.PANEL)
    at_rest = serializers.BooleanField(default=True)
    note = serializers.CharField(max_length=LONGEST_NOTE, default="", allow_blank=True)

    def validate_measured(self, text: str) -> float | None:
        try:
            return measured(text)
        except RuleError as error:
            raise serializers.ValidationError(f"'{text}' {error.message}. {error.remedy}") from None


class LoopMeasurementFilter(django_filters.FilterSet):  # type: ignore[misc]
    circuit = django_filters.NumberFilter(field_name="circuit_id", max_value=2**63 - 1)
    site = django_filters.NumberFilter(field_name="circuit__panel__system__site_id", max_value=2**63 - 1)

    class Meta:
        model = LoopMeasurement
        fields: ClassVar = ["source", "place", "at_rest", "measured_on"]


class LoopMeasurementViewSet(ReadViewSet):
    """Measured values, latest written first. They are never changed: a better measurement is another one."""

    right = Right.SEE_SITES
    write_right = Right.EDIT_SITES
    queryset = LoopMeasurement.objects.none()
    serializer_class = LoopMeasurementSerializer
    filterset_class = LoopMeasurementFilter
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[Any]:
        return measurements_of(user)

    @extend_schema(parameters=[ONCE], request=NewMeasurementSerializer, responses={201: LoopMeasurementSerializer})
    def create(self, request: Request) -> Response:
        """Write down a measured value."""

        def act() -> tuple[int, Mapping[str, Any]]:
            given = NewMeasurementSerializer(data=request.data)
            given.is_valid(raise_exception=True)
            values = dict(given.validated_data)
            circuit = get_object_or_404(scope.circuits(person(request)), pk=values.pop("circuit"))
            kept = keep_measurement(circuit, ohm=values.pop("measured"), by=person(request), **values)
            return 201, self.get_serializer(kept).data

        return once(request, act)


def register(router: BaseRouter) -> None:
    """Put the endpoint under /api/."""
    router.register("loop-measurements", LoopMeasurementViewSet, basename="loop-measurement")
