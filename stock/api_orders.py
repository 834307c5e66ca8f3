"""Orders, deliveries, suppliers and exchange rates under /api/."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from django.db import transaction
from django.db.models import Prefetch, QuerySet
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.api import check_if_match, etag
from config.viewsets import IF_MATCH, ONCE, person
from stock import serializers_orders as shapes
from stock.api import ChangeViews, OnceMixin, ReadViews, StockViews
from stock.filters import OrderFilter
from stock.models import ExchangeRate, HeldDelivery, Order, OrderLine, Supplier, SupplierItem
from stock.services import order_papers, orders, receiving, suppliers
from stock.services.proposals import propose_orders

_AS_IT_IS = {201: OpenApiResponse(shapes.OrderSerializer, "The order as it stands now.")}


class SupplierViewSet(ChangeViews):
    right = Right.SEE_STOCK
    write_right = Right.ORDER_STOCK
    queryset = Supplier.objects.all()
    serializer_class = shapes.SupplierSerializer

    @extend_schema(responses={201: shapes.SupplierSerializer})
    def create(self, request: Request) -> Response:
        """Add a supplier, with the place in the ledger that its goods come from."""
        given = self.get_serializer(data=request.data)
        given.is_valid(raise_exception=True)
        made = suppliers.make_supplier(values=given.validated_data, by=person(request))
        return Response(self.get_serializer(made).data, status=201, headers={"ETag": etag(made)})

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        return suppliers.change_supplier(record, values=changes, by=by)


class SupplierItemFilter(filters.FilterSet):  # type: ignore[misc]
    supplier = filters.NumberFilter(field_name="supplier_id")
    item = filters.NumberFilter(field_name="item_id")
    preferred = filters.BooleanFilter()

    class Meta:
        model = SupplierItem
        fields = ("supplier", "item", "preferred")


class SupplierItemViewSet(ChangeViews):
    """What suppliers sell: price, pack, least order."""

    right = Right.SEE_STOCK
    write_right = Right.ORDER_STOCK
    queryset = SupplierItem.objects.all()
    serializer_class = shapes.SupplierItemSerializer
    filterset_class = SupplierItemFilter

    @extend_schema(responses={201: shapes.SupplierItemSerializer})
    def create(self, request: Request) -> Response:
        """Put an item on a supplier's list; one that is listed already gets these terms."""
        given = self.get_serializer(data=request.data)
        given.is_valid(raise_exception=True)
        values = dict(given.validated_data)
        made = suppliers.set_terms(values.pop("supplier"), values.pop("item"), values=values, by=person(request))
        return Response(self.get_serializer(made).data, status=201, headers={"ETag": etag(made)})

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        terms = {name: value for name, value in changes.items() if name not in {"supplier", "item"}}
        return suppliers.set_terms(record.supplier, record.item, values=terms, by=by)


class ExchangeRateViewSet(ReadViews):
    right = Right.SEE_STOCK
    write_right = Right.ORDER_STOCK
    queryset = ExchangeRate.objects.all()
    serializer_class = shapes.ExchangeRateSerializer
    keyset_order = ("-valid_from", "-id")

    @extend_schema(responses={201: shapes.ExchangeRateSerializer})
    def create(self, request: Request) -> Response:
        """Say what one unit of a currency is worth in the firm's own from a day on."""
        given = self.get_serializer(data=request.data)
        given.is_valid(raise_exception=True)
        made = suppliers.set_exchange_rate(**given.validated_data, by=person(request))
        return Response(self.get_serializer(made).data, status=201)


