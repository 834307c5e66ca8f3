"""The stock app under /api/."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.api import etag, once, once_in_one
from config.idempotency import Claim
from config.viewsets import ONCE, ChangeViewSet, ReadViewSet, Scoped, person
from stock import filters, queries, services
from stock import serializers as shapes
from stock.api_posting import ManyMovementsSerializer, ManyPostedSerializer, answer, ordinary_movement
from stock.models import (
    Backplate,
    Balance,
    Board,
    CableType,
    Family,
    Insert,
    Item,
    KitLine,
    Location,
    Movement,
    Reservation,
    Serial,
    StockLevel,
    Topology,
    Variant,
)
from stock.queries.posting import movements_of_keys
from stock.services.ledger import record_movement_once
from stock.services.many import record_movements


class ReadViews(ReadViewSet):
    """The catalogue, the same for everyone; what is a branch's own or may be written, subclasses say."""

    right = Right.SEE_CATALOGUE
    write_right = Right.EDIT_CATALOGUE

    def visible(self, user: User) -> QuerySet[Any]:
        return super(Scoped, self).get_queryset()


class ChangeViews(ChangeViewSet, ReadViews):
    """What of the catalogue may be changed."""


class OnceMixin:
    """Posts that act once for their Idempotency-Key. What is wrong with a request is found inside, so that a
    retry is answered as before even when the world has moved on."""

    def post_once(
        self: Any,
        request: Request,
        shape: type[serializers.BaseSerializer[Any]],
        act: Callable[[dict[str, Any]], Mapping[str, Any]],
        *,
        status: int = 201,
    ) -> Response:
        def carry_out() -> tuple[int, Mapping[str, Any]]:
            given = shape(data=request.data, context=self.get_serializer_context())
            given.is_valid(raise_exception=True)
            return status, act(given.validated_data)

        return once(request, carry_out)


class TopologyViewSet(ReadViews):
    queryset = Topology.objects.all()
    serializer_class = shapes.TopologySerializer


class FamilyViewSet(ReadViews):
    queryset = Family.objects.all()
    serializer_class = shapes.FamilySerializer


class ItemViewSet(ChangeViews):
    queryset = Item.objects.all()
    serializer_class = shapes.ItemSerializer
    filterset_class = filters.ItemFilter

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        return services.change_entry(record, changes=changes, by=by)


class VariantViewSet(ChangeViews):
    queryset = Variant.objects.select_related("cover")
    serializer_class = shapes.VariantSerializer
    filterset_class = filters.VariantFilter

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        return services.change_entry(record, changes=changes, by=by)


class BoardViewSet(ReadViews):
    queryset = Board.objects.prefetch_related("families")
    serializer_class = shapes.BoardSerializer
    filterset_class = filters.BoardFilter


class BackplateViewSet(ReadViews):
    queryset = Backplate.objects.all()
    serializer_class = shapes.BackplateSerializer
    filterset_class = filters.BackplateFilter


class InsertViewSet(ReadViews):
    queryset = Insert.objects.prefetch_related("families")
    serializer_class = shapes.InsertSerializer


class CableTypeViewSet(ReadViews):
    queryset = CableType.objects.all()
    serializer_class = shapes.CableTypeSerializer


class KitLineViewSet(ReadViews):
    queryset = KitLine.objects.all()
    serializer_class = shapes.KitLineSerializer
    filterset_class = filters.KitLineFilter


class StockViews(ReadViews):
    right = Right.SEE_STOCK
    write_right = Right.MOVE_STOCK

    def visible(self, user: User) -> QuerySet[Any]:
        return super().visible(user).visible_to(user)  # type: ignore[attr-defined, no-any-return]


class LocationViewSet(StockViews):
    queryset = Location.objects.all()
    serializer_class = shapes.LocationSerializer
    filterset_class = filters.LocationFilter


class SerialViewSet(StockViews):
    """Serials and where each is; `place` names the device of a fitted one to those who may know."""

    queryset = Serial.objects.select_related("location")
    serializer_class = shapes.SerialSerializer
    filterset_class = filters.SerialFilter

    def paginate_queryset(self, queryset: Any) -> Any:
        rows = super().paginate_queryset(queryset)
        return None if rows is None else queries.with_places(rows, person(self.request))

    def get_object(self) -> Any:
        return queries.with_places([super().get_object()], person(self.request))[0]


class BalanceViewSet(StockViews):
    """What each location holds, below its level first."""

    queryset = Balance.objects.none()
    serializer_class = shapes.BalanceSerializer
    filterset_class = filters.BalanceFilter
    keyset_order = queries.LEVEL_ORDER

    def visible(self, user: User) -> QuerySet[Any]:
        return queries.levels(user)


