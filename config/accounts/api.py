"""Endpoints of the firm itself: branches, people, its settings, and the log of who looked at which site."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import Q, QuerySet
from django_filters.rest_framework import FilterSet
from rest_framework.routers import BaseRouter
from rest_framework.serializers import ModelSerializer

from config.accounts.models import Branch, Firm, ReadLog, User
from config.accounts.rights import Right
from config.viewsets import ChangeViewSet, ReadViewSet


class BranchSerializer(ModelSerializer[Branch]):
    class Meta:
        model = Branch
        fields = ("id", "code", "name", "latitude", "longitude")


class BranchViewSet(ReadViewSet):
    """The firm's branches; a person of one branch sees that one."""

    right = Right.HOME
    queryset = Branch.objects.all()
    serializer_class = BranchSerializer

    def visible(self, user: User) -> QuerySet[Branch]:
        return Branch.objects.filter(Q() if user.branch_id is None else Q(pk=user.branch_id))


class PersonSerializer(ModelSerializer[User]):
    class Meta:
        model = User
        fields = ("id", "email", "name", "role", "branch", "is_active", "joined_at")


class PersonFilter(FilterSet):  # type: ignore[misc]  # no stubs
    class Meta:
        model = User
        fields: ClassVar = {"role": ["exact"], "branch": ["exact"], "is_active": ["exact"]}


class PersonViewSet(ReadViewSet):
    """Everyone who may log in. Accounts are made on the administration pages."""

    right = Right.ADMINISTER
    queryset = User.objects.all()
    serializer_class = PersonSerializer
    filterset_class = PersonFilter

    def visible(self, user: User) -> QuerySet[User]:
        return User.objects.all()


class ReadLogSerializer(ModelSerializer[ReadLog]):
    class Meta:
        model = ReadLog
        fields = ("id", "subject", "subject_id", "user", "at", "door", "address")


class ReadLogFilter(FilterSet):  # type: ignore[misc]  # no stubs
    class Meta:
        model = ReadLog
        fields: ClassVar = {"subject": ["exact"], "subject_id": ["exact"], "user": ["exact"], "at": ["gte", "lt"]}


class ReadLogViewSet(ReadViewSet):
    """Looks at site sheets, the latest first."""

    right = Right.SEE_READ_LOG
    queryset = ReadLog.objects.all()
    serializer_class = ReadLogSerializer
    filterset_class = ReadLogFilter
    keyset_order = ("-id",)

    def visible(self, user: User) -> QuerySet[ReadLog]:
        return ReadLog.objects.all() if user.branch_id is None else ReadLog.objects.filter(user__branch=user.branch)


class FirmSerializer(ModelSerializer[Firm]):
    class Meta:
        model = Firm
        fields = (
            "id", "name", "access_days_before", "access_days_after", "due_soon_days", "escalate_days", "shortage_weeks",
            "loop_margin_percent", "standby_scheme", "battery_ageing_factor",
        )
        # An old battery holds less than a new one, never more.
        extra_kwargs: ClassVar = {
            "loop_margin_percent": {"min_value": 0}, "battery_ageing_factor": {"min_value": 1},
        }


class FirmViewSet(ChangeViewSet):
    """The firm's settings: one record. Changes act at the next reading or the next night."""

    right = Right.HOME
    write_right = Right.ADMINISTER
    queryset = Firm.objects.all()
    serializer_class = FirmSerializer

    def visible(self, user: User) -> QuerySet[Firm]:
        return Firm.objects.all()

    def change(self, record: Firm, changes: dict[str, Any], by: User) -> Firm:
        for name, value in changes.items():
            setattr(record, name, value)
        record.save(update_fields=list(changes))
        return record


def register(router: BaseRouter) -> None:
    """Put the endpoints under their plural names."""
    router.register("branches", BranchViewSet, basename="branch")
    router.register("people", PersonViewSet, basename="person")
    router.register("read-log", ReadLogViewSet, basename="read-log")
    router.register("firm", FirmViewSet, basename="firm")
