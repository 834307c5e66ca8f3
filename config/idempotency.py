"""A request that was carried out already changes nothing: one claim for the REST interface and for page forms."""

from __future__ import annotations

import hashlib
import json

from config.accounts.models import IdempotencyKey, User
from config.errors import KeyReused


def claim(
    key: str, *, by: User, content: object, field: str, said: str, remedy: str, space: str = ""
) -> tuple[IdempotencyKey, bool]:
    """Claim a key for `content` within the caller's transaction; returns its row and whether it is fresh.

    A second request that arrives meanwhile waits here on the unique index until the first has ended; one that
    fails leaves no key behind. `space` keeps the keys of page forms apart from those that clients choose. Raises
    KeyReused, with the caller's words, when the key came with other content.
    """
    fingerprint = hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()
    row, fresh = IdempotencyKey.objects.get_or_create(
        # Cut to the column; two keys that differ beyond it are still told apart by their content.
        user=by, key=f"{space}{key}"[:100], defaults={"request_hash": fingerprint}
    )
    if not fresh and row.request_hash != fingerprint:
        raise KeyReused(said, field=field, value=key, remedy=remedy)
    return row, fresh


def answered(row: IdempotencyKey, status: int, answer: dict[str, object]) -> None:
    """Keep what a retry is to be told."""
    row.status, row.answer = status, answer
    row.save(update_fields=["status", "answer"])
