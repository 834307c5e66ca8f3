"""REST endpoints of the maintenance app."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter
from rest_framework.utils.encoders import JSONEncoder

from config.accounts.models import User
from config.accounts.rights import Right
from config.api import check_if_match, etag, once
from config.viewsets import IF_MATCH, ONCE, ChangeViewSet, ReadViewSet, Scoped, person
from installs.models import Site
from maintenance import filters, serializers
from maintenance.api_swaps import ENDPOINTS
from maintenance.models import (
    Absence,
    Engineer,
    Flag,
    JobRun,
    Regime,
    RegimeRule,
    Requirement,
    Shortage,
    TestResult,
    Visit,
)
from maintenance.queries import scope
from maintenance.queries.due import FLAG_ORDER
from maintenance.queries.jobs import runs_of
from maintenance.queries.visits import visits_of
from maintenance.services.regimes import change_rule
from maintenance.services.results import record_results
from maintenance.services.visits import cancel_visit, move_visit, plan_visit


class RegimeViewSet(ReadViewSet):
    right = Right.SEE_VISITS
    queryset = Regime.objects.none()
    serializer_class = serializers.RegimeSerializer
    filterset_class = filters.RegimeFilter

    def visible(self, user: User) -> QuerySet[Regime]:
        return scope.regimes_of(user)


class RegimeRuleViewSet(ChangeViewSet):
    right = Right.SEE_VISITS
    write_right = Right.EDIT_REGIMES
    queryset = RegimeRule.objects.none()
    serializer_class = serializers.RegimeRuleSerializer
    filterset_class = filters.RegimeRuleFilter

    def visible(self, user: User) -> QuerySet[RegimeRule]:
        return scope.rules_of(user).select_related("regime")

    def change(self, record: RegimeRule, changes: dict[str, Any], by: User) -> RegimeRule:
        return change_rule(record, changes=changes, by=by)


class RequirementViewSet(ReadViewSet):
    right = Right.SEE_VISITS
    queryset = Requirement.objects.none()
    serializer_class = serializers.RequirementSerializer
    filterset_class = filters.RequirementFilter
    keyset_order = ("window_to", "id")

    def visible(self, user: User) -> QuerySet[Requirement]:
        return scope.requirements_of(user).select_related("rule", "site")


class FlagViewSet(ReadViewSet):
    """Flags that hold now, by state and the day since which it holds."""

    right = Right.SEE_VISITS
    queryset = Flag.objects.none()
    serializer_class = serializers.FlagSerializer
    filterset_class = filters.FlagFilter
    keyset_order = FLAG_ORDER

    def visible(self, user: User) -> QuerySet[Flag]:
        return scope.flags_of(user).select_related("site", "requirement__rule")


class TestResultViewSet(ReadViewSet):
    right = Right.SEE_VISITS
    queryset = TestResult.objects.none()
    serializer_class = serializers.TestResultSerializer
    filterset_class = filters.TestResultFilter
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[TestResult]:
        return scope.results_of(user).select_related("requirement")


class VisitViewSet(mixins.ListModelMixin, Scoped):
    """Visits by time. Planning answers 409 and says with what a visit clashes."""

    right = Right.SEE_VISITS
    write_right = Right.PLAN_VISITS
    queryset = Visit.objects.none()
    serializer_class = serializers.VisitSerializer
    filterset_class = filters.VisitFilter
    keyset_order = ("starts", "id")

    def visible(self, user: User) -> QuerySet[Visit]:
        return (
            visits_of(user).select_related("site", "engineer__user").prefetch_related("tasks")
        )

    def retrieve(self, request: Request, pk: str | None = None) -> Response:
        return self._answer(self.get_object().pk)

    @extend_schema(request=serializers.VisitPlanSerializer, responses={201: serializers.VisitSerializer})
    def create(self, request: Request) -> Response:
        given = self._read(serializers.VisitPlanSerializer)
        user = person(request)
        visit = plan_visit(
            get_object_or_404(Site.objects.visible_to(user), pk=given["site"]),
            engineer=self._engineer(given["engineer"]), start=given["starts"], end=given["ends"],
            kind=given["kind"], requirements=given["requirements"], note=given["note"], by=user,
        )
        return self._answer(visit.pk, status.HTTP_201_CREATED)

    @extend_schema(
        request=serializers.VisitMoveSerializer, responses=serializers.VisitSerializer, parameters=[IF_MATCH]
    )
    def partial_update(self, request: Request, pk: str | None = None) -> Response:
        visit = self.get_object()
        check_if_match(request, visit)
        given = self._read(serializers.VisitMoveSerializer)
        engineer = self._engineer(given["engineer"]) if "engineer" in given else None
        move_visit(
            visit, version=visit.version, start=given["starts"], end=given["ends"], engineer=engineer,
            note=given.get("note"), by=person(request),
        )
        return self._answer(visit.pk)

    @extend_schema(
        request=serializers.VisitAbortSerializer, responses=serializers.VisitSerializer, parameters=[IF_MATCH]
    )
    @action(detail=True, methods=["post"])
    def abort(self, request: Request, pk: str | None = None) -> Response:
        """End a visit that will not take place; what it was to do stays due."""
        visit = self.get_object()
        check_if_match(request, visit)
        given = self._read(serializers.VisitAbortSerializer)
        cancel_visit(visit, version=visit.version, reason=given["reason"], by=person(request))
        return self._answer(visit.pk)

    @extend_schema(
        request=serializers.RecordSerializer,
        responses={201: serializers.TestResultSerializer(many=True)},
        parameters=[ONCE],
    )
    @action(detail=True, methods=["post"], write_right=Right.RECORD_RESULTS, filterset_class=None,
            pagination_class=None)
    def record(self, request: Request, pk: str | None = None) -> Response:
        """Record the results of all tasks of a visit, once, and close it."""
        visit = self.get_object()
        form = serializers.RecordSerializer(data=request.data)
        form.is_valid(raise_exception=True)

        def act() -> tuple[int, Mapping[str, Any]]:
            rows = record_results(
                visit, form.entries(), by=person(request), done_on=form.validated_data["done_on"]
            )
            results = serializers.TestResultSerializer(rows, many=True)
            return status.HTTP_201_CREATED, {"visit": visit.pk, "results": _plain(results.data)}

        return once(request, act)

    def _read(self, serializer: type[Any]) -> dict[str, Any]:
        form = serializer(data=self.request.data)
        form.is_valid(raise_exception=True)
        given: dict[str, Any] = form.validated_data
        return given

    def _engineer(self, pk: int) -> Engineer:
        engineers = scope.engineers_of(person(self.request)).select_related("user")
        return get_object_or_404(engineers, pk=pk)

    def _answer(self, pk: int, code: int = status.HTTP_200_OK) -> Response:
        visit = get_object_or_404(self.get_queryset(), pk=pk)
        return Response(self.get_serializer(visit).data, status=code, headers={"ETag": etag(visit)})


class EngineerViewSet(ReadViewSet):
    right = Right.SEE_VISITS
    queryset = Engineer.objects.none()
    serializer_class = serializers.EngineerSerializer
    filterset_class = filters.EngineerFilter

    def visible(self, user: User) -> QuerySet[Engineer]:
        return scope.engineers_of(user).select_related("user")


class AbsenceViewSet(ReadViewSet):
    right = Right.SEE_VISITS
    queryset = Absence.objects.none()
    serializer_class = serializers.AbsenceSerializer
    filterset_class = filters.AbsenceFilter

    def visible(self, user: User) -> QuerySet[Absence]:
        return scope.absences_of(user)


class JobRunViewSet(ReadViewSet):
    right = Right.SEE_JOBS
    queryset = JobRun.objects.none()
    serializer_class = serializers.JobRunSerializer
    filterset_class = filters.JobRunFilter
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[JobRun]:
        return runs_of(user)


class ShortageViewSet(ReadViewSet):
    right = Right.SEE_STOCK
    queryset = Shortage.objects.none()
    serializer_class = serializers.ShortageSerializer
    filterset_class = filters.ShortageFilter
    keyset_order = ("needed_on", "id")

    def visible(self, user: User) -> QuerySet[Shortage]:
        return scope.shortages_of(user).select_related("item", "branch")


def _plain(data: Any) -> Any:
    """Serialised rows as JSON would hold them, because the answer is kept for retries."""
    return json.loads(json.dumps(data, cls=JSONEncoder))


def register(router: BaseRouter) -> None:
    """Put the endpoints of this app under their plural names."""
    endpoints: dict[str, tuple[str, type[Any]]] = {
        "regimes": ("regimes", RegimeViewSet),
        "regime-rules": ("regime-rules", RegimeRuleViewSet),
        "requirements": ("requirements", RequirementViewSet),
        "flags": ("flags", FlagViewSet),
        "test-results": ("test-results", TestResultViewSet),
        "visits": ("visits", VisitViewSet),
        "engineers": ("engineers", EngineerViewSet),
        "absences": ("absences", AbsenceViewSet),
        "job-runs": ("job-runs", JobRunViewSet),
        "shortages": ("shortages", ShortageViewSet),
    }
    for name, (prefix, view) in (endpoints | ENDPOINTS).items():
        router.register(prefix, view, basename=name)