class OrderViewSet(OnceMixin, ChangeViews, StockViews):
    """Orders. A step that sends If-Match is refused when the order has changed since; approving needs it."""

    write_right = Right.ORDER_STOCK
    queryset = Order.objects.prefetch_related(Prefetch("lines", OrderLine.objects.order_by("id")))
    serializer_class = shapes.OrderSerializer
    filterset_class = OrderFilter
    keyset_order = ("-id",)

    def get_serializer_class(self) -> Any:
        return shapes.DraftSerializer if self.action == "partial_update" else shapes.OrderSerializer

    def _answer(self, order: Order) -> Any:
        found = Order.objects.prefetch_related(Prefetch("lines", OrderLine.objects.order_by("id"))).get(pk=order.pk)
        return shapes.OrderSerializer(found, context=self.get_serializer_context()).data

    def _read(self, request: Request, *, needed: bool = False) -> tuple[Order, int | None]:
        """The order, and the version that the client read, if it said so."""
        order = self.get_object()
        if needed or "If-Match" in request.headers:
            check_if_match(request, order)
            return order, order.version
        return order, None

    def _done(self, order: Order) -> Response:
        return Response(self._answer(order), headers={"ETag": etag(order)})

    @extend_schema(parameters=[ONCE], responses={201: shapes.OrderSerializer})
    def create(self, request: Request) -> Response:
        """Draft an order with its lines."""
        return self.post_once(
            request,
            shapes.OrderSerializer,
            lambda given: self._answer(
                orders.make_order(
                    supplier=given["supplier"],
                    destination=given["destination"],
                    lines={line["item"]: line["quantity"] for line in given["lines"]},
                    prices={
                        line["item"]: line["unit_price"] for line in given["lines"]
                        if line.get("unit_price") is not None
                    },
                    number=given.get("number", ""),
                    by=person(request),
                )
            ),
        )

    @extend_schema(parameters=[IF_MATCH], request=shapes.DraftSerializer, responses=shapes.OrderSerializer)
    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Give a draft this content: what is named replaces what was there, all lines together."""
        with transaction.atomic():
            order, version = self._read(request, needed=True)
            assert version is not None
            given = self.get_serializer(order, data=request.data, partial=True)
            given.is_valid(raise_exception=True)
            values = given.validated_data
            lines = (
                [orders.LineAsked(line["item"], line["quantity"], line.get("unit_price")) for line in values["lines"]]
                if "lines" in values
                else [
                    orders.LineAsked(line.item, line.quantity, line.unit_price)
                    for line in order.lines.select_related("item").order_by("id")
                ]
            )
            return self._done(
                orders.change_order(
                    order, lines=lines, note=values.get("note", order.note),
                    expected_on=values.get("expected_on", order.expected_on), version=version, by=person(request),
                )
            )

    @extend_schema(request=None, responses=shapes.ProposedSerializer)
    @action(detail=False, methods=["post"], filterset_class=None, pagination_class=None)
    def propose(self, request: Request) -> Response:
        """Bring the proposed drafts up to date with what is needed now; a repeat changes nothing."""
        return Response(asdict(propose_orders(business_date=timezone.localdate())))

    @extend_schema(request=None)
    @action(detail=True, methods=["post"], url_path="ask-approval")
    def ask_approval(self, request: Request, pk: str) -> Response:
        """Put a draft before those who may approve it."""
        order, version = self._read(request)
        return self._done(orders.ask_approval(order, version=version or order.version, by=person(request)))

    @extend_schema(request=None, parameters=[IF_MATCH])
    @action(detail=True, methods=["post"])
    def approve(self, request: Request, pk: str) -> Response:
        """Approve a draft as it was read."""
        order, version = self._read(request, needed=True)
        return self._done(orders.approve_order(order, version=version or order.version, by=person(request)))

    @extend_schema(request=shapes.RefuseSerializer, responses=shapes.OrderSerializer)
    @action(detail=True, methods=["post"])
    def refuse(self, request: Request, pk: str) -> Response:
        """Give a draft that waits, or an approved order, back with a reason."""
        order, version = self._read(request)
        given = shapes.RefuseSerializer(data=request.data)
        given.is_valid(raise_exception=True)
        return self._done(
            orders.refuse_order(order, version=version or order.version, by=person(request), **given.validated_data)
        )

    @extend_schema(request=shapes.PlaceOrderSerializer, responses=shapes.OrderSerializer)
    @action(detail=True, methods=["post"])
    def place(self, request: Request, pk: str) -> Response:
        """Place an order: what is open on it counts as on order from now."""
        order, version = self._read(request)
        given = shapes.PlaceOrderSerializer(data=request.data)
        given.is_valid(raise_exception=True)
        return self._done(orders.place_order(order, by=person(request), version=version, **given.validated_data))

    def _step(self, request: Request, act: Callable[..., Order]) -> Response:
        order, version = self._read(request)
        return self._done(act(order, by=person(request), version=version))

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Give up what is still open."""
        return self._step(request, orders.cancel_order)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"], url_path="close-short")
    def close_short(self, request: Request, pk: str) -> Response:
        """Close a placed order of which something came: the rest will not come."""
        return self._step(request, orders.close_short)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: str) -> Response:
        """Expect the rest of an order that was closed short after all."""
        return self._step(request, orders.reopen_order)

    @extend_schema(request=None)
    @action(detail=True, methods=["post"])
    def mail(self, request: Request, pk: str) -> Response:
        """Mail a placed order to its supplier, with the PDF. A second one is refused."""
        return self._done(order_papers.mail_order(self.get_object(), by=person(request)))

    @extend_schema(request=None)
    @action(detail=True, methods=["post"], url_path="mark-sent")
    def mark_sent(self, request: Request, pk: str) -> Response:
        """Note that a placed order went to its supplier by other means."""
        return self._done(order_papers.mark_sent(self.get_object(), by=person(request)))

    @extend_schema(parameters=[ONCE], request=shapes.ReceiveSerializer, responses=_AS_IT_IS)
    @action(detail=True, methods=["post"])
    def receive(self, request: Request, pk: str) -> Response:
        """Take delivery of part or all of a line; say what becomes of what is too many or damaged."""
        order = self.get_object()

        def act(given: dict[str, Any]) -> Any:
            line = get_object_or_404(OrderLine.objects.select_related("item", "order"), order=order,
                                     pk=given.pop("line"))
            receiving.receive_order_line(line, **given, by=person(request))
            return self._answer(order)

        return self.post_once(request, shapes.ReceiveSerializer, act)

    @extend_schema(parameters=[ONCE], request=shapes.WrongItemSerializer, responses=_AS_IT_IS)
    @action(detail=True, methods=["post"], url_path="receive-wrong")
    def receive_wrong(self, request: Request, pk: str) -> Response:
        """Take in what came with an order and is not on it: into the branch's quarantine."""
        order = self.get_object()

        def act(given: dict[str, Any]) -> Any:
            receiving.receive_wrong_item(order, given.pop("item"), **given, by=person(request))
            return self._answer(order)

        return self.post_once(request, shapes.WrongItemSerializer, act)

    def _decide(self, request: Request, shape: Any, act: Callable[..., Any]) -> Response:
        order = self.get_object()
        self._order = order

        def decide(given: dict[str, Any]) -> Any:
            act(given.pop("held"), by=person(request), **given)
            return self._answer(order)

        return self.post_once(request, shape, decide)

    def get_serializer_context(self) -> dict[str, Any]:
        return {**super().get_serializer_context(), "order": getattr(self, "_order", None)}

    @extend_schema(parameters=[ONCE], request=shapes.DecideSerializer, responses=_AS_IT_IS)
    @action(detail=True, methods=["post"], url_path="return-held")
    def return_held(self, request: Request, pk: str) -> Response:
        """Send pieces that wait in quarantine back to the supplier."""
        return self._decide(request, shapes.DecideSerializer, receiving.return_held)

    @extend_schema(parameters=[ONCE], request=shapes.KeepSerializer, responses=_AS_IT_IS)
    @action(detail=True, methods=["post"], url_path="keep-held")
    def keep_held(self, request: Request, pk: str) -> Response:
        """Keep pieces that wait in quarantine: they go to the order's place and count on it."""
        return self._decide(request, shapes.KeepSerializer, receiving.keep_held)

    @extend_schema(parameters=[ONCE], request=shapes.DecideSerializer, responses=_AS_IT_IS)
    @action(detail=True, methods=["post"], url_path="settle-held")
    def settle_held(self, request: Request, pk: str) -> Response:
        """Note that pieces were dealt with otherwise."""
        return self._decide(request, shapes.DecideSerializer, receiving.settle_held)


