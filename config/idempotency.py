"""A request that was carried out already changes nothing: one claim for the REST interface and for page forms."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from django.db import connection
from django.utils import timezone

from config.accounts.models import IdempotencyKey, User
from config.errors import KeyReused

_CLAIM = """
    INSERT INTO accounts_idempotencykey (user_id, key, request_hash, at) VALUES (%s, %s, %s, %s)
    ON CONFLICT (user_id, key) DO NOTHING RETURNING id
"""


@dataclass(frozen=True)
class Claim:
    """A key with what was asked under it, not yet written down; `said` and `remedy` are the caller's words for a key
    that came with other content."""

    by: User
    key: str
    fingerprint: str
    field: str
    said: str
    remedy: str
    shown: str

    def earlier(self) -> IdempotencyKey | None:
        """What was carried out under the key before. One statement. Raises KeyReused for other content."""
        row = IdempotencyKey.objects.filter(user=self.by, key=self.key).first()
        if row is not None and row.request_hash != self.fingerprint:
            raise KeyReused(self.said, field=self.field, value=self.shown, remedy=self.remedy)
        return row


def claim_of(
    key: str, *, by: User, content: object, field: str, said: str, remedy: str, space: str = ""
) -> Claim:
    """A claim of a key for `content`; no statement. `space` keeps the keys of page forms apart from those that
    clients choose."""
    fingerprint = hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()
    # Cut to the column; two keys that differ beyond it are still told apart by their content.
    return Claim(by, f"{space}{key}"[:100], fingerprint, field, said, remedy, key)


def claim(
    key: str, *, by: User, content: object, field: str, said: str, remedy: str, space: str = ""
) -> tuple[IdempotencyKey, bool]:
    """Claim a key for `content` within the caller's transaction; returns its row and whether it is fresh. One
    statement for a fresh key, two for a known one.

    A second request that arrives meanwhile waits here on the unique index until the first has ended; one that
    fails leaves no key behind. Raises KeyReused, with the caller's words, when the key came with other content.
    """
    asked = claim_of(key, by=by, content=content, field=field, said=said, remedy=remedy, space=space)
    at = timezone.now()
    with connection.cursor() as cursor:
        cursor.execute(_CLAIM, [by.pk, asked.key, asked.fingerprint, at])
        made = cursor.fetchone()
    if made is not None:
        return IdempotencyKey(pk=made[0], user=by, key=asked.key, request_hash=asked.fingerprint, at=at), True
    row = asked.earlier()
    assert row is not None  # keys are not deleted while their request may come again
    return row, False


def answered(row: IdempotencyKey, status: int, answer: dict[str, object]) -> None:
    """Keep what a retry is to be told. One statement."""
    IdempotencyKey.objects.filter(pk=row.pk).update(status=status, answer=answer)
    row.status, row.answer = status, answer
