"""Keyset pages: the next page starts after the last row's sort values, so page 10,000 costs as much as page 1.

No total is counted: on a large list the count alone costs more than the page.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Generic, TypeVar

from django.core.serializers.json import DjangoJSONEncoder
from django.db import DataError
from django.db.models import BooleanField, F, Func, Q, QuerySet, Value

from config.errors import InvalidInput

Row = TypeVar("Row")


@dataclass(frozen=True)
class KeysetPage(Generic[Row]):
    rows: list[Row]
    next_cursor: str | None
    first: bool


class _Exact(DjangoJSONEncoder):
    """Django's own encoder cuts times to milliseconds, and rows between two of them would be lost."""

    def default(self, value: Any) -> Any:
        return value.isoformat() if isinstance(value, datetime) else super().default(value)


def write_cursor(values: Sequence[Any]) -> str:
    """The cursor of the page that begins after a row with these sort values."""
    return base64.urlsafe_b64encode(json.dumps(list(values), cls=_Exact).encode()).decode().rstrip("=")


def read_cursor(cursor: str, length: int) -> list[Any]:
    """The sort values in a cursor. Raises InvalidInput for one that no list of so many values gave."""
    try:
        values = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        if not isinstance(values, list) or len(values) != length:
            raise ValueError
        for value in values:
            # What no database text can hold: a NUL, or half a surrogate pair (encode raises ValueError).
            if isinstance(value, (list, dict)) or (isinstance(value, str) and b"\0" in value.encode()):
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


class _RowAfter(Func):
    """`(a, b) > (x, y)`: unlike the same written with OR, one range of an index."""

    output_field = BooleanField()
    conditional = True

    def __init__(self, names: Sequence[str], values: Sequence[Any], sign: str) -> None:
        self.sign = sign
        super().__init__(*[F(name) for name in names], *[Value(value) for value in values])

    def as_sql(self, compiler: Any, connection: Any, **_: Any) -> tuple[str, Any]:  # type: ignore[override]
        parts = [compiler.compile(part) for part in self.source_expressions]
        half = len(parts) // 2
        left, right = (", ".join(sql for sql, _ in side) for side in (parts[:half], parts[half:]))
        return f"({left}) {self.sign} ({right})", [value for _, values in parts for value in values]


def _after(order: Sequence[str], values: Sequence[Any]) -> Q | _RowAfter:
    names = [name.lstrip("-") for name in order]
    falling = {name.startswith("-") for name in order}
    if len(falling) == 1:
        return _RowAfter(names, values, "<" if falling.pop() else ">")
    after = Q()
    equal = Q()
    for name, value, direction in zip(names, values, order, strict=True):
        after |= equal & Q(**{f"{name}__{'lt' if direction.startswith('-') else 'gt'}": value})
        equal &= Q(**{name: value})
    return after


def page(queryset: QuerySet[Any, Row], order: Sequence[str], *, cursor: str | None, size: int) -> KeysetPage[Row]:
    """One page of the queryset in one statement.

    `order` names non-null fields or annotations, '-' for descending; the last must be unique. Raises
    InvalidInput for a cursor that this list did not give.
    """
    names = [name.lstrip("-") for name in order]
    if cursor:
        queryset = queryset.filter(_after(order, read_cursor(cursor, len(names))))
    try:
        rows = list(queryset.order_by(*order)[: size + 1])
    except (DataError, ValueError, TypeError):
        if not cursor:
            raise
        raise InvalidInput(
            "The cursor does not suit this list.",
            field="cursor",
            value=cursor,
            remedy="Start again from the first page.",
        ) from None
    more = len(rows) > size
    rows = rows[:size]
    last = rows[-1] if more else None
    return KeysetPage(
        rows=rows,
        next_cursor=write_cursor([_value(last, name) for name in names]) if last is not None else None,
        first=not cursor,
    )
