"""Records of models from hand-written joins, for the few statements that are asked so often that putting a queryset
together costs more than the database's answer."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, TypeVar

from django.db import connection, models

Record = TypeVar("Record", bound=models.Model)


@cache
def _names(model: type[models.Model]) -> tuple[str, ...]:
    return tuple(field.attname for field in model._meta.concrete_fields)


def columns(model: type[models.Model], alias: str) -> str:
    """All columns of a model's table under that alias, for a SELECT."""
    quoted = (connection.ops.quote_name(str(field.column)) for field in model._meta.concrete_fields)
    return ", ".join(f"{alias}.{column}" for column in quoted)


def record(model: type[Record], row: Sequence[Any], first: int = 0) -> tuple[Record, int]:
    """The record whose columns begin at `first` in a row; and where the next one's begin."""
    names = _names(model)
    end = first + len(names)
    return model.from_db(connection.alias, names, row[first:end]), end
