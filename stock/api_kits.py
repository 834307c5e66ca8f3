"""REST endpoints of complete detectors. They compute and store nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from config.accounts.rights import Right
from config.viewsets import person
from stock.forms_kits import MOST_WANTED, PRIORITIES
from stock.models import Variant
from stock.queries import kits as queries
from stock.rules.kits import MOST

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter

_PLACE = "l and the key of a location, or b and the key of a branch (all its stores)"
_KEY = 2**63 - 1


class KitsRequest(serializers.Serializer[Any]):
    """Where the parts are. `until`: with what orders bring the branch's stores by that day."""

    place = serializers.RegexField(r"^[lb][0-9]{1,18}$", help_text=_PLACE)
    until = serializers.DateField(required=False, allow_null=True, default=None)
    family = serializers.IntegerField(min_value=1, max_value=_KEY, required=False, allow_null=True, default=None)
    more = serializers.IntegerField(min_value=1, max_value=1000, default=5)


class WantedShape(serializers.Serializer[Any]):
    variant = serializers.IntegerField(min_value=1, max_value=_KEY)
    number = serializers.IntegerField(min_value=1, max_value=MOST)
    priority = serializers.IntegerField(min_value=1, max_value=PRIORITIES, default=1)


class MixRequest(KitsRequest):
    """What is wanted of each variant; priority 1 is served first."""

    wanted = WantedShape(many=True, allow_empty=False)

    def validate_wanted(self, value: list[dict[str, int]]) -> list[dict[str, int]]:
        if len(value) > MOST_WANTED:
            raise serializers.ValidationError(f"Ask for at most {MOST_WANTED} variants at once.")
        if len({line["variant"] for line in value}) < len(value):
            raise serializers.ValidationError("A variant is named twice. Add the two numbers up.")
        return value


class PartShape(serializers.Serializer[Any]):
    item = serializers.IntegerField(source="item_id")
    sku = serializers.CharField()
    name = serializers.CharField()
    kind = serializers.CharField()


class PartCountShape(serializers.Serializer[Any]):
    part = PartShape()
    pieces = serializers.IntegerField()


class KitShape(serializers.Serializer[Any]):
    """One variant alone: `count` can be put together, then `bottleneck` ends; `missing` is for `more` more."""

    variant = serializers.IntegerField(source="variant_id")
    code = serializers.CharField()
    count = serializers.IntegerField()
    bottleneck = PartShape(many=True)
    next_count = serializers.IntegerField(allow_null=True)
    next_bottleneck = PartShape(many=True)
    missing = PartCountShape(many=True)


class MixLineShape(serializers.Serializer[Any]):
    variant = serializers.IntegerField(source="variant_id")
    code = serializers.CharField()
    priority = serializers.IntegerField()
    wanted = serializers.IntegerField()
    made = serializers.IntegerField()


class PriorityShape(serializers.Serializer[Any]):
    priority = serializers.IntegerField()
    wanted = serializers.IntegerField()
    made = serializers.IntegerField()
    at_most = serializers.IntegerField(allow_null=True, help_text="null: the time ended before a bound was found")


class GainShape(serializers.Serializer[Any]):
    part = PartShape()
    more = serializers.IntegerField(help_text="detectors that one more piece would add")


class MixShape(serializers.Serializer[Any]):
    """The best mix. `proven`: no other makes more of priority 1, then of priority 2, then shares more evenly."""

    lines = MixLineShape(many=True)
    priorities = PriorityShape(many=True)
    proven = serializers.BooleanField()
    unused = PartCountShape(many=True)
    shopping = PartCountShape(many=True)
    gains = GainShape(many=True)
    all_tried = serializers.BooleanField(help_text="false: the time ended before every part was tried")


class KitViewSet(GenericViewSet[Any]):
    """Complete detectors from the parts on hand."""

    right = Right.SEE_STOCK
    write_right = Right.SEE_STOCK
    # Rows are computed; the schema wants a model's rows to name the endpoint by.
    queryset = Variant.objects.none()
    serializer_class = KitShape
    pagination_class = None

    @extend_schema(
        parameters=[
            OpenApiParameter("place", str, required=True, description=_PLACE), OpenApiParameter("until", str),
            OpenApiParameter("family", int), OpenApiParameter("more", int),
        ],
        responses=KitShape(many=True),
    )
    def list(self, request: Request) -> Response:
        """How many of each variant alone, and which part ends first."""
        asked = KitsRequest(data=request.query_params)
        asked.is_valid(raise_exception=True)
        return Response(KitShape(_kits(request, asked.validated_data).rows, many=True).data)

    @extend_schema(request=MixRequest, responses={200: MixShape})
    @action(detail=False, methods=["post"])
    def mix(self, request: Request) -> Response:
        """The best mix for what is wanted, with shared parts respected. Nothing is stored, so it may be repeated."""
        asked = MixRequest(data=request.data)
        asked.is_valid(raise_exception=True)
        given = asked.validated_data
        wanted = [(line["variant"], line["number"], line["priority"]) for line in given["wanted"]]
        return Response(MixShape(queries.best_mix(_kits(request, given), wanted)).data)


def _kits(request: Request, asked: dict[str, Any]) -> queries.Kits:
    place = queries.find_place(person(request), asked["place"])
    return queries.kits_at(place, until=asked["until"], family=asked["family"], more=asked["more"])


def register(router: BaseRouter) -> None:
    """Put the endpoint under /api/."""
    router.register("kits", KitViewSet, basename="kit")
