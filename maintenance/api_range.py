"""REST endpoints of the range studies."""

from __future__ import annotations

from dataclasses import asdict, is_dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from django.db.models import QuerySet
from django.http import Http404
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import mixins, serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from config.accounts.models import Branch, User
from config.accounts.rights import Right
from config.api import once
from config.background import cancel
from config.viewsets import ONCE, Scoped, person
from maintenance.models import RangeStudy
from maintenance.queries import range_study as queries
from maintenance.services import range_study as services

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter


class StudyShape(serializers.ModelSerializer[RangeStudy]):
    class Meta:
        model = RangeStudy
        fields: tuple[str, ...] = (
            "id", "branch", "state", "progress", "cancel_asked", "error", "at", "finished_at",
        )
        read_only_fields: tuple[str, ...] = fields


class StudyDetailShape(StudyShape):
    class Meta(StudyShape.Meta):
        fields = (*StudyShape.Meta.fields, "result")
        read_only_fields = fields


class StudyRequestShape(serializers.Serializer[Any]):
    """What to study: a branch (null: the whole firm), and the terms."""

    branch = serializers.PrimaryKeyRelatedField(queryset=Branch.objects.all(), allow_null=True, default=None)
    keep_settings = serializers.BooleanField(default=True)
    service_percent = serializers.DecimalField(
        max_digits=5, decimal_places=2, min_value=Decimal(50), max_value=Decimal("99.99"), default=Decimal(95)
    )
    correlation = serializers.FloatField(min_value=0, max_value=1, default=0.0)


class RangeStudyViewSet(mixins.ListModelMixin, Scoped):
    """Studies of how few variants could serve every position, newest first; one in full carries its result."""

    right = Right.ORDER_STOCK
    write_right = Right.ORDER_STOCK
    queryset = RangeStudy.objects.none()
    serializer_class = StudyShape
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[RangeStudy]:
        return queries.studies_of(user).defer("result")

    @extend_schema(responses=StudyDetailShape)
    def retrieve(self, request: Request, pk: str) -> Response:
        """The study and its result; places at sites only for those who may open them."""
        detail = queries.one_study(person(request), int(pk))
        if detail is None:
            raise Http404
        return Response(StudyShape(self.get_object()).data | {"result": _plain(detail.result)})

    @extend_schema(request=StudyRequestShape, responses={201: StudyShape}, parameters=[ONCE])
    def create(self, request: Request) -> Response:
        """Ask for a study; a worker carries it out."""

        def carry_out() -> tuple[int, dict[str, Any]]:
            given = StudyRequestShape(data=request.data)
            given.is_valid(raise_exception=True)
            made = services.start_study(by=person(request), **given.validated_data)
            return 201, dict(StudyShape(made).data)

        return once(request, carry_out)

    @extend_schema(request=None, responses={200: StudyShape, 409: OpenApiResponse(description="It has ended")})
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Ask for an end: honoured at the next step, and nothing is kept."""
        cancel(self.get_object())
        return Response(StudyShape(self.get_object()).data)


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    return [_plain(part) for part in value] if isinstance(value, list) else value


def register(router: BaseRouter) -> None:
    """Put the endpoint under /api/."""
    router.register("range-studies", RangeStudyViewSet, basename="range-study")
