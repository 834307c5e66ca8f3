"""What becomes of promises when their work takes parts, or ends without them."""

from __future__ import annotations

from collections.abc import Sequence

from django.db import transaction

from config.accounts.models import User
from stock.models import Item, Location, Reservation


@transaction.atomic
def take_from_reservations(item: Item, location: Location, *, references: Sequence[str], quantity: int) -> int:
    """Close what is promised to this work at a place, up to a quantity, so that it can leave; returns how much was.

    The caller posts the movement in the same transaction. Of one that is larger the rest stays promised. Rows are
    locked by key, before the balances (see stock/services/ledger.py).
    """
    left = quantity
    rows = Reservation.objects.select_for_update().filter(
        item=item, location=location, state=Reservation.State.OPEN, ahead=False, reference__in=references
    )
    for promise in rows.order_by("pk"):
        if left <= 0:
            break
        if promise.quantity > left:
            Reservation.objects.filter(pk=promise.pk).update(quantity=promise.quantity - left)
            left = 0
        else:
            Reservation.objects.filter(pk=promise.pk).update(state=Reservation.State.USED)
            left -= promise.quantity
    return quantity - left


@transaction.atomic
def release_for(reference: str, *, by: User | None) -> int:
    """Give back everything that is still promised to work that has ended; returns how many promises that were."""
    rows = Reservation.objects.select_for_update().filter(reference=reference, state=Reservation.State.OPEN)
    keys = [promise.pk for promise in rows.order_by("pk")]
    return Reservation.objects.filter(pk__in=keys).update(state=Reservation.State.RELEASED)
