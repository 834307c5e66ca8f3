"""Keyset pages: the next page starts after the last row's sort values, so page 10,000 costs as much as page 1.

No total is counted: on a large list the count alone costs more than the page.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.core.serializers.json import DjangoJSONEncoder
from django.db.models import Q, QuerySet

from config.errors import InvalidInput

Row = TypeVar("Row")


@dataclass(frozen=True)
class KeysetPage(Generic[Row]):
    rows: list[Row]
    next_cursor: str | None
    first: bool


def _encode(values: Sequence[Any]) -> str:
    return base64.urlsafe_b64encode(json.dumps(list(values), cls=DjangoJSONEncoder).encode()).decode().rstrip("=")


def _decode(cursor: str, length: int) -> list[Any]:
    try:
        values = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        if not isinstance(values, list) or len(values) != length:
            raise ValueError
    except (ValueError, binascii.Error):
        raise InvalidInput(
            f"The cursor {cursor!r} is not one that this list gave.",
            field="cursor",
            value=cursor,
            remedy="Start again from the first page.",
        ) from None
    return values


def _value(row: Any, name: str) -> Any:
    if isinstance(row, dict):
        return row[name]
    for part in name.split("__"):
        row = getattr(row, part)
    return row


def page(queryset: QuerySet[Any, Row], order: Sequence[str], *, cursor: str | None, size: int) -> KeysetPage[Row]:
    """One page of the queryset in one statement.

    `order` names non-null fields or annotations, '-' for descending; the last must be unique. Raises
    InvalidInput for a cursor that this list did not give.
    """
    names = [name.lstrip("-") for name in order]
    if cursor:
        values = _decode(cursor, len(names))
        after = Q()
        equal = Q()
        for name, value, direction in zip(names, values, order, strict=True):
            beyond = "lt" if direction.startswith("-") else "gt"
            after |= equal & Q(**{f"{name}__{beyond}": value})
            equal &= Q(**{name: value})
        try:
            queryset = queryset.filter(after)
        except (ValueError, TypeError):
            raise InvalidInput("The cursor does not suit this list.", field="cursor", value=cursor,
                               remedy="Start again from the first page.") from None
    rows = list(queryset.order_by(*order)[: size + 1])
    more = len(rows) > size
    rows = rows[:size]
    last = rows[-1] if more else None
    return KeysetPage(
        rows=rows,
        next_cursor=_encode([_value(last, name) for name in names]) if last is not None else None,
        first=not cursor,
    )
