"""Under /api/: a serial's life, what a scanned text stands for, and setting things of a van aside."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.viewsets import ONCE, Scoped, person
from stock.api import OnceMixin
from stock.models import Item, Movement, Serial
from stock.queries.scan import find
from stock.queries.serials import serial_life
from stock.rules.codes import code_of
from stock.serializers import MovementSerializer, SeenLocation, SeenSerial, quantity_field
from stock.services.quarantine import put_in_quarantine


class FittingSerializer(serializers.Serializer[Any]):
    since = serializers.DateField()
    until = serializers.DateField(allow_null=True, help_text="null: still there")
    text = serializers.CharField(help_text="site and mark, or 'At a site' for those who may not know more")
    position = serializers.CharField()
    circuits = serializers.CharField()
    url = serializers.CharField(allow_null=True)
    settings_url = serializers.CharField(allow_null=True)


class StepSerializer(serializers.Serializer[Any]):
    movement = serializers.IntegerField(source="movement_id")
    at = serializers.DateTimeField()
    what = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    destination = serializers.CharField()
    by = serializers.CharField()
    reference = serializers.CharField()
    note = serializers.CharField()
    correction = serializers.BooleanField()
    corrected = serializers.BooleanField()
    unit_cost = serializers.DecimalField(
        max_digits=12, decimal_places=4, allow_null=True, help_text="for those who order stock"
    )
    fitting = FittingSerializer(allow_null=True)


class LifeSerializer(serializers.Serializer[Any]):
    """A serial's whole life, the last step first."""

    serial = serializers.IntegerField(source="serial.pk")
    number = serializers.CharField(source="serial.number")
    item = serializers.IntegerField(source="serial.item_id")
    batch = serializers.CharField(source="serial.batch")
    place = serializers.CharField(source="place.text")
    supplier = serializers.CharField()
    order = serializers.CharField()
    steps = StepSerializer(many=True)


class LifeViewSet(Scoped):
    right = Right.SEE_STOCK
    queryset = Serial.objects.none()
    serializer_class = LifeSerializer

    def visible(self, user: User) -> QuerySet[Any]:
        return Serial.objects.visible_to(user)

    def retrieve(self, request: Request, pk: str) -> Response:
        """Where a serial is and has been."""
        return Response(LifeSerializer(serial_life(person(request), self.get_object().pk)).data)


class HitSerializer(serializers.Serializer[Any]):
    kind = serializers.CharField(help_text="item, serial, location, transfer, order or count")
    id = serializers.IntegerField(source="pk")
    code = serializers.CharField(help_text="as on its label")
    name = serializers.CharField()
    detail = serializers.CharField()


class ScanViewSet(Scoped):
    """What a scanned label or a typed number stands for; at most twenty of a kind."""

    right = Right.SEE_STOCK
    queryset = Item.objects.none()
    serializer_class = HitSerializer
    pagination_class = None

    def visible(self, user: User) -> QuerySet[Any]:
        return Item.objects.none()

    @extend_schema(parameters=[OpenApiParameter("q", str, required=True, description="a label's code or address, a "
                                                "serial, stock, order, transfer or count number, or a name")],
                   responses=HitSerializer(many=True))
    def list(self, request: Request) -> Response:
        """Look for a text."""
        hits = find(person(request), request.query_params.get("q", "")[:300])
        return Response(
            HitSerializer([{**asdict(hit), "code": code_of(hit.kind, hit.pk)} for hit in hits], many=True).data
        )


class AsideSerializer(serializers.Serializer[Any]):
    item = serializers.PrimaryKeyRelatedField(queryset=Item.objects.all())
    quantity = quantity_field()
    source = SeenLocation(help_text="a store, or your own van")  # type: ignore[assignment]
    destination = SeenLocation(help_text="a quarantine of the same branch")
    serial = SeenSerial(required=False, allow_null=True, default=None)
    batch = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=200, help_text="what is wrong with it")


class AsideViewSet(OnceMixin, Scoped):
    """What an engineer may post as well: things of the own van into quarantine."""

    right = Right.SEE_STOCK
    write_right = Right.VAN_STOCK
    queryset = Movement.objects.none()
    serializer_class = AsideSerializer

    def visible(self, user: User) -> QuerySet[Any]:
        return Movement.objects.visible_to(user)

    @extend_schema(parameters=[ONCE], request=AsideSerializer, responses={201: MovementSerializer})
    def create(self, request: Request) -> Response:
        """Set stock of a store or of the own van aside until it is tested."""
        return self.post_once(
            request, AsideSerializer,
            lambda given: MovementSerializer(put_in_quarantine(**given, by=person(request))).data,
        )


def register(router: BaseRouter) -> None:
    """Put the endpoints of this module under /api/."""
    router.register("serial-lives", LifeViewSet, basename="serial-lives")
    router.register("scan", ScanViewSet, basename="scan")
    router.register("set-aside", AsideViewSet, basename="set-aside")
