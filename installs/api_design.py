"""The REST endpoint that judges a circuit before it is wired. It computes and stores nothing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from config.accounts.rights import Right
from config.viewsets import person
from installs.models import InputProfile
from installs.queries.design import ROLES, DesignRequest, design_circuit
from installs.rules.design import MOST_DEVICES
from installs.rules.errors import RuleError
from installs.rules.resistors import parse_ohm
from stock.models.catalogue import FUNCTIONS

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter

_OUTCOMES = "right, thin, marginal or wrong"


@extend_schema_field({"oneOf": [{"type": "number", "minimum": 0}, {"type": "string", "example": "4k7"}]})
class OhmsField(serializers.Field[Any, Any, Any, Any]):
    """A resistor: a number of ohms, or text as people write it (4k7)."""

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, bool) or not isinstance(data, int | float | str):
            raise serializers.ValidationError("Give a number of ohms, or text like '4k7'.")
        if isinstance(data, str):
            try:
                return parse_ohm(data)
            except RuleError as error:
                raise serializers.ValidationError(f"'{data[:40]}' {error.message}. {error.remedy}") from None
        if not 0 <= data < math.inf:
            raise serializers.ValidationError("Give 0 Ω or more.")
        return float(data)

    def to_representation(self, value: Any) -> Any:
        return value


class ResistorsSerializer(serializers.Serializer[Any]):
    eol = OhmsField(required=False)
    alarm = OhmsField(required=False)
    mask = OhmsField(required=False)


class DesignRequestSerializer(serializers.Serializer[Any]):
    """A circuit to be wired: what is left out is chosen (see each field)."""

    profile = serializers.IntegerField(min_value=1, max_value=2**63 - 1, help_text="input profile of a panel type")
    cable = serializers.IntegerField(min_value=1, max_value=2**63 - 1, help_text="cable type")
    runs_m = serializers.ListField(
        child=serializers.FloatField(min_value=0, max_value=10_000), min_length=1, max_length=MOST_DEVICES,
        help_text="metres of cable to each device, from the panel or the device before",
    )
    topology = serializers.IntegerField(
        min_value=1, max_value=2**63 - 1, required=False, allow_null=True, help_text="left out: as the input is set"
    )
    signals = serializers.ListField(
        child=serializers.ChoiceField(choices=FUNCTIONS), required=False,
        help_text="signals carried; left out: all that the wiring can carry",
    )
    board = serializers.IntegerField(min_value=1, max_value=2**63 - 1, required=False, allow_null=True)
    resistors = ResistorsSerializer(required=False, help_text="left out: the best preferred values")
    series = serializers.ChoiceField(choices=["E12", "E24", "E96"], default="E24")
    environmental_class = serializers.IntegerField(min_value=1, max_value=4, default=2)


class StateSerializer(serializers.Serializer[Any]):
    """A state of the loop at the panel; null ohms: open circuit. Equal values of one state are drawn together."""

    state = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]
    nominal_ohm = serializers.FloatField(allow_null=True)
    least_ohm = serializers.FloatField(allow_null=True)
    greatest_ohm = serializers.FloatField(allow_null=True)
    reads_as = serializers.CharField()
    margin_ohm = serializers.FloatField(allow_null=True, help_text="null: no edge to cross, or no band")
    right = serializers.BooleanField()


class ResistorSerializer(serializers.Serializer[Any]):
    role = serializers.CharField()
    ohm = serializers.FloatField()
    written = serializers.CharField()
    colours = serializers.ListField(child=serializers.CharField())


class PreferredSerializer(serializers.Serializer[Any]):
    resistors = ResistorSerializer(many=True)
    outcome = serializers.CharField(help_text=_OUTCOMES)
    least_margin_ohm = serializers.FloatField(allow_null=True)


class NeighbourSerializer(serializers.Serializer[Any]):
    role = serializers.CharField()
    typed_ohm = serializers.FloatField()
    resistor = ResistorSerializer()
    outcome = serializers.CharField(help_text=_OUTCOMES)


class BoardFitSerializer(serializers.Serializer[Any]):
    board = serializers.IntegerField(source="board.key")
    name = serializers.CharField(source="board.name")
    outcome = serializers.CharField(help_text=_OUTCOMES)
    reason = serializers.CharField()


class CableReachSerializer(serializers.Serializer[Any]):
    cable = serializers.IntegerField(source="offer.key")
    name = serializers.CharField(source="offer.name")
    longest_m = serializers.FloatField(allow_null=True)
    reaches = serializers.BooleanField()


class DesignSerializer(serializers.Serializer[Any]):
    """How the design would read, and what else would do."""

    panel = serializers.CharField()
    profile = serializers.CharField()
    topology = serializers.CharField()
    cable = serializers.CharField()
    outcome = serializers.CharField(
        source="design.report.outcome", allow_null=True,
        help_text=f"{_OUTCOMES}; null: no values can be found for the missing resistors",
    )
    reasons = serializers.ListField(child=serializers.CharField(), source="design.report.reasons", default=list)
    cause = serializers.CharField(source="design.report.cause", default="")
    cure = serializers.CharField(source="design.report.cure", default="")
    roles = serializers.ListField(child=serializers.CharField(), source="design.roles")
    missing = serializers.ListField(child=serializers.CharField(), source="design.missing")
    used_ohm = serializers.DictField(child=serializers.FloatField(), source="design.used_ohm")
    states = StateSerializer(many=True, source="loop.readings", default=list)
    total_m = serializers.FloatField(source="design.total_m")
    longest_m = serializers.FloatField(allow_null=True, source="design.report.longest_cable_m")
    boards = BoardFitSerializer(many=True, source="design.boards")
    cables = CableReachSerializer(many=True, source="design.cables")
    preferred = PreferredSerializer(allow_null=True, source="design.preferred")
    completing = PreferredSerializer(allow_null=True, source="design.completing")
    neighbours = NeighbourSerializer(many=True, source="design.neighbours")

    def to_representation(self, instance: Any) -> Any:
        return finite(super().to_representation(instance))


def finite(value: Any) -> Any:
    """The value with infinities as null, which JSON has no number for."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(part) for key, part in value.items()}
    return [finite(part) for part in value] if isinstance(value, list | tuple) else value


class DesignViewSet(GenericViewSet[Any]):
    """Design a circuit before it is wired."""

    right = Right.SEE_SITES
    write_right = Right.SEE_SITES
    # Nothing is listed; the schema wants a model's rows to name the endpoint by.
    queryset = InputProfile.objects.none()
    serializer_class = DesignSerializer
    pagination_class = None

    @extend_schema(request=DesignRequestSerializer, responses={200: DesignSerializer})
    def create(self, request: Request) -> Response:
        """Table of states, longest cable, boards that fit, preferred values, and how far other cables would reach.
        Nothing is stored, so it may be repeated at will."""
        asked = DesignRequestSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        given = asked.validated_data
        answer = design_circuit(
            person(request),
            DesignRequest(
                profile_id=given["profile"],
                cable_id=given["cable"],
                runs_m=tuple(given["runs_m"]),
                topology_id=given.get("topology"),
                carried=frozenset(given.get("signals", ())),
                board_id=given.get("board"),
                resistor_ohm={role: ohm for role, ohm in given.get("resistors", {}).items() if role in ROLES},
                series=given["series"],
                environmental_class=given["environmental_class"],
            ),
        )
        return Response(DesignSerializer(answer).data)


def register(router: BaseRouter) -> None:
    """Put the endpoint under /api/."""
    router.register("designs", DesignViewSet, basename="design")
