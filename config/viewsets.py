"""What the endpoints of every app share: who asks, records scoped to them, and the ETag of each."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import transaction
from django.db.models import Model, QuerySet
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet, ReadOnlyModelViewSet

from config.accounts.models import User
from config.accounts.rights import Right
from config.api import check_if_match, etag

IF_MATCH = OpenApiParameter("If-Match", str, OpenApiParameter.HEADER, required=True, description="the record's ETag")
ONCE = OpenApiParameter(
    "Idempotency-Key", str, OpenApiParameter.HEADER, required=True,
    description="A fresh random key for each new request; the same key with its retries.",
)


def person(request: Request) -> User:
    """The logged-in person; the permission class let nobody else in."""
    assert isinstance(request.user, User)
    return request.user


class Scoped(GenericViewSet[Any]):
    """An endpoint whose records are those that the person may see."""

    right: ClassVar[Right]
    write_right: ClassVar[Right | None] = None
    keyset_order: ClassVar[tuple[str, ...]] = ("id",)
    # A key that fits the column: a longer number would be an error of the database, not a missing record.
    lookup_value_regex = "[0-9]{1,18}"

    def visible(self, user: User) -> QuerySet[Any]:
        """The records that the person may see."""
        raise NotImplementedError

    def get_queryset(self) -> QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):
            return super().get_queryset()
        return self.visible(person(self.request))


class ReadViewSet(Scoped, ReadOnlyModelViewSet[Any]):
    """A scoped list and its records, each with its ETag; rows put together by a query have none."""

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        record = self.get_object()
        headers = {"ETag": etag(record)} if isinstance(record, Model) else None
        return Response(self.get_serializer(record).data, headers=headers)


class ChangeViewSet(ReadViewSet):
    """Adds PATCH with If-Match: the record is locked from the comparison to the change."""

    def get_queryset(self) -> QuerySet[Any]:
        found = super().get_queryset()
        return found.select_for_update(of=("self",)) if self.action == "partial_update" else found

    def change(self, record: Any, changes: dict[str, Any], by: User) -> Any:
        """Carry the change out and return the record as it is then."""
        raise NotImplementedError

    @extend_schema(parameters=[IF_MATCH])
    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        with transaction.atomic():
            record = self.get_object()
            check_if_match(request, record)
            given = self.get_serializer(record, data=request.data, partial=True)
            given.is_valid(raise_exception=True)
            record = self.change(record, given.validated_data, person(request))
        return Response(self.get_serializer(record).data, headers={"ETag": etag(record)})
