"""Transfers under /api/: make a pick list, pick, send, confirm, settle, cancel. Every post acts once for its key."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import Prefetch, QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.viewsets import ONCE, person
from stock.api import OnceMixin, StockViews
from stock.models import Item, Transfer, TransferLine
from stock.queries.transfers import transfers
from stock.serializers import SeenLocation, SeenSerial, quantity_field
from stock.services import settling
from stock.services import transfers as services
from stock.services.ledger import MOST_AT_ONCE


class TransferLineSerializer(serializers.ModelSerializer[TransferLine]):
    sku = serializers.CharField(source="item.sku", read_only=True)
    serials = serializers.SerializerMethodField(help_text="ids of the numbered pieces that were picked")
    why = serializers.SerializerMethodField(help_text="why it is wanted, short or settled, in words")

    class Meta:
        model = TransferLine
        fields = ("id", "item", "sku", "batch", "wanted", "sent", "arrived", "settled", "serials", "why")

    def get_serials(self, line: TransferLine) -> list[int]:
        return sorted(piece.serial_id for piece in line.pieces.all())

    def get_why(self, line: TransferLine) -> list[str]:
        return [note["text"] for note in line.reasons if note["text"]]


class TransferSerializer(serializers.ModelSerializer[Transfer]):
    lines = TransferLineSerializer(many=True)

    class Meta:
        model = Transfer
        fields = (
            "id", "number", "source", "destination", "purpose", "state", "for_day", "note", "version", "made_at",
            "sent_at", "confirmed_at", "lines",
        )
        read_only_fields = fields


class WantedSerializer(serializers.Serializer[Any]):
    item = serializers.PrimaryKeyRelatedField(queryset=Item.objects.all())
    quantity = serializers.IntegerField(min_value=1, max_value=services.MOST_WANTED)


class NewTransferSerializer(serializers.Serializer[Any]):
    source = SeenLocation()  # type: ignore[assignment]
    destination = SeenLocation()
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    lines = WantedSerializer(many=True, allow_empty=False)

    def validate_lines(self, lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len({line["item"] for line in lines}) != len(lines):
            raise serializers.ValidationError("An item stands on a transfer only once: add the quantities up.")
        return lines


class StepSerializer(serializers.Serializer[Any]):
    version = serializers.IntegerField(
        min_value=1, max_value=2**31 - 1, help_text="as read: of two people only the first gets through"
    )


class PickSerializer(StepSerializer):
    line = serializers.IntegerField(min_value=1, help_text="the line's id")
    quantity = serializers.IntegerField(
        min_value=0, max_value=services.MOST_WANTED, required=False, allow_null=True, default=None,
        help_text="in the item's unit; left out for an item kept by serial number",
    )
    serials = SeenSerial(many=True, required=False, default=list)
    batch = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    short_reason = serializers.CharField(
        max_length=200, required=False, allow_blank=True, default="", help_text="why less is picked than wanted"
    )


class ArrivedSerializer(serializers.Serializer[Any]):
    line = serializers.IntegerField(min_value=1, help_text="the line's id")
    quantity = quantity_field()


class ConfirmSerializer(StepSerializer):
    lines = ArrivedSerializer(many=True, required=False, default=list)
    serials = SeenSerial(many=True, required=False, default=list)
    everything = serializers.BooleanField(required=False, default=False)
    finish = serializers.BooleanField(
        required=False, default=False, help_text="that is all: what is missing becomes an open difference"
    )


class SettleSerializer(StepSerializer):
    line = serializers.IntegerField(min_value=1, help_text="the line's id")
    how = serializers.ChoiceField(choices=[how.value for how in settling.Settling])
    quantity = serializers.IntegerField(
        min_value=1, max_value=MOST_AT_ONCE, required=False, allow_null=True, default=None
    )
    serials = SeenSerial(many=True, required=False, default=list)
    reason = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class TransferFilter(filters.FilterSet):  # type: ignore[misc]
    state = filters.ChoiceFilter(choices=Transfer.State.choices)
    purpose = filters.ChoiceFilter(choices=Transfer.Purpose.choices)
    source = filters.NumberFilter(field_name="source_id")
    destination = filters.NumberFilter(field_name="destination_id")

    class Meta:
        model = Transfer
        fields = ("state", "purpose", "source", "destination", "number")


class TransferViewSet(OnceMixin, StockViews):
    """Transfers, newest first; an engineer sees those of the own van."""

    write_right = Right.VAN_STOCK
    queryset = Transfer.objects.all()
    serializer_class = TransferSerializer
    filterset_class = TransferFilter
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[Any]:
        lines = TransferLine.objects.select_related("item").prefetch_related("pieces").order_by("pk")
        return transfers(user, show="all").prefetch_related(Prefetch("lines", lines))

    def _step(
        self, request: Request, shape: type[serializers.Serializer[Any]],
        act: Callable[[Transfer, dict[str, Any], User], Transfer],
    ) -> Response:
        transfer = self.get_object()

        def carry_out(given: dict[str, Any]) -> Any:
            done = act(transfer, given, person(request))
            return self.get_serializer(self.get_queryset().get(pk=done.pk)).data

        return self.post_once(request, shape, carry_out, status=200)

    @extend_schema(parameters=[ONCE], request=NewTransferSerializer, responses={201: TransferSerializer})
    def create(self, request: Request) -> Response:
        """Make a pick list."""

        def carry_out(given: dict[str, Any]) -> Any:
            lines = {line["item"]: line["quantity"] for line in given.pop("lines")}
            made = services.make_transfer(**given, lines=lines, by=person(request))
            return self.get_serializer(self.get_queryset().get(pk=made.pk)).data

        return self.post_once(request, NewTransferSerializer, carry_out)

    @extend_schema(parameters=[ONCE], request=PickSerializer, responses=TransferSerializer)
    @action(detail=True, methods=["post"])
    def pick(self, request: Request, pk: str) -> Response:
        """Say what was picked for one line."""
        return self._step(request, PickSerializer, lambda t, given, by: services.pick(
            t, given.pop("line"), by=by, **given))

    @extend_schema(parameters=[ONCE], request=StepSerializer, responses=TransferSerializer)
    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        """Send what was picked: it is on the way from now."""
        return self._step(request, StepSerializer, lambda t, given, by: services.send(t, by=by, **given))

    @extend_schema(parameters=[ONCE], request=ConfirmSerializer, responses=TransferSerializer)
    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, pk: str) -> Response:
        """Say what has arrived."""

        def act(transfer: Transfer, given: dict[str, Any], by: User) -> Transfer:
            quantities = {line["line"]: line["quantity"] for line in given.pop("lines")}
            return services.confirm(transfer, by=by, quantities=quantities, **given)

        return self._step(request, ConfirmSerializer, act)

    @extend_schema(parameters=[ONCE], request=SettleSerializer, responses=TransferSerializer)
    @action(detail=True, methods=["post"])
    def settle(self, request: Request, pk: str) -> Response:
        """Settle what did not arrive: found, back, or lost (with a reason)."""

        def act(transfer: Transfer, given: dict[str, Any], by: User) -> Transfer:
            how = settling.Settling(given.pop("how"))
            return settling.settle(transfer, given.pop("line"), how=how, by=by, **given)

        return self._step(request, SettleSerializer, act)

    @extend_schema(parameters=[ONCE], request=StepSerializer, responses=TransferSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Give a pick list up before anything was sent."""
        return self._step(request, StepSerializer, lambda t, given, by: services.cancel_transfer(t, by=by, **given))


def register(router: BaseRouter) -> None:
    """Put transfers under /api/."""
    router.register("transfers", TransferViewSet, basename="transfers")
