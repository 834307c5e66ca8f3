"""The short codes on labels: a letter for the kind of thing, and its number; a QR label has them in an address."""

from __future__ import annotations

import re
from dataclasses import dataclass

KINDS = {"i": "item", "s": "serial", "l": "location", "t": "transfer", "o": "order", "c": "count"}
_LETTERS = {kind: letter for letter, kind in KINDS.items()}
# The code alone, or at the end of an address that ends in /stock/scan/<code>/.
_CODE = re.compile(r"(?:^|/scan/)([a-z])-([1-9]\d{0,17})/?$")


@dataclass(frozen=True)
class Code:
    """What a label stands for: kind ("item", "serial", "location", "transfer", "order", "count") and number."""

    kind: str
    number: int


def code_of(kind: str, number: int) -> str:
    """The code of a record, for example "s-1204". Raises KeyError for a kind that has no labels."""
    return f"{_LETTERS[kind]}-{number}"


def read_code(text: str) -> Code | None:
    """What a scanned or typed text stands for; None for what is no code (it may be a serial or stock number)."""
    found = _CODE.search(text.strip().lower())
    if found is None or found.group(1) not in KINDS:
        return None
    return Code(KINDS[found.group(1)], int(found.group(2)))
