"""What every endpoint shares: keyset pages, problem details, ETags, idempotency keys."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.exceptions import ValidationError as DjangoValidationError
from django.db import DataError, models, transaction
from django.http import Http404
from rest_framework import status
from rest_framework.exceptions import APIException, ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView
from rest_framework.views import exception_handler as drf_exception_handler

from config import keyset
from config.accounts.models import IdempotencyKey, User
from config.again import again
from config.errors import ChangedMeanwhile, InvalidInput, ZonewrightError
from config.idempotency import Claim, answered, claim, claim_of

PROBLEM = "application/problem+json"
LARGEST_PAGE = 200


class KeysetPagination(BasePagination):
    """`?cursor=` and `?size=`; the answer carries the address of the next page, and no total."""

    order: Sequence[str] = ("id",)

    def paginate_queryset(self, queryset: Any, request: Request, view: APIView | None = None) -> list[Any]:
        self.request = request
        order = getattr(view, "keyset_order", self.order)
        self.page = keyset.page(
            queryset, order, cursor=request.query_params.get("cursor"), size=self._size(request)
        )
        return self.page.rows

    def _size(self, request: Request) -> int:
        text = request.query_params.get("size", "50")
        if not text.isdecimal() or not 1 <= int(text) <= LARGEST_PAGE:
            raise InvalidInput(
                f"The page size {text!r} cannot be used.",
                field="size",
                value=text,
                remedy=f"Write a whole number from 1 to {LARGEST_PAGE}.",
            )
        return int(text)

    def get_paginated_response(self, data: Any) -> Response:
        address = None
        if self.page.next_cursor:
            query = self.request.query_params.copy()
            query["cursor"] = self.page.next_cursor
            address = self.request.build_absolute_uri(f"{self.request.path}?{query.urlencode()}")
        return Response({"next": address, "results": data})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        return {
            "type": "object",
            "required": ["next", "results"],
            "properties": {
                "next": {"type": "string", "format": "uri", "nullable": True},
                "results": schema,
            },
        }

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        return [
            {"name": "cursor", "in": "query", "required": False, "schema": {"type": "string"}},
            {
                "name": "size",
                "in": "query",
                "required": False,
                "schema": {"type": "integer", "minimum": 1, "maximum": LARGEST_PAGE, "default": 50},
            },
        ]


def problem_details(exception: Exception, context: dict[str, Any]) -> Response | None:
    """Every error as RFC 9457 problem details (application/problem+json)."""
    if isinstance(exception, ZonewrightError):
        body = {
            "type": "about:blank",
            "title": exception.title,
            "status": exception.status,
            "detail": str(exception),
        }
        if exception.field:
            body |= {"field": exception.field, "value": exception.value, "remedy": exception.remedy}
        return Response(body, status=exception.status, content_type=PROBLEM)
    if isinstance(exception, DataError):
        # Python takes some values that the database does not, such as a time 21 hours off Greenwich.
        exception = ValidationError("A value is outside the range that can be stored. Write one nearer to real life.")
    if isinstance(exception, DjangoValidationError):
        exception = ValidationError(getattr(exception, "message_dict", exception.messages))
    response = drf_exception_handler(exception, context)
    if response is None:
        return None
    title = {
        400: "A value cannot be used",
        401: "You are not logged in",
        403: "Your role does not allow this",
        404: "There is no such record, or you may not see it",
        405: "This address does not answer that method",
    }.get(response.status_code, getattr(exception, "default_detail", "The request failed"))
    problem: dict[str, Any] = {"type": "about:blank", "title": str(title), "status": response.status_code}
    if isinstance(exception, ValidationError):
        problem["detail"] = "See 'errors' for each field."
        problem["errors"] = response.data
    elif isinstance(exception, APIException):
        problem["detail"] = str(exception.detail)
    elif isinstance(exception, (Http404, PermissionDenied)):
        problem["detail"] = str(title)
    response.data = problem
    response.content_type = PROBLEM
    return response


PROBLEM_SCHEMA = {
    "type": "object",
    "description": "RFC 9457 problem details",
    "required": ["type", "title", "status"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "field": {"type": "string", "description": "what is wrong"},
        "value": {"type": "string", "description": "the value that was sent"},
        "remedy": {"type": "string", "description": "what to do about it"},
        "errors": {"description": "for each field of the body or the query, what is wrong with it"},
    },
}


def describe_problems(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Say in the schema that whatever an endpoint does not answer otherwise, it answers with problem details."""
    result.setdefault("components", {}).setdefault("schemas", {})["Problem"] = PROBLEM_SCHEMA
    answer = {
        "description": "What is wrong and what to do about it",
        "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
    for component in result["components"]["schemas"].values():
        for field in component.get("properties", {}).values():
            # JSON Schema's "time" carries an offset (RFC 3339 full-time); working hours are local times.
            if field.get("format") == "time":
                del field["format"]
                field["pattern"] = r"^\d{2}:\d{2}(:\d{2}(\.\d+)?)?$"
    for path in result["paths"].values():
        for operation in path.values():
            operation["responses"].setdefault("default", answer)
    return result


def etag(instance: models.Model) -> str:
    """A strong validator of a record: its version, or a hash of its own columns (RFC 9110 8.8.3)."""
    version = getattr(instance, "version", None)
    if version is None:
        columns = [str(getattr(instance, f.attname)) for f in instance._meta.concrete_fields]
        version = hashlib.sha256("\x1f".join(columns).encode()).hexdigest()[:20]
    return f'"{instance._meta.label_lower}-{instance.pk}-{version}"'


def check_if_match(request: Request, instance: models.Model) -> None:
    """Refuse an update that does not say which state of the record it was made from (RFC 9110 13.1.1)."""
    sent = request.headers.get("If-Match")
    if sent is None:
        error = ZonewrightError(
            "An update must say which state of the record it changes.",
            field="If-Match",
            remedy="Read the record, and send its ETag in the If-Match header.",
        )
        error.status = status.HTTP_428_PRECONDITION_REQUIRED
        error.title = "If-Match is required"
        raise error
    if sent.strip() != "*" and etag(instance) not in [part.strip() for part in sent.split(",")]:
        raise ChangedMeanwhile(
            "The record is no longer as you read it.",
            field="If-Match",
            value=sent,
            remedy="Read it again and repeat the change.",
        )


def _key(request: Request) -> dict[str, Any]:
    key = request.headers.get("Idempotency-Key", "").strip()
    if not key or len(key) > 100:
        raise InvalidInput(
            "This post needs an Idempotency-Key header of 1 to 100 characters.",
            field="Idempotency-Key",
            value=key,
            remedy="Send a fresh random key with each new request, and the same key with its retries.",
        )
    assert isinstance(request.user, User)  # the view's right saw to it
    return {
        "key": key,
        "by": request.user,
        "content": [request.method, request.path, request.data],
        "field": "Idempotency-Key",
        "said": "This Idempotency-Key was used for a different request.",
        "remedy": "Send a fresh key.",
    }


def _as_before(row: IdempotencyKey) -> Response:
    assert row.status is not None
    return Response(row.answer, status=row.status, headers={"Idempotency-Replayed": "true"})


@again
def once(request: Request, act: Callable[[], tuple[int, Mapping[str, Any]]]) -> Response:
    """Carry out a post at most once for its Idempotency-Key, and answer a retry as the first time.

    The key's row and the action are one transaction: a retry that arrives meanwhile waits on the unique
    index, then reads the finished answer; an action that fails leaves no key behind.
    """
    asked = _key(request)
    with transaction.atomic():
        row, fresh = claim(**asked)
        if not fresh:
            return _as_before(row)
        code, answer = act()
        answered(row, code, dict(answer))
    return Response(row.answer, status=code)


@again
def once_in_one(
    request: Request, act: Callable[[Claim], tuple[int, Mapping[str, Any]] | None]
) -> Response:
    """As `once`, for an action that writes the claim down in the one statement that acts, and gives None when the key
    was known already. What is wrong with the request counts only if the key is not known."""
    asked = claim_of(**_key(request))
    try:
        done = act(asked)
    except (ZonewrightError, APIException):
        row = asked.earlier()
        if row is None:
            raise
        return _as_before(row)
    if done is None:
        row = asked.earlier()
        assert row is not None
        return _as_before(row)
    return Response(done[1], status=done[0])
