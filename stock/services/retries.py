"""A page's form posted twice (double click, back button) acts once."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from django.db import transaction

from config.accounts.models import User
from config.idempotency import answered, claim
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
    row, fresh = claim(
        token,
        space="page:",
        by=by,
        content={name: str(value) for name, value in content.items()},
        field="token",
        said="This form was posted already with other values.",
        remedy="Open the item again and fill in a fresh form.",
    )
    if not fresh:
        assert row.answer is not None
        return Movement.objects.get(pk=row.answer["movement"]), False
    movement = act()
    answered(row, 201, {"movement": movement.pk})
    return movement, True
