"""The parts of a visit under /api/: what was fitted from the van, and what replaced what."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.viewsets import ONCE, Scoped, person
from installs.queries import scope
from maintenance.models import Visit
from maintenance.queries.visits import visits_of
from maintenance.services import visit_parts as services
from stock.api import OnceMixin
from stock.models import Item, Serial
from stock.serializers import MovementSerializer, quantity_field


class FitPartSerializer(serializers.Serializer[Any]):
    item = serializers.PrimaryKeyRelatedField(queryset=Item.objects.all(), help_text="kept by quantity or by batch")
    quantity = quantity_field()
    batch = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")


class PutCoverSerializer(serializers.Serializer[Any]):
    serial = serializers.IntegerField(min_value=1, max_value=2**62, help_text="key of the new cover, in the van")
    device = serializers.IntegerField(min_value=1, max_value=2**62, help_text="key of the device that it goes on")


class PutOnSerializer(serializers.Serializer[Any]):
    device = serializers.IntegerField()
    serial = serializers.IntegerField()


class VisitPartsViewSet(OnceMixin, Scoped):
    """Parts from the van of the visit's engineer. The visit's key is the address's."""

    right = Right.SEE_VISITS
    write_right = Right.RECORD_RESULTS
    queryset = Visit.objects.none()
    serializer_class = FitPartSerializer

    def visible(self, user: User) -> QuerySet[Any]:
        return visits_of(user).select_related("site", "engineer__user")

    @extend_schema(parameters=[ONCE], request=FitPartSerializer, responses={201: MovementSerializer})
    @action(detail=True, methods=["post"])
    def fit(self, request: Request, pk: str) -> Response:
        """Record a part as fitted."""
        visit = self.get_object()
        return self.post_once(
            request, FitPartSerializer,
            lambda given: MovementSerializer(services.fit_part(visit, **given, by=person(request))).data,
        )

    @extend_schema(parameters=[ONCE], request=PutCoverSerializer, responses={201: PutOnSerializer})
    @action(detail=True, methods=["post"])
    def cover(self, request: Request, pk: str) -> Response:
        """Put a numbered cover on a device; the old one comes into the van."""
        visit, user = self.get_object(), person(request)

        def act(given: dict[str, Any]) -> dict[str, Any]:
            serial = get_object_or_404(Serial.objects.visible_to(user), pk=given["serial"])
            device = get_object_or_404(scope.devices(user).filter(removed_on=None), pk=given["device"])
            services.put_cover_on(visit, device, serial, by=user)
            return {"device": device.pk, "serial": serial.pk}

        return self.post_once(request, PutCoverSerializer, act)


def register(router: BaseRouter) -> None:
    """Put the endpoints of this module under /api/."""
    router.register("visit-parts", VisitPartsViewSet, basename="visit-parts")
