"""A page's form posted twice (double click, back button) acts once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar, cast

from django.apps import apps
from django.db import models, transaction

from config.accounts.models import User
from config.again import again
from config.idempotency import answered, claim

Made = TypeVar("Made", bound=models.Model)


@again
@transaction.atomic
def post_once(
    act: Callable[[], Made], *, by: User, token: str, content: Mapping[str, object]
) -> tuple[Made, bool]:
    """Carry out a posting at most once for the form's hidden token.

    Returns the record made (a movement, an order, a count) and whether it is fresh. The token's row and the record
    are one transaction: a second click that arrives meanwhile waits on the unique index and gets the first one's.
    A refused posting leaves no token behind, so the form can be mended and sent again. Raises KeyReused when the
    token comes back with other content.
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
        model = apps.get_model(str(row.answer["model"]))
        return cast("Made", model._default_manager.get(pk=row.answer["pk"])), False
    made = act()
    answered(row, 201, {"model": made._meta.label, "pk": made.pk})
    return made, True
