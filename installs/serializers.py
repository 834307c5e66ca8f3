"""The REST shapes of the as-installed record. Access notes are in none of them: only the sheet may carry them."""

from __future__ import annotations

from typing import Any, ClassVar

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from installs.models import (
    Circuit,
    CircuitPlace,
    Customer,
    Device,
    Document,
    InputBand,
    InputProfile,
    Panel,
    PanelType,
    Site,
    System,
)


@extend_schema_field({"type": "object", "additionalProperties": {}})
class ObjectField(serializers.JSONField):
    """A JSON object."""


@extend_schema_field({"type": "object", "additionalProperties": {"type": "string", "nullable": True}})
class LandingsField(serializers.JSONField):
    """Core colour to backplate terminal; null for a spare core."""


class CustomerSerializer(serializers.ModelSerializer[Customer]):
    class Meta:
        model = Customer
        fields: ClassVar = ["id", "reference", "name", "email", "phone"]


class SiteSerializer(serializers.ModelSerializer[Site]):
    class Meta:
        model = Site
        fields: ClassVar = [
            "id", "reference", "customer", "branch", "name", "street", "town", "postcode", "latitude", "longitude",
            "grade", "environmental_class", "contract", "in_use_since", "cautions", "changed_at",
        ]


class SystemSerializer(serializers.ModelSerializer[System]):
    class Meta:
        model = System
        fields: ClassVar = ["id", "site", "name"]


class PanelTypeSerializer(serializers.ModelSerializer[PanelType]):
    class Meta:
        model = PanelType
        fields: ClassVar = [
            "id", "code", "name", "grade", "psu_type", "supply_mains_v", "supply_end_v", "supply_output_ma",
            "own_quiescent_ma", "own_alarm_ma", "recharge_ma",
        ]


class InputBandSerializer(serializers.ModelSerializer[InputBand]):
    class Meta:
        model = InputBand
        fields: ClassVar = ["state", "low_ohm", "high_ohm", "low_v", "high_v"]


class InputProfileSerializer(serializers.ModelSerializer[InputProfile]):
    bands = InputBandSerializer(many=True, read_only=True)

    class Meta:
        model = InputProfile
        fields: ClassVar = [
            "id", "panel_type", "code", "topology", "reference_v", "pull_up_ohm", "pull_up_tolerance_percent", "bands",
        ]


class PanelSerializer(serializers.ModelSerializer[Panel]):
    class Meta:
        model = Panel
        fields: ClassVar = [
            "id", "system", "type", "serial_number", "place", "battery_ah", "battery_fitted_on", "other_quiescent_ma",
            "other_alarm_ma",
        ]


class CircuitSerializer(serializers.ModelSerializer[Circuit]):
    class Meta:
        model = Circuit
        fields: ClassVar = ["id", "panel", "number", "zone", "profile", "topology", "cable_type", "eol_ohm"]


class CircuitPlaceSerializer(serializers.ModelSerializer[CircuitPlace]):
    class Meta:
        model = CircuitPlace
        fields: ClassVar = ["id", "circuit", "device", "order", "functions", "run_m"]


class DeviceSerializer(serializers.ModelSerializer[Device]):
    hand_wired = ObjectField(read_only=True, allow_null=True)
    core_landings = LandingsField(read_only=True)
    settings = ObjectField(read_only=True)

    class Meta:
        model = Device
        fields: ClassVar = [
            "id", "system", "mark", "position", "variant", "serial", "backplate", "board", "hand_wired",
            "signalling_wires", "cable_type", "core_landings", "settings", "fitted_on", "removed_on", "changed_at",
        ]


class DeviceChangeSerializer(serializers.Serializer[Any]):
    """What a client may change of a device; the variant's schema judges the settings."""

    position = serializers.CharField(max_length=120, required=False)
    settings = serializers.DictField(required=False)


class DeviceVersionSerializer(serializers.Serializer[Any]):
    """A device as it stood from `since` on."""

    device_id = serializers.IntegerField()
    version = serializers.IntegerField()
    since = serializers.DateTimeField()
    by = serializers.CharField()
    mark = serializers.CharField()
    position = serializers.CharField()
    variant_code = serializers.CharField()
    variant_name = serializers.CharField()
    serial_number = serializers.CharField(allow_null=True)
    backplate_name = serializers.CharField()
    board_name = serializers.CharField(allow_null=True)
    hand_wired = ObjectField(allow_null=True)
    signalling_wires = serializers.IntegerField()
    cable = serializers.CharField()
    core_landings = LandingsField()
    settings = ObjectField()
    fitted_on = serializers.DateField()
    removed_on = serializers.DateField(allow_null=True)


class DocumentSerializer(serializers.ModelSerializer[Document]):
    file = serializers.SerializerMethodField()

    class Meta:
        model = Document
        fields: ClassVar = ["id", "site", "device", "kind", "title", "file", "added_by", "added_at"]

    @extend_schema_field(OpenApiTypes.URI)
    def get_file(self, document: Document) -> str:
        """The address that hands the file out after checking who asks; the store itself has none."""
        from rest_framework.reverse import reverse

        return reverse("document-file", args=[document.pk], request=self.context.get("request"))


class DocumentUploadSerializer(serializers.Serializer[Any]):
    site = serializers.IntegerField(min_value=1)
    device = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    kind = serializers.ChoiceField(choices=Document.Kind.choices)
    title = serializers.CharField(max_length=120)
    file = serializers.FileField()
