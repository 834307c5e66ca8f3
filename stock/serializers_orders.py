"""What the REST interface reads and answers about orders, deliveries and suppliers."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from stock.models import ExchangeRate, HeldDelivery, Item, Order, OrderLine, Supplier, SupplierItem
from stock.serializers import SeenLocation, quantity_field
from stock.services.receiving import HOLD, KEEP


# Money and rates are texts, as exact as they are kept.
def price_field(**options: Any) -> serializers.DecimalField:
    return serializers.DecimalField(max_digits=12, decimal_places=4, min_value=0, coerce_to_string=True, **options)


def rate_field(**options: Any) -> serializers.DecimalField:
    return serializers.DecimalField(
        max_digits=14, decimal_places=6, coerce_to_string=True,
        help_text="units of the firm's currency for one", **options,
    )


class SupplierSerializer(serializers.ModelSerializer[Supplier]):
    class Meta:
        model = Supplier
        fields = ("id", "name", "location", "lead_time_days", "currency", "email", "address")
        read_only_fields = ("location",)
        extra_kwargs = {  # noqa: RUF012 - the framework's own shape
            "name": {"validators": []}, "currency": {"required": True},
            "lead_time_days": {"min_value": 0, "max_value": 365},
        }


class SupplierItemSerializer(serializers.ModelSerializer[SupplierItem]):
    unit_price = price_field(help_text="in the supplier's currency")
    minimum_order = serializers.IntegerField(min_value=1, max_value=1_000_000, required=False)
    pack_size = serializers.IntegerField(min_value=1, max_value=1_000_000, required=False)
    lead_time_days = serializers.IntegerField(min_value=0, max_value=365, required=False, allow_null=True)

    class Meta:
        model = SupplierItem
        fields = (
            "id", "supplier", "item", "supplier_code", "unit_price", "minimum_order", "pack_size", "lead_time_days",
            "preferred",
        )
        # The service changes the terms of an item that is listed already.
        validators: tuple[Any, ...] = ()


class ExchangeRateSerializer(serializers.ModelSerializer[ExchangeRate]):
    rate = rate_field(min_value=Decimal("0.000001"))

    class Meta:
        model = ExchangeRate
        fields = ("id", "currency", "valid_from", "rate")
        validators: tuple[Any, ...] = ()


class OrderLineSerializer(serializers.ModelSerializer[OrderLine]):
    quantity = quantity_field()
    unit_price = price_field(
        required=False, allow_null=True, help_text="in the order's currency; left out: the supplier's list price"
    )

    class Meta:
        model = OrderLine
        fields = ("id", "item", "quantity", "received", "over", "unit_price", "reason", "by_hand")
        read_only_fields = ("received", "over", "reason", "by_hand")


class OrderSerializer(serializers.ModelSerializer[Order]):
    destination = SeenLocation()
    rate = rate_field(read_only=True)
    lines = OrderLineSerializer(many=True, allow_empty=False)

    class Meta:
        model = Order
        fields = (
            "id", "number", "supplier", "destination", "state", "currency", "rate", "ordered_on", "expected_on",
            "made_at", "proposed", "note", "approval_asked_at", "approved_by", "approved_at", "refusal", "sent_at",
            "sent_to", "lines",
        )
        read_only_fields = (
            "state", "currency", "rate", "ordered_on", "expected_on", "made_at", "proposed", "note",
            "approval_asked_at", "approved_by", "approved_at", "refusal", "sent_at", "sent_to",
        )
        extra_kwargs = {  # noqa: RUF012 - the framework's own shape
            "number": {"required": False, "validators": [], "help_text": "empty: the next number"}
        }

    def validate_lines(self, lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if len({line["item"] for line in lines}) != len(lines):
            raise serializers.ValidationError("An item stands on an order only once: add the quantities up.")
        return lines


class DraftSerializer(OrderSerializer):
    """A draft's whole content."""

    class Meta(OrderSerializer.Meta):
        fields = ("lines", "note", "expected_on")  # type: ignore[assignment]
        read_only_fields = ()  # type: ignore[assignment]
        extra_kwargs = {"note": {"required": False}, "expected_on": {"required": False}}  # noqa: RUF012

    destination = rate = None  # type: ignore[assignment]


class PlaceOrderSerializer(serializers.Serializer[Any]):
    ordered_on = serializers.DateField(required=False, allow_null=True, default=None, help_text="default: today")
    expected_on = serializers.DateField(
        required=False, allow_null=True, default=None,
        help_text="default: the draft's day, or after the supplier's lead time",
    )


class RefuseSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=300, help_text="what should change")


class DeliverySerializer(serializers.Serializer[Any]):
    quantity = quantity_field()
    serial_numbers = serializers.ListField(
        child=serializers.CharField(max_length=40), required=False, default=list, max_length=1000
    )
    batch = serializers.CharField(
        max_length=40, required=False, allow_blank=True, default="", help_text="kept with each numbered piece"
    )
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class ReceiveSerializer(DeliverySerializer):
    line = serializers.IntegerField(min_value=1, help_text="the order line's id")
    beyond = serializers.ChoiceField(
        choices=[(KEEP, "keep it, at the line's price"), (HOLD, "put it into quarantine")], required=False,
        allow_blank=True, default="", help_text="what becomes of more than is still to come; empty: refuse it",
    )
    damaged = serializers.BooleanField(required=False, default=False, help_text="all of it goes into quarantine")


class WrongItemSerializer(DeliverySerializer):
    item = serializers.PrimaryKeyRelatedField(queryset=Item.objects.all(), help_text="what came, not on the order")


class HeldSerializer(serializers.ModelSerializer[HeldDelivery]):
    item = serializers.IntegerField(source="movement.item_id")
    quantity = serializers.IntegerField(source="movement.quantity")
    serial = serializers.IntegerField(source="movement.serial_id", allow_null=True)
    batch = serializers.CharField(source="movement.batch")

    class Meta:
        model = HeldDelivery
        fields = ("id", "order", "movement", "item", "quantity", "serial", "batch", "why", "outcome", "note",
                  "decided_by", "decided_at", "held_at")
        read_only_fields = fields


class _OfTheOrder(serializers.PrimaryKeyRelatedField[HeldDelivery]):
    def get_queryset(self) -> QuerySet[HeldDelivery]:
        order = self.context.get("order")
        return HeldDelivery.objects.filter(order=order) if order is not None else HeldDelivery.objects.none()


class DecideSerializer(serializers.Serializer[Any]):
    held = serializers.ListField(child=_OfTheOrder(queryset=HeldDelivery.objects.none()), allow_empty=False,
                                 max_length=1000)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class KeepSerializer(DecideSerializer):
    unit_price = price_field(
        required=False, allow_null=True, default=None, help_text="of what was not on the order, in its currency"
    )


class ProposedSerializer(serializers.Serializer[Any]):
    made = serializers.IntegerField(help_text="drafts made")
    changed = serializers.IntegerField(help_text="drafts brought up to date")
    dropped = serializers.IntegerField(help_text="drafts no longer needed")
    lines = serializers.IntegerField(help_text="lines changed")
    without_supplier = serializers.IntegerField(help_text="items that no supplier sells")
    orders = serializers.ListField(child=serializers.IntegerField(), help_text="the drafts made or changed")
    problems = serializers.ListField(child=serializers.CharField(), help_text="what kept a draft from being made")
