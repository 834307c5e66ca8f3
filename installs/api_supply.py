"""REST endpoints of supplies and power feeds."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, ClassVar

from django.db.models import QuerySet
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import status
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import FloatField, IntegerField, ModelSerializer, PrimaryKeyRelatedField

from config.accounts.rights import Right
from config.api import etag
from config.errors import Conflict
from config.viewsets import ChangeViewSet, Scoped, person
from installs.models import Device, Panel, PowerFeed
from installs.queries import scope
from installs.queries.supply import panel_supply, power_feeds
from installs.services.reads import log_read
from installs.services.supply import LONGEST_RUN_M, MOST_CORES, set_power_feed

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter

    from config.accounts.models import User


class SupplyViewSet(Scoped):
    """A panel's supply, under the panel's number: volts at each device, and the battery."""

    right = Right.SEE_SITES
    queryset = Panel.objects.none()
    serializer_class = None

    def visible(self, user: User) -> QuerySet[Panel]:
        return scope.panels(user)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    def retrieve(self, request: Request, pk: str) -> Response:
        """Volts, currents in mA, capacities in Ah. Ripple and inrush currents are not computed. Each look is logged."""
        answer = panel_supply(person(request), int(pk))
        if answer is None:
            raise Http404
        log_read(
            answer.site.pk, by=person(request), door="api: supply", address=request.META.get("REMOTE_ADDR")
        )
        return Response(
            {
                "panel": answer.panel.pk,
                "site": answer.site.pk,
                "cases": [case.words for case in answer.cases],
                "devices": [dataclasses.asdict(line) | {"short": line.short} for line in answer.lines],
                "battery": dataclasses.asdict(answer.battery),
                "output_ma": answer.output_ma,
                "output_limit_ma": answer.output_limit_ma,
                "missing": answer.missing,
                "problems": answer.problems,
                "assumptions": answer.assumptions,
            }
        )


class PowerFeedSerializer(ModelSerializer[PowerFeed]):
    device = PrimaryKeyRelatedField(queryset=Device.objects.all())
    fed_from = PrimaryKeyRelatedField(queryset=Device.objects.all(), allow_null=True, required=False)
    run_m = FloatField(min_value=0, max_value=LONGEST_RUN_M)
    cores_per_pole = IntegerField(min_value=1, max_value=MOST_CORES, default=1)

    class Meta:
        model = PowerFeed
        fields: ClassVar = ["id", "device", "fed_from", "run_m", "cable_type", "cores_per_pole"]


class PowerFeedViewSet(ChangeViewSet):
    """Where devices' power pairs come from, where it does not follow the signals."""

    right = Right.SEE_SITES
    write_right = Right.EDIT_SITES
    queryset = PowerFeed.objects.none()
    serializer_class = PowerFeedSerializer

    def visible(self, user: User) -> QuerySet[PowerFeed]:
        return power_feeds(user)

    def change(self, record: PowerFeed, changes: dict[str, Any], by: User) -> PowerFeed:
        changes.pop("device", None)
        now = {name: getattr(record, name) for name in ("fed_from", "run_m", "cable_type", "cores_per_pole")}
        return set_power_feed(record.device, by=by, **now | _seen(by, changes))

    def create(self, request: Request) -> Response:
        """Record a feed of a device that has none; PATCH changes one that is there."""
        given = self.get_serializer(data=request.data)
        given.is_valid(raise_exception=True)
        fields = _seen(person(request), dict(given.validated_data))
        device = fields.pop("device")
        if PowerFeed.objects.filter(device=device).exists():
            raise Conflict(f"The power feed of {device.mark} is recorded already.", field="device", value=device.mark,
                           remedy="Change the one that is there with PATCH.")
        row = set_power_feed(device, by=person(request), version="", **{"fed_from": None} | fields)
        return Response(self.get_serializer(row).data, status=status.HTTP_201_CREATED, headers={"ETag": etag(row)})


def _seen(user: User, fields: dict[str, Any]) -> dict[str, Any]:
    """The fields, with devices that the person may not see answered as devices that are not there."""
    for name in ("device", "fed_from"):
        if fields.get(name) is not None:
            fields[name] = get_object_or_404(scope.devices(user), pk=fields[name].pk)
    return fields


def register(router: BaseRouter) -> None:
    """Put the endpoints under /api/."""
    router.register("supplies", SupplyViewSet, basename="supply")
    router.register("power-feeds", PowerFeedViewSet, basename="power-feed")
