"""What the REST interface reads and answers. Locations in requests are looked up only among those the person sees."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from stock.models import (
    Backplate,
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
from stock.services.ledger import MOST_AT_ONCE


class SeenLocation(serializers.PrimaryKeyRelatedField[Location]):
    """A location of those that the person sees; others do not exist for them."""

    def __init__(self, **options: Any) -> None:
        if not options.get("read_only"):
            options.setdefault("queryset", Location.objects.all())
        super().__init__(**options)

    def get_queryset(self) -> QuerySet[Location]:
        return Location.objects.visible_to(self.context["request"].user)


class SeenSerial(serializers.PrimaryKeyRelatedField[Serial]):
    def __init__(self, **options: Any) -> None:
        options.setdefault("queryset", Serial.objects.all())
        super().__init__(**options)

    def get_queryset(self) -> QuerySet[Serial]:
        return Serial.objects.visible_to(self.context["request"].user)


def quantity_field() -> serializers.IntegerField:
    return serializers.IntegerField(min_value=1, max_value=MOST_AT_ONCE, help_text="in the item's unit")


class TopologySerializer(serializers.ModelSerializer[Topology]):
    class Meta:
        model = Topology
        fields = ("id", "code", "name", "circuit", "functions")


class FamilySerializer(serializers.ModelSerializer[Family]):
    class Meta:
        model = Family
        fields = ("id", "code", "name", "service_life_years", "notes")


class ItemSerializer(serializers.ModelSerializer[Item]):
    class Meta:
        model = Item
        fields = ("id", "sku", "name", "kind", "family", "tracking", "unit")
        read_only_fields = ("kind",)


class BackplateSerializer(serializers.ModelSerializer[Backplate]):
    class Meta:
        model = Backplate
        fields = ("id", "item", "family", "generation", "terminals")


class VariantSerializer(serializers.ModelSerializer[Variant]):
    class Meta:
        model = Variant
        fields = (
            "id", "code", "name", "family", "cover", "technology", "grade", "environmental_class", "generation",
            "anti_mask", "outputs", "backplate_generations", "supply_min_v", "supply_max_v", "quiescent_ma",
            "maximum_ma", "settings_schema", "factory_settings", "discontinued_on", "successor",
        )
        read_only_fields = ("code", "family", "cover", "technology", "generation")


class BoardSerializer(serializers.ModelSerializer[Board]):
    class Meta:
        model = Board
        fields = (
            "id", "item", "topology", "signalling_wires", "presets_values", "eol_ohm", "alarm_ohm", "mask_ohm",
            "tolerance_percent", "families", "generations",
        )


class InsertSerializer(serializers.ModelSerializer[Insert]):
    class Meta:
        model = Insert
        fields = ("id", "item", "families", "setting", "value")


class CableTypeSerializer(serializers.ModelSerializer[CableType]):
    class Meta:
        model = CableType
        fields = ("id", "item", "code", "name", "cores", "area_mm2", "ohm_per_km_20", "temperature_coefficient_per_k")


class KitLineSerializer(serializers.ModelSerializer[KitLine]):
    class Meta:
        model = KitLine
        fields = ("id", "variant", "item", "quantity")


class LocationSerializer(serializers.ModelSerializer[Location]):
    class Meta:
        model = Location
        fields = ("id", "code", "name", "kind", "branch", "engineer")


class PlaceSerializer(serializers.Serializer[Any]):
    text = serializers.CharField(help_text="the location, or the device and site it is fitted at")
    url = serializers.CharField(allow_null=True, help_text="the site's page, for those who may open it")


class SerialSerializer(serializers.Serializer[Any]):
    """A row of stock.queries.with_places."""

    id = serializers.IntegerField()
    item = serializers.IntegerField(source="item_id")
    number = serializers.CharField()
    location = serializers.IntegerField(source="location_id", allow_null=True)
    place = PlaceSerializer()


class BalanceSerializer(serializers.Serializer[Any]):
    """A row of stock.queries.levels."""

    id = serializers.IntegerField()
    item = serializers.IntegerField(source="item_id")
    sku = serializers.CharField(source="item__sku")
    name = serializers.CharField(source="item__name")
    unit = serializers.CharField(source="item__unit")
    location = serializers.IntegerField(source="location_id")
    location_name = serializers.CharField(source="location__name")
    on_hand = serializers.IntegerField()
    reserved = serializers.IntegerField()
    available = serializers.IntegerField(help_text="on hand less reserved")
    on_order = serializers.IntegerField()
    minimum = serializers.IntegerField()
    target = serializers.IntegerField()
    shortfall = serializers.IntegerField(help_text="what is missing to the minimum")


class MovementSerializer(serializers.ModelSerializer[Movement]):
    sku = serializers.CharField(source="item.sku")
    source_name = serializers.CharField(source="source.name")
    destination_name = serializers.CharField(source="destination.name")
    serial_number = serializers.CharField(source="serial.number", allow_null=True, default=None)
    posted_by = serializers.CharField(source="posted_by.name", allow_null=True, default=None)
    corrected_by = serializers.IntegerField(source="corrected_by.pk", allow_null=True, default=None)

    class Meta:
        model = Movement
        fields = (
            "id", "item", "sku", "quantity", "source", "source_name", "destination", "destination_name", "serial",
            "serial_number", "batch", "kind", "at", "posted_by", "reference", "note", "corrects", "corrected_by",
        )
        read_only_fields = fields


class NewMovementSerializer(serializers.Serializer[Any]):
    item = serializers.PrimaryKeyRelatedField(queryset=Item.objects.all())
    quantity = quantity_field()
    source = SeenLocation()  # type: ignore[assignment]
    destination = SeenLocation()
    kind = serializers.ChoiceField(choices=Movement.Kind.choices)
    serial = SeenSerial(required=False, allow_null=True, default=None)
    batch = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    reference = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    at = serializers.DateTimeField(required=False, allow_null=True, default=None, help_text="default: now")


class CorrectionSerializer(serializers.Serializer[Any]):
    note = serializers.CharField(max_length=200, help_text="what was wrong")


class ReservationSerializer(serializers.ModelSerializer[Reservation]):
    location = SeenLocation()
    quantity = quantity_field()

    class Meta:
        model = Reservation
        fields = ("id", "item", "location", "quantity", "ahead", "needed_on", "reference", "state", "made_at")
        read_only_fields = ("state", "made_at")


class StockLevelSerializer(serializers.ModelSerializer[StockLevel]):
    location = SeenLocation()
    minimum = serializers.IntegerField(min_value=0, max_value=MOST_AT_ONCE)
    target = serializers.IntegerField(min_value=0, max_value=MOST_AT_ONCE)

    class Meta:
        model = StockLevel
        fields = ("id", "item", "location", "minimum", "target")
        # The database refuses a doubled level; the service says so in words.
        validators: tuple[Any, ...] = ()
