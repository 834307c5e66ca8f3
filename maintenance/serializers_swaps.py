"""What the swap endpoints read and write."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from maintenance.models import SwapNeed, SwapProposal, SwapVerdict


class ProposalSerializer(serializers.ModelSerializer[SwapProposal]):
    site = serializers.IntegerField(source="device.system.site_id", read_only=True)
    site_reference = serializers.CharField(source="device.system.site.reference", read_only=True)
    device_mark = serializers.CharField(source="device.mark", read_only=True)
    fitted = serializers.CharField(source="device.variant.code", read_only=True)
    cover = serializers.CharField(source="verdict.variant.code", read_only=True)
    board = serializers.CharField(source="verdict.board.item.sku", read_only=True, allow_null=True, default=None)
    verdict = serializers.ChoiceField(
        source="verdict.verdict", choices=SwapVerdict.Verdict.choices, read_only=True
    )

    class Meta:
        model = SwapProposal
        fields = (
            "id", "site", "site_reference", "device", "device_mark", "fitted", "reasons", "cover", "board", "verdict",
            "state", "made_on", "decided_by", "decided_at", "decision_note", "version",
        )


class SettingLineSerializer(serializers.Serializer[Any]):
    """A setting on the old device and on the new cover, and why they differ."""

    field = serializers.CharField()
    label_words = serializers.CharField(source="label")
    old = serializers.CharField()
    new = serializers.CharField()
    why = serializers.CharField()


class PartPlaceSerializer(serializers.Serializer[Any]):
    """A place that has a part or will have it."""

    location = serializers.IntegerField(source="location_id")
    name = serializers.CharField()
    this_van = serializers.BooleanField()
    available = serializers.IntegerField()
    on_order = serializers.IntegerField()
    expected_on = serializers.DateField(allow_null=True)


class PartSerializer(serializers.Serializer[Any]):
    """A part that the swap needs."""

    item = serializers.IntegerField(source="item.pk")
    sku = serializers.CharField(source="item.sku")
    where = serializers.CharField()
    places = PartPlaceSerializer(many=True)


class ProposalDetailSerializer(serializers.Serializer[Any]):
    """A proposal with its reasons, settings and parts."""

    proposal = ProposalSerializer()
    reasons_for = serializers.ListField(child=serializers.CharField(), source="verdict.reasons_for")
    reasons_against = serializers.ListField(child=serializers.CharField(), source="verdict.reasons_against")
    settings = SettingLineSerializer(many=True)
    parts = PartSerializer(many=True)


class DecisionSerializer(serializers.Serializer[Any]):
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class SwapNeedSerializer(serializers.ModelSerializer[SwapNeed]):
    site = serializers.IntegerField(source="device.system.site_id", read_only=True)
    site_reference = serializers.CharField(source="device.system.site.reference", read_only=True)
    fitted = serializers.CharField(source="device.variant.code", read_only=True)

    class Meta:
        model = SwapNeed
        fields = ("id", "site", "site_reference", "device", "fitted", "reasons", "since", "proposable")


class OptionSerializer(serializers.Serializer[Any]):
    """One cover of the family, judged for the device."""

    code = serializers.CharField()
    name = serializers.CharField()
    grade = serializers.IntegerField()
    rank = serializers.IntegerField(help_text="1 is the best; 0 is not to be proposed")
    verdict = serializers.ChoiceField(choices=SwapVerdict.Verdict.choices)
    proposable = serializers.BooleanField()
    board = serializers.CharField()
    reasons_for = serializers.ListField(child=serializers.CharField())
    reasons_against = serializers.ListField(child=serializers.CharField())
    cures = serializers.ListField(child=serializers.CharField())
    cores = serializers.ListField(child=serializers.CharField())
