"""REST endpoints of stock at a past moment, its value, and the checks of the ledger."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from config.accounts.rights import Right
from config.api import KeysetPagination
from config.viewsets import ONCE, ReadViewSet, Scoped, person
from stock.api import OnceMixin
from stock.models import Balance, Item, LedgerCheck, LedgerDifference
from stock.queries.as_of import stock_as_of
from stock.queries.checks import CHECK_ORDER, DIFFERENCE_ORDER, differences
from stock.queries.valuation import valuation
from stock.services.reconciliation import LONGEST_NOTE, look_into

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter

    from config.accounts.models import User


EARLIEST = datetime(1980, 1, 1, tzinfo=UTC)


class MomentSerializer(serializers.Serializer[Any]):
    """What may be asked for."""

    at = serializers.DateTimeField(required=False, help_text="a moment in the past; left out: now")
    location = serializers.IntegerField(required=False, min_value=1, max_value=2**63 - 1)
    item = serializers.IntegerField(required=False, min_value=1, max_value=2**63 - 1)
    kind = serializers.ChoiceField(required=False, choices=Item.Kind.choices)

    def validate_at(self, value: Any) -> Any:
        if value > timezone.now():
            raise serializers.ValidationError("That moment is still to come. Name one in the past.")
        if value < EARLIEST:
            raise serializers.ValidationError("No ledger is as old as that. Name a moment from 1980 on.")
        return value


class AsOfQuerySerializer(MomentSerializer):
    uncosted_only = serializers.BooleanField(required=False, help_text="only what no cost is known of")


class AsOfSerializer(serializers.Serializer[Any]):
    """Quantity in the item's unit. `average` and `value` are in the firm's currency, null where no cost is known, and
    left out for those who do not order."""

    item = serializers.IntegerField(source="item_id")
    sku = serializers.CharField()
    name = serializers.CharField()
    location = serializers.IntegerField(source="location_id")
    location_name = serializers.CharField(source="location")
    quantity = serializers.IntegerField()
    unit = serializers.CharField()
    average = serializers.DecimalField(max_digits=16, decimal_places=6, allow_null=True, required=False)
    value = serializers.DecimalField(max_digits=24, decimal_places=2, allow_null=True, required=False)


class SumSerializer(serializers.Serializer[Any]):
    lines = serializers.IntegerField(help_text="items at places")
    uncosted = serializers.IntegerField(help_text="of these without a known cost, so not in the value")
    value = serializers.DecimalField(max_digits=24, decimal_places=2)


class PlaceValueSerializer(serializers.Serializer[Any]):
    location = serializers.IntegerField(source="location_id")
    name = serializers.CharField()
    sum = SumSerializer()


class KindValueSerializer(serializers.Serializer[Any]):
    kind = serializers.CharField()
    sum = SumSerializer()


class ValuationSerializer(serializers.Serializer[Any]):
    """`total` is `ready` (stores and vans), `quarantine` and `transit` (on the way) together."""

    moment = serializers.DateTimeField()
    currency = serializers.CharField()
    total = SumSerializer()
    ready = SumSerializer()
    quarantine = SumSerializer()
    transit = SumSerializer()
    places = PlaceValueSerializer(many=True)
    kinds = KindValueSerializer(many=True)


class AsOfPagination(KeysetPagination):
    """Pages of a query that pages by itself, given as a function of cursor and size."""

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any]:
        self.request = request
        self.page = queryset(cursor=request.query_params.get("cursor"), size=self._size(request))
        return self.page.rows


def _asked(request: Request, shape: type[MomentSerializer]) -> dict[str, Any]:
    given = shape(data=request.query_params)
    given.is_valid(raise_exception=True)
    return {"at": timezone.now(), **given.validated_data}


class AsOfViewSet(Scoped):
    queryset = Balance.objects.none()
    serializer_class = AsOfSerializer
    pagination_class = AsOfPagination
    right = Right.SEE_STOCK

    @extend_schema(parameters=[AsOfQuerySerializer], responses=AsOfSerializer(many=True))
    def list(self, request: Request) -> Response:
        """What each place held just before a moment."""
        user = person(request)
        asked = _asked(request, AsOfQuerySerializer)
        moment = asked.pop("at")
        rows = self.paginate_queryset(lambda **page: stock_as_of(user, moment, **asked, **page))  # type: ignore[arg-type]
        data = [dict(row) for row in self.get_serializer(rows, many=True).data]
        if not user.has_right(Right.ORDER_STOCK):
            for row in data:
                del row["average"], row["value"]
        return self.get_paginated_response(data)


class ValueViewSet(Scoped):
    queryset = Balance.objects.none()
    serializer_class = ValuationSerializer
    pagination_class = None
    right = Right.ORDER_STOCK

    @extend_schema(parameters=[MomentSerializer], responses=ValuationSerializer)
    @action(detail=False, methods=["get"], url_path="as-of")
    def as_of(self, request: Request) -> Response:
        """Value of what the firm held just before a moment."""
        asked = _asked(request, MomentSerializer)
        return Response(self.get_serializer(valuation(person(request), asked.pop("at"), **asked)).data)


class LedgerCheckSerializer(serializers.ModelSerializer[LedgerCheck]):
    class Meta:
        model = LedgerCheck
        fields = ("id", "started_at", "finished_at", "movements", "compared", "differences")


class LedgerDifferenceSerializer(serializers.ModelSerializer[LedgerDifference]):
    class Meta:
        model = LedgerDifference
        fields = (
            "id", "check_run", "kind", "item", "location", "serial", "reservation", "about", "kept", "proven", "gap",
            "seen_by", "seen_at", "note",
        )


class NoteSerializer(serializers.Serializer[Any]):
    note = serializers.CharField(max_length=LONGEST_NOTE, help_text="the cause, or what is done about it")


class LedgerCheckViewSet(ReadViewSet):
    queryset = LedgerCheck.objects.all()
    serializer_class = LedgerCheckSerializer
    right = Right.MOVE_STOCK
    keyset_order = CHECK_ORDER

    def visible(self, user: User) -> QuerySet[Any]:
        return LedgerCheck.objects.all()


class LedgerDifferenceViewSet(OnceMixin, ReadViewSet):
    queryset = LedgerDifference.objects.all()
    serializer_class = LedgerDifferenceSerializer
    right = Right.MOVE_STOCK
    write_right = Right.MOVE_STOCK
    keyset_order = DIFFERENCE_ORDER

    def visible(self, user: User) -> QuerySet[Any]:
        return differences(user)

    @extend_schema(parameters=[ONCE], request=NoteSerializer, responses=LedgerDifferenceSerializer)
    @action(detail=True, methods=["post"], url_path="look-into")
    def look_into(self, request: Request, pk: str) -> Response:
        """Note what was found out about a difference; the ledger stays as it is."""
        found = self.get_object()
        return self.post_once(
            request,
            NoteSerializer,
            lambda given: self.get_serializer(look_into(found, by=person(request), note=given["note"])).data,
            status=200,
        )


def register(router: BaseRouter) -> None:
    """Put these under /api/."""
    router.register("stock-as-of", AsOfViewSet, basename="stock-as-of")
    router.register("stock-value", ValueViewSet, basename="stock-value")
    router.register("ledger-checks", LedgerCheckViewSet, basename="ledger-checks")
    router.register("ledger-differences", LedgerDifferenceViewSet, basename="ledger-differences")
