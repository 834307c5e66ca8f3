"""REST endpoints of loops: the kept table of a circuit, and a diagnosis of what was measured on it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django import forms
from django.db.models import QuerySet
from django.http import Http404
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.generics import get_object_or_404
from rest_framework.request import Request
from rest_framework.response import Response

from config.accounts.rights import Right
from config.errors import InvalidInput
from config.viewsets import Scoped, person
from installs.forms_diagnosis import WHERE, parse_reading
from installs.models import Circuit, LoopTable
from installs.queries import scope
from installs.queries.diagnosis import METERS, MOST_MEASUREMENTS, Taken, diagnose_circuit, diagnosis_subject
from installs.rules.diagnosis.model import Cause, NextStep, Prediction
from installs.serializers import ObjectField
from installs.services.reads import log_read

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter

    from config.accounts.models import User

_SIGNALS = "of alarm, tamper, mask, fault"


@extend_schema_field({"oneOf": [{"type": "number", "minimum": 0}, {"type": "string", "example": "4k7"}]})
class ReadingField(serializers.Field[Any, Any, Any, Any]):
    """What the meter showed: a number of ohms, or text as people write it (4k7, open, 6.2 V)."""

    def to_internal_value(self, data: Any) -> tuple[float | None, float | None]:
        if isinstance(data, bool) or not isinstance(data, int | float | str):
            raise serializers.ValidationError("Give a number of ohms, or text like '4k7', 'open' or '6.2 V'.")
        if not isinstance(data, str):
            if not 0 <= data < math.inf:
                raise serializers.ValidationError("Give 0 or more, or 'open'.")
            return float(data), None
        try:
            return parse_reading(data)
        except forms.ValidationError as error:
            raise serializers.ValidationError(error.messages) from None

    def to_representation(self, value: Any) -> Any:
        return value


class KnownSerializer(serializers.Serializer[Any]):
    """A device whose state was known while measuring; no operated signal: at rest."""

    device = serializers.IntegerField(min_value=0, max_value=999, help_text="0 is nearest to the panel")
    operated = serializers.ListField(child=serializers.CharField(max_length=8), default=list, help_text=_SIGNALS)


class MeasurementSerializer(serializers.Serializer[Any]):
    ohm = ReadingField()
    where = serializers.ChoiceField(choices=list(WHERE), default="panel")
    first = serializers.IntegerField(
        min_value=0, max_value=999, default=0, help_text="for 'towards': the device before which the line was opened"
    )
    all_at_rest = serializers.BooleanField(default=False, help_text="every device not named in known was at rest")
    known = KnownSerializer(many=True, default=list)
    meter = serializers.ChoiceField(choices=list(METERS), default="ordinary")


class DiagnosisRequestSerializer(serializers.Serializer[Any]):
    measurements = serializers.ListField(
        child=MeasurementSerializer(), min_length=1, max_length=MOST_MEASUREMENTS, allow_empty=False
    )


class PredictionSerializer(serializers.Serializer[Any]):
    """In ohms; null is an open circuit."""

    nominal_ohm = serializers.FloatField(allow_null=True)
    least_ohm = serializers.FloatField(allow_null=True)
    greatest_ohm = serializers.FloatField(allow_null=True)


class StepAnswerSerializer(serializers.Serializer[Any]):
    causes = serializers.ListField(child=serializers.IntegerField())
    reading = PredictionSerializer()


class NextStepSerializer(serializers.Serializer[Any]):
    words = serializers.CharField()
    where = serializers.CharField()
    first = serializers.IntegerField()
    known = KnownSerializer(many=True)
    answers = StepAnswerSerializer(many=True)


class CauseSerializer(serializers.Serializer[Any]):
    number = serializers.IntegerField()
    kind = serializers.CharField()
    devices = serializers.ListField(child=serializers.IntegerField(), help_text="0 is nearest to the panel")
    words = serializers.CharField()
    size = serializers.FloatField(allow_null=True)
    size_unit = serializers.CharField(allow_blank=True)
    fit = serializers.FloatField(help_text="share of the probability among all causes considered, 0 to 1")
    predicted = PredictionSerializer(many=True)
    same_as = serializers.ListField(child=serializers.CharField())
    next_step = NextStepSerializer(allow_null=True)


class DiagnosisSerializer(serializers.Serializer[Any]):
    """Causes from the likeliest on. `reads` is what the panel makes of each measurement; null: says nothing of it."""

    reads = serializers.ListField(child=serializers.CharField(allow_null=True))
    causes = CauseSerializer(many=True)
    next_step = NextStepSerializer(allow_null=True)
    considered = serializers.IntegerField()
    left_out = serializers.ListField(child=serializers.CharField())
    caution = serializers.CharField()


class LoopTableSerializer(serializers.ModelSerializer[LoopTable]):
    """The table as it was last computed; `stale`: the record changed since, and it will be computed anew."""

    table = ObjectField(read_only=True)
    outcome = serializers.CharField(read_only=True, help_text=", ".join(LoopTable.Outcome.values))

    class Meta:
        model = LoopTable
        fields = (
            "circuit", "stale", "outcome", "normal_ohm", "normal_least_ohm", "normal_greatest_ohm", "band_low_ohm",
            "band_high_ohm", "least_margin_ohm", "least_margin_percent", "longest_cable_m", "cause", "cure", "table",
            "values_since", "computed_at",
        )


CAUTION = (
    "Put the system on test and isolate before work; disconnect the pair before measuring resistance. Figures are an "
    "aid: the maker's instructions, the local code and the licensed person on site decide."
)


class LoopViewSet(Scoped):
    queryset = Circuit.objects.none()
    serializer_class = LoopTableSerializer
    right = Right.SEE_SITES
    # A diagnosis is asked by POST for the size of its question, and changes nothing.
    write_right = Right.SEE_SITES

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.circuits(user)

    @extend_schema(responses=LoopTableSerializer)
    @action(detail=True)
    def loop(self, request: Request, pk: str) -> Response:
        """What the meter should read on the circuit in every state, as kept. Each look is logged."""
        found = get_object_or_404(
            LoopTable.objects.filter(circuit__in=scope.circuits(person(request))).select_related(
                "circuit__panel__system"
            ),
            circuit_id=int(pk),
        )
        _log(request, found.circuit.panel.system.site_id, "api: loop")
        return Response(LoopTableSerializer(found).data)

    @extend_schema(request=DiagnosisRequestSerializer, responses={200: DiagnosisSerializer})
    @action(detail=True, methods=["post"])
    def diagnosis(self, request: Request, pk: str) -> Response:
        """Causes of what was measured, ranked. Nothing of it is stored; the look is logged."""
        subject = diagnosis_subject(person(request), int(pk))
        if subject is None:
            raise Http404
        given = DiagnosisRequestSerializer(data=request.data)
        if not given.is_valid():
            field, message = _first(given.errors)
            raise InvalidInput(
                message, field=field, value=_at(request.data, field), remedy="See the schema at /api/docs/."
            )
        _log(request, subject.site_id, "api: diagnosis")
        taken = [_taken(one, len(subject.places)) for one in given.validated_data["measurements"]]
        answer = diagnose_circuit(subject, taken)
        found = answer.diagnosis
        return Response(
            {
                "reads": answer.reads,
                "causes": [_cause(cause) for cause in found.causes],
                "next_step": _step(found.next_step),
                "considered": found.considered,
                "left_out": found.left_out,
                "caution": CAUTION,
            }
        )


def _taken(given: Mapping[str, Any], places: int) -> Taken:
    ohm, volts = given["ohm"]
    known = {place: frozenset[str]() for place in range(places)} if given["all_at_rest"] else {}
    known |= {one["device"]: frozenset(one["operated"]) for one in given["known"]}
    return Taken(ohm, volts, WHERE[given["where"]], given["first"], known, given["meter"])


def _first(errors: Any) -> tuple[str, str]:
    """Path of the first error, like measurements[1].ohm, and its words."""
    path = ""
    while isinstance(errors, Mapping | list):
        if isinstance(errors, Mapping):
            key, errors = next(iter(errors.items()))
            if key != "non_field_errors":
                path += f"[{key}]" if isinstance(key, int) else f".{key}"
        else:
            index = next(i for i, one in enumerate(errors) if one)
            errors = errors[index]
            if isinstance(errors, Mapping):
                path += f"[{index}]"
    return path.removeprefix(".") or "measurements", str(errors)


def _at(data: Any, path: str) -> Any:
    for part in path.replace("]", "").replace("[", ".").split("."):
        try:
            data = data[int(part)] if isinstance(data, list) else data[part]
        except (KeyError, IndexError, TypeError, ValueError):
            return None
    return data


def _ohm(value: float) -> float | None:
    return None if math.isinf(value) else value


def _prediction(one: Prediction) -> dict[str, float | None]:
    return {
        "nominal_ohm": _ohm(one.nominal_ohm), "least_ohm": _ohm(one.least_ohm), "greatest_ohm": _ohm(one.greatest_ohm)
    }


def _step(step: NextStep | None) -> dict[str, Any] | None:
    if step is None:
        return None
    return {
        "words": step.words,
        "where": next(slug for slug, where in WHERE.items() if where is step.where),
        "first": step.first,
        "known": [{"device": place, "operated": sorted(on)} for place, on in sorted(step.known.items())],
        "answers": [{"causes": numbers, "reading": _prediction(one)} for numbers, one in step.answers],
    }


def _cause(cause: Cause) -> dict[str, Any]:
    return {
        "number": cause.number, "kind": cause.kind, "devices": cause.places, "words": cause.words,
        "size": cause.size, "size_unit": cause.size_unit, "fit": cause.fit,
        "predicted": [_prediction(one) for one in cause.predicted],
        "same_as": cause.same_as, "next_step": _step(cause.next_step),
    }


def _log(request: Request, site_id: int, door: str) -> None:
    log_read(site_id, by=person(request), door=door, address=request.META.get("REMOTE_ADDR"))


def register(router: BaseRouter) -> None:
    """Put the endpoints of loops under /api/circuits/<pk>/."""
    router.register("circuits", LoopViewSet, basename="circuit-loop")
