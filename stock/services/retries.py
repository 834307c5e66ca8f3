"""A page's form posted twice (double click, back button) acts once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping

from django.db import transaction

from config.accounts.models import IdempotencyKey, User
from config.errors import KeyReused
from stock.models import Movement


@transaction.atomic
def post_once(
    act: Callable[[], Movement], *, by: User, token: str, content: Mapping[str, object]
) -> tuple[Movement, bool]:
    """Carry out a posting at most once for the form's hidden token.

    Returns the movement and whether it is fresh. The token's row and the movement are one transaction: a second
    click that arrives meanwhile waits on the unique index and gets the first one's movement. A refused posting
    leaves no token behind, so the form can be mended and sent again. Raises KeyReused when the token comes back
    with other content.
    """
    fingerprint = hashlib.sha256(repr(sorted((k, str(v)) for k, v in content.items())).encode()).hexdigest()
    row, fresh = IdempotencyKey.objects.get_or_create(
        user=by, key=f"page:{token}", defaults={"request_hash": fingerprint}
    )
    if not fresh:
        if row.request_hash != fingerprint:
            raise KeyReused("This form was posted already with other values.", field="token", value=token,
                            remedy="Open the item again and fill in a fresh form.")
        assert row.answer is not None
        return Movement.objects.get(pk=row.answer["movement"]), False
    movement = act()
    row.status, row.answer = 201, {"movement": movement.pk}
    row.save(update_fields=["status", "answer"])
    return movement, True