class HeldFilter(filters.FilterSet):  # type: ignore[misc]
    order = filters.NumberFilter(field_name="order_id")
    open = filters.BooleanFilter(method="only_open", help_text="only what is still to decide")

    class Meta:
        model = HeldDelivery
        fields = ("order", "open")

    def only_open(self, rows: QuerySet[Any], _name: str, value: bool) -> QuerySet[Any]:
        return rows.filter(outcome="") if value else rows.exclude(outcome="")


class HeldViewSet(ReadViews):
    """Pieces that came with an order and wait in quarantine: wrong, too many or damaged."""

    right = Right.SEE_STOCK
    queryset = HeldDelivery.objects.select_related("movement")
    serializer_class = shapes.HeldSerializer
    filterset_class = HeldFilter
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[Any]:
        return super().visible(user).filter(order__in=Order.objects.visible_to(user))


def register(router: BaseRouter) -> None:
    """Put the endpoints of orders and suppliers under /api/."""
    router.register("suppliers", SupplierViewSet, basename="suppliers")
    router.register("supplier-items", SupplierItemViewSet, basename="supplier-items")
    router.register("exchange-rates", ExchangeRateViewSet, basename="exchange-rates")
    router.register("orders", OrderViewSet, basename="orders")
    router.register("held-deliveries", HeldViewSet, basename="held-deliveries")
