"""What the endpoints of this app share."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import QuerySet
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet, ReadOnlyModelViewSet

from config.accounts.models import User
from config.accounts.rights import Right
from config.api import etag

IF_MATCH = OpenApiParameter("If-Match", str, OpenApiParameter.HEADER, required=True, description="the record's ETag")
ONCE = OpenApiParameter("Idempotency-Key", str, OpenApiParameter.HEADER, required=True)


def person(request: Request) -> User:
    """The logged-in person; the permission class let nobody else in."""
    assert isinstance(request.user, User)
    return request.user


class Scoped(GenericViewSet[Any]):
    """An endpoint whose records are those that the person may see."""

    keyset_order: ClassVar[tuple[str, ...]] = ("id",)
    write_right: Right | None = None

    def visible(self, user: User) -> QuerySet[Any]:
        raise NotImplementedError

    def get_queryset(self) -> QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):
            return super().get_queryset()
        return self.visible(person(self.request))


class ReadViewSet(Scoped, ReadOnlyModelViewSet[Any]):
    """A scoped list and its records, each with its ETag."""

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        record = self.get_object()
        return Response(self.get_serializer(record).data, headers={"ETag": etag(record)})
