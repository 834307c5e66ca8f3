"""Differences of transfers: what was sent and did not arrive stays on the way until the stores settle it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from enum import StrEnum

from django.db import transaction
from django.utils import timezone

from config.accounts.models import User
from config.again import again
from config.errors import Conflict, InvalidInput, NotAllowed
from stock.models import Location, Movement, Serial, Transfer, TransferLine
from stock.queries.transfer_people import refusal_to_settle
from stock.services.parcels import Goods, carry, lock_goods, release_beyond, transit_place
from stock.services.transfers import arriving, bring, changed, line_in, lines_of, locked, still_open


class Settling(StrEnum):
    """What became of goods that did not arrive."""

    FOUND = "found"
    BACK = "back"
    LOST = "lost"


SETTLED = {
    Settling.FOUND: "Found, arrived later",
    Settling.BACK: "Back at the source",
    Settling.LOST: "Written off",
}


@again
@transaction.atomic
def settle(
    transfer: Transfer,
    line_id: int,
    *,
    how: Settling,
    by: User,
    version: int | None,
    quantity: int | None = None,
    serials: Collection[Serial] = (),
    reason: str = "",
) -> Transfer:
    """Settle what did not arrive: found (it reached its destination later), back at the source, or lost.

    Lost goods are written off and need a reason; promises made on them are given back, as far as what remains on the
    way cannot keep them. Raises Conflict, InvalidInput, NotAllowed, ChangedMeanwhile.
    """
    now = locked(transfer, version, (Transfer.State.CONFIRMED,), "settled")
    if refusal := refusal_to_settle(by, now):
        raise NotAllowed(refusal, field="transfer", value=now.number, remedy="Ask the stores of the branch.")
    if how == Settling.LOST and not reason.strip():
        raise InvalidInput("Writing off needs a reason.", field="reason", remedy="Write what is known about it.")
    lines = lines_of(now)
    line = line_in(lines, line_id, now)
    goods = arriving(now, lines, {} if serials else {line.pk: quantity or 0}, serials)
    if [part.line.pk for part in goods] != [line.pk]:
        raise InvalidInput("Say how much is settled, or which pieces.", field="quantity", value=quantity,
                           remedy="Write a whole number, or choose the pieces.")
    if how == Settling.LOST:
        _write_off(now, goods[0], lines, by=by, reason=reason.strip()[:200])
    else:
        bring(now, goods, lines, to=now.destination if how == Settling.FOUND else now.source, by=by,
               note=reason.strip()[:200] or SETTLED[how])
    line.settled += goods[0].quantity
    line.pieces.filter(serial__in=goods[0].serials).update(settled=True)
    line.reasons = [*line.reasons, {
        "kind": "settled", "quantity": goods[0].quantity, "by": by.name,
        "text": f"{SETTLED[how]}{': ' if reason.strip() else ''}{reason.strip()[:200]}",
        "at": timezone.localdate().isoformat(),
    }]
    line.save(update_fields=["settled", "reasons"])
    return changed(now)


def _write_off(
    transfer: Transfer, goods: Goods, lines: Mapping[int, TransferLine], *, by: User, reason: str
) -> None:
    scrap = Location.objects.filter(kind=Location.Kind.SCRAP).order_by("pk").first()
    if scrap is None:
        raise Conflict("There is no place for scrap.", field="destination", remedy="Add one in the catalogue.")
    on_the_way = transit_place()
    promised = lock_goods([goods], lines=lines.values(), source=on_the_way, destination=scrap)
    item = goods.line.item_id
    left = sum(still_open(line) for line in lines.values() if line.item_id == item) - goods.quantity
    release_beyond(promised[item], left=left)
    promised[item] = []
    carry(goods, source=on_the_way, destination=scrap, kind=Movement.Kind.WRITE_OFF, by=by, promised=promised,
          note=reason)
