"""POST /api/movements/ for the ordinary posting: few statements and little to build, since this is what scanners and
the firm's other programs send by the thousand. Whatever is out of the ordinary goes through the serializer."""

from __future__ import annotations

from typing import Any

from django.utils import timezone
from rest_framework import serializers

from config.accounts.models import User
from stock.models import Movement
from stock.queries.posting import ends_of_posting
from stock.services.ledger import MOST_AT_ONCE
from stock.services.many import MOST

_AT = serializers.DateTimeField()
_KINDS = frozenset(Movement.Kind.values)
_WORDS = {"batch": 40, "reference": 60, "note": 200}
_KNOWN = frozenset({"item", "quantity", "source", "destination", "kind", "serial", "at", *_WORDS})
_LARGEST_KEY = 2**63 - 1


def ordinary_movement(data: object, by: User) -> Movement | None:
    """The movement that a clean body without a serial asks for, not saved yet; None when the serializer must look at
    it. One statement."""
    if not isinstance(data, dict) or data.get("serial") is not None or data.get("at") is not None:
        return None
    keys = [data.get(name) for name in ("item", "source", "destination")]
    quantity, kind = data.get("quantity"), data.get("kind")
    words = {name: data.get(name, "") for name in _WORDS}
    if not (
        _KNOWN.issuperset(data)
        and all(type(key) is int and 0 < key <= _LARGEST_KEY for key in keys)
        and type(quantity) is int and 1 <= quantity <= MOST_AT_ONCE
        and type(kind) is str and kind in _KINDS
        and all(_clean(word, _WORDS[name]) for name, word in words.items())
    ):
        return None
    found = ends_of_posting(by, item=data["item"], source=data["source"], destination=data["destination"])
    if found is None:
        return None
    item, source, destination = found
    return Movement(item=item, source=source, destination=destination, quantity=quantity, kind=kind, posted_by=by,
                    at=timezone.now(), **words)


def _clean(word: object, longest: int) -> bool:
    """Whether the serializer would take the text as it is."""
    return type(word) is str and len(word) <= longest and (word == "" or (word.isprintable() and word == word.strip()))


def answer(movement: Movement) -> dict[str, Any]:
    """What MovementSerializer says of a movement just made."""
    return {
        "id": movement.pk,
        "item": movement.item_id,
        "sku": movement.item.sku,
        "quantity": movement.quantity,
        "source": movement.source_id,
        "source_name": movement.source.name,
        "destination": movement.destination_id,
        "destination_name": movement.destination.name,
        "serial": movement.serial_id,
        "serial_number": movement.serial.number if movement.serial else None,
        "batch": movement.batch,
        "kind": movement.kind,
        "at": _AT.to_representation(movement.at),
        "posted_by": movement.posted_by.name if movement.posted_by else None,
        "reference": movement.reference,
        "note": movement.note,
        "corrects": None,
        "corrected_by": None,
    }


class ManyRowSerializer(serializers.Serializer[Any]):
    """One movement of many; item, places and serial by their keys."""

    item = serializers.IntegerField(min_value=1, max_value=_LARGEST_KEY)
    quantity = serializers.IntegerField(min_value=1, max_value=MOST_AT_ONCE)
    source = serializers.IntegerField(min_value=1, max_value=_LARGEST_KEY)  # type: ignore[assignment]
    destination = serializers.IntegerField(min_value=1, max_value=_LARGEST_KEY)
    kind = serializers.ChoiceField(choices=Movement.Kind.choices)
    serial = serializers.IntegerField(
        min_value=1, max_value=_LARGEST_KEY, required=False, allow_null=True, default=None
    )
    batch = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    reference = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    at = serializers.DateTimeField(required=False, allow_null=True, default=None, help_text="default: now")


class ManyMovementsSerializer(serializers.Serializer[Any]):
    movements = ManyRowSerializer(many=True, allow_empty=False, max_length=MOST)  # type: ignore[call-arg]


class ManyPostedSerializer(serializers.Serializer[Any]):
    ids = serializers.ListField(child=serializers.IntegerField(), help_text="of the movements, in the order sent")
