"""What a parcel does to the ledger: goods with the promises made on them, from one place to the next.

A reservation goes with its goods, so that what a visit was promised stays promised on the way and in the van: it is
closed, the goods move, and it is opened at their new place, all in one transaction that holds both balances.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from config.accounts.models import User
from stock.models import Balance, Item, Location, Reservation, Serial, TransferLine
from stock.services.ledger import post_movement

Promised = dict[int, list[Reservation]]


@dataclass(frozen=True)
class Goods:
    """Some of one line of a transfer: a quantity, or as many numbered pieces."""

    line: TransferLine
    quantity: int
    serials: Sequence[Serial] = field(default=())


def transit_place() -> Location:
    """The one place of everything that is on the way; made when it is needed for the first time."""
    found = Location.objects.filter(kind=Location.Kind.TRANSIT).order_by("pk").first()
    if found is not None:
        return found
    return Location.objects.get_or_create(
        code="on-the-way", defaults={"name": "On the way", "kind": Location.Kind.TRANSIT}
    )[0]


def lock_goods(
    goods: Sequence[Goods], *, lines: Iterable[TransferLine], source: Location, destination: Location
) -> Promised:
    """Lock reservations, serials and balances, in the ledger's order of locks.

    `lines` are all lines of the transfer: any of them may name reservations that travel with it. Returns those that
    are open at the source, by item, soonest needed first.
    """
    items = {part.line.item_id for part in goods}
    named = [
        note["reservation"] for line in lines if line.item_id in items
        for note in line.reasons if note.get("reservation")
    ]
    rows = Reservation.objects.select_for_update(no_key=True).filter(pk__in=named).order_by("pk")
    promised: Promised = defaultdict(list)
    for row in rows:
        if row.state == Reservation.State.OPEN and row.location_id == source.pk:
            promised[row.item_id].append(row)
    for found in promised.values():
        found.sort(key=lambda reservation: (reservation.needed_on, reservation.pk))
    keys = [serial.pk for part in goods for serial in part.serials]
    list(Serial.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk").values("pk"))
    balances = Balance.objects.filter(item_id__in=items, location__in=(source, destination))
    list(balances.select_for_update(no_key=True).order_by("item_id", "location_id").values("pk"))
    return promised


def carry(
    goods: Goods,
    *,
    source: Location,
    destination: Location,
    kind: str,
    by: User,
    promised: Promised,
    note: str = "",
    at: datetime | None = None,
) -> None:
    """Move goods, and with them the promises made on them as far as the quantity goes.

    For a transaction that has called `lock_goods`. Takes what has moved out of `promised`. Raises what post_movement
    raises.
    """
    item = goods.line.item
    moved = _close_for(promised[item.pk], goods.quantity, goods.line)
    pieces: list[Serial | None] = [*sorted(goods.serials, key=lambda s: s.pk)] or [None]
    for serial in pieces:
        post_movement(
            item, quantity=1 if serial else goods.quantity, source=source, destination=destination, kind=kind, by=by,
            serial=serial, batch=goods.line.batch if item.tracking == Item.Tracking.BATCH else "",
            reference=goods.line.transfer.number, note=note, at=at,
        )
    # A promise that could be met from an order is met from these pieces now.
    Reservation.objects.filter(pk__in=moved).update(location=destination, state=Reservation.State.OPEN, ahead=False)


def _close_for(promised: list[Reservation], quantity: int, line: TransferLine) -> list[int]:
    """Close reservations up to a quantity; one that is larger than what is left of it is split, and the rest stays."""
    moved: list[int] = []
    left = quantity
    while promised and left > 0:
        reservation = promised.pop(0)
        if reservation.quantity > left:
            stays = Reservation(
                item_id=reservation.item_id, location_id=reservation.location_id, ahead=reservation.ahead,
                quantity=reservation.quantity - left, needed_on=reservation.needed_on,
                reference=reservation.reference, made_by_id=reservation.made_by_id, made_at=reservation.made_at,
            )
            Reservation.objects.filter(pk=reservation.pk).update(quantity=left)
            reservation.quantity = left
            stays.save()
            promised.insert(0, stays)
            # Named on the line, so that it may follow with what comes later.
            line.reasons = [*line.reasons, {"kind": "rest", "text": "", "quantity": 0, "reservation": stays.pk}]
            line.save(update_fields=["reasons"])
        left -= reservation.quantity
        moved.append(reservation.pk)
    Reservation.objects.filter(pk__in=moved).update(state=Reservation.State.RELEASED)
    return moved


def release_beyond(promised: Sequence[Reservation], *, left: int) -> list[Reservation]:
    """Give back promises on goods that are lost, the latest needed first: `left` pieces remain to keep them.

    Returns those that were given back, in part or whole.
    """
    gone: list[Reservation] = []
    for reservation in promised:
        excess = max(0, reservation.quantity - left)
        left = max(0, left - reservation.quantity)
        if excess == 0:
            continue
        rows = Reservation.objects.filter(pk=reservation.pk)
        if excess == reservation.quantity:
            rows.update(state=Reservation.State.RELEASED)
        else:
            rows.update(quantity=reservation.quantity - excess)
        gone.append(reservation)
    return gone
