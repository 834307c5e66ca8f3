"""Edits of the catalogue."""

from __future__ import annotations

from typing import Any, TypeVar

from jsonschema import Draft202012Validator
from jsonschema.exceptions import SchemaError, ValidationError

from config.accounts.models import User
from config.errors import InvalidInput
from stock.models import Item, Variant
from stock.services.refusals import Posting, explained

Entry = TypeVar("Entry", Item, Variant)


def change_entry(entry: Entry, *, changes: dict[str, Any], by: User | None) -> Entry:
    """Set the named fields of an item or variant.

    Raises InvalidInput for a settings schema that is not JSON Schema 2020-12, factory settings that the schema
    refuses or a variant that follows itself; InvalidInput or Conflict when a constraint refuses.
    """
    for name, value in changes.items():
        setattr(entry, name, value)
    if isinstance(entry, Variant):
        check_variant(entry)
    asked = Posting(item=entry if isinstance(entry, Item) else entry.cover, number=str(changes.get("sku", "")))
    with explained(asked):
        if changes:
            entry.save(update_fields=list(changes))
    entry.refresh_from_db()
    return entry


def check_variant(variant: Variant) -> None:
    """Raises InvalidInput for a variant whose settings schema or factory settings do not hold together."""
    if variant.successor_id == variant.pk:
        raise InvalidInput(f"{variant.code} cannot be its own successor.", field="successor", value=variant.code,
                           remedy="Name another variant, or none.")
    try:
        Draft202012Validator.check_schema(variant.settings_schema)
    except SchemaError as error:
        raise InvalidInput(
            f"The settings schema of {variant.code} is not JSON Schema 2020-12: {error.message}.",
            field="settings_schema", value=error.json_path, remedy="Mend the schema at that place.",
        ) from None
    try:
        Draft202012Validator(variant.settings_schema).validate(variant.factory_settings)
    except ValidationError as error:
        raise InvalidInput(
            f"The factory settings of {variant.code} do not fit its settings schema: {error.message}.",
            field="factory_settings", value=error.json_path, remedy="Change the factory settings or the schema.",
        ) from None