class MovementViewSet(OnceMixin, StockViews):
    queryset = Movement.objects.select_related(
        "item", "source", "destination", "serial", "posted_by", "corrected_by"
    )
    serializer_class = shapes.MovementSerializer
    filterset_class = filters.MovementFilter
    keyset_order = queries.MOVEMENT_ORDER

    @extend_schema(parameters=[ONCE], request=shapes.NewMovementSerializer,
                   responses={201: shapes.MovementSerializer})
    def create(self, request: Request) -> Response:
        """Post a movement."""
        by = person(request)

        def act(claim: Claim) -> tuple[int, Mapping[str, Any]] | None:
            movement = ordinary_movement(request.data, by)
            if movement is None:
                given = shapes.NewMovementSerializer(data=request.data, context=self.get_serializer_context())
                given.is_valid(raise_exception=True)
                values = given.validated_data
                movement = Movement(**values | {"at": values["at"] or timezone.now()}, posted_by=by)
            done = record_movement_once(movement, claim=claim, status=201, answer=answer)
            return None if done is None else (201, done)

        return once_in_one(request, act)

    @extend_schema(parameters=[ONCE], request=ManyMovementsSerializer, responses={201: ManyPostedSerializer})
    @action(detail=False, methods=["post"])
    def many(self, request: Request) -> Response:
        """Post up to 500 movements, all of them or none: for devices that had no connection, and other programs."""
        by = person(request)

        def act(given: dict[str, Any]) -> Mapping[str, Any]:
            posted = record_movements(movements_of_keys(by, given["movements"]), by=by)
            return {"ids": [movement.pk for movement in posted]}

        return self.post_once(request, ManyMovementsSerializer, act)

    @extend_schema(parameters=[ONCE], request=shapes.CorrectionSerializer, responses={201: shapes.MovementSerializer})
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, pk: str) -> Response:
        """Post the counter-movement that takes this one back."""
        movement = self.get_object()
        return self.post_once(
            request,
            shapes.CorrectionSerializer,
            lambda given: self.get_serializer(
                services.correct_movement(movement, by=person(request), note=given["note"])
            ).data,
        )


class ReservationViewSet(OnceMixin, StockViews):
    queryset = Reservation.objects.all()
    serializer_class = shapes.ReservationSerializer
    filterset_class = filters.ReservationFilter

    @extend_schema(parameters=[ONCE], responses={201: shapes.ReservationSerializer})
    def create(self, request: Request) -> Response:
        """Promise stock to named work."""
        return self.post_once(
            request,
            shapes.ReservationSerializer,
            lambda given: self.get_serializer(services.reserve(**given, by=person(request))).data,
        )

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def release(self, request: Request, pk: str) -> Response:
        """Give the promised quantity back."""
        return Response(
            self.get_serializer(services.release_reservation(self.get_object(), by=person(request))).data
        )


class StockLevelViewSet(ChangeViews, StockViews):
    write_right = Right.ORDER_STOCK
    queryset = StockLevel.objects.all()
    serializer_class = shapes.StockLevelSerializer
    filterset_class = filters.StockLevelFilter

    @extend_schema(responses={201: shapes.StockLevelSerializer})
    def create(self, request: Request) -> Response:
        """Say for the first time what a location should hold of an item."""
        given = self.get_serializer(data=request.data)
        given.is_valid(raise_exception=True)
        level = services.make_stock_level(**given.validated_data, by=person(request))
        return Response(self.get_serializer(level).data, status=201, headers={"ETag": etag(level)})

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        return services.set_stock_level(
            record,
            minimum=changes.get("minimum", record.minimum),
            target=changes.get("target", record.target),
            by=by,
        )


def register(router: BaseRouter) -> None:
    """Put every endpoint of this app under /api/."""
    for name, views in {
        "topologies": TopologyViewSet,
        "families": FamilyViewSet,
        "items": ItemViewSet,
        "variants": VariantViewSet,
        "boards": BoardViewSet,
        "backplates": BackplateViewSet,
        "inserts": InsertViewSet,
        "cable-types": CableTypeViewSet,
        "kit-lines": KitLineViewSet,
        "locations": LocationViewSet,
        "serials": SerialViewSet,
        "balances": BalanceViewSet,
        "movements": MovementViewSet,
        "reservations": ReservationViewSet,
        "stock-levels": StockLevelViewSet,
    }.items():
        router.register(name, views, basename=name)
