"""One scan into a transfer: on a pick list it is picked, from a parcel on the way it has arrived."""

from __future__ import annotations

from datetime import date

from django.db import transaction

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from stock.models import BatchBalance, Item, Serial, Transfer, TransferLine
from stock.queries.top_up import top_up_rounds
from stock.queries.transfers import scanned
from stock.services.transfers import confirm, pick


@transaction.atomic
def scan_into(transfer: Transfer, text: str, *, by: User, version: int | None, quantity: int = 1) -> Transfer:
    """Pick or confirm what the text stands for: a piece by its number or label, or a quantity of an item.

    Raises InvalidInput for a text that means nothing here, a piece's item without its number, or a batch that is not
    clear; and what picking and confirming raise.
    """
    item, serial = scanned(transfer, text)
    if item is None:
        raise InvalidInput(f"{text.strip()!r} is no stock number, serial number or label that is known.",
                           field="scan", value=text, remedy="Compare it with the label, or type it.")
    if serial is None and item.tracking == Item.Tracking.SERIAL:
        raise InvalidInput(f"{item.sku} is tracked by serial number.", field="scan", value=text,
                           remedy="Scan the number of the piece itself.")
    if quantity < 1:
        raise InvalidInput("The quantity must be at least 1.", field="quantity", value=quantity,
                           remedy="Write a whole number.")
    lines = list(transfer.lines.filter(item=item).order_by("pk"))
    if not lines:
        raise Conflict(f"{item.sku} {item.name} is not on {transfer.number}.", field="scan", value=text,
                       remedy="Put it back, or add the item to the list first.")
    if transfer.state == Transfer.State.TO_PICK:
        return _scan_picked(transfer, item, serial, lines, by=by, version=version, quantity=quantity)
    if serial is not None:
        return confirm(transfer, by=by, version=version, serials=[serial])
    still_open = [line for line in lines if line.sent > line.arrived + line.settled]
    if len(still_open) > 1:
        raise InvalidInput(f"{item.sku} is in the parcel in {len(still_open)} batches.", field="scan", value=text,
                           remedy="Write on its lines how much of each batch has come.")
    line = still_open[0] if still_open else lines[0]
    return confirm(transfer, by=by, version=version, quantities={line.pk: quantity})


def _scan_picked(
    transfer: Transfer, item: Item, serial: Serial | None, lines: list[TransferLine], *, by: User,
    version: int | None, quantity: int,
) -> Transfer:
    line = lines[0]
    if serial is not None:
        had = list(Serial.objects.filter(pk__in=line.pieces.values("serial")))
        if serial in had:
            raise Conflict(f"Serial {serial.number} is picked already.", field="scan", value=serial.number,
                           remedy="Scan the next piece.")
        return pick(transfer, line.pk, by=by, version=version, serials=[*had, serial],
                    short_reason=_short_reason(line))
    batch = line.batch
    if item.tracking == Item.Tracking.BATCH and not batch:
        held = BatchBalance.objects.filter(location=transfer.source_id, item=item, on_hand__gt=0)
        batches = list(held.values_list("batch", flat=True)[:2])
        if len(batches) != 1:
            raise InvalidInput(f"{item.sku} lies there in more than one batch." if batches
                               else f"{transfer.source} holds no batch of {item.sku}.", field="scan", value=item.sku,
                               remedy="Write the batch and the quantity on its line.")
        batch = batches[0]
    return pick(transfer, line.pk, by=by, version=version, quantity=line.sent + quantity, batch=batch,
                short_reason=_short_reason(line))


def _short_reason(line: TransferLine) -> str:
    return " ".join(str(note["text"]) for note in line.reasons if note.get("kind") == "short")


@transaction.atomic
def scan_into_round(text: str, *, by: User, day: date, quantity: int = 1) -> Transfer:
    """Pick what was scanned on the walk for all vans: for the first van, in order of its name, that still lacks it.

    Raises Conflict when no list of that evening lacks it; and what `scan_into` raises.
    """
    lacking: list[Transfer] = []
    for each in top_up_rounds(by, day=day):
        if not each.walk:
            continue
        # What a text means on a list depends on its store alone.
        item, _ = scanned(each.walk[0][0], text)
        lacking += [transfer for transfer, line in each.walk if item and line.item_id == item.pk and line.to_go > 0]
    if not lacking:
        raise Conflict(f"No van on this round still lacks {text.strip()!r}.", field="scan", value=text,
                       remedy="Look at the lists below; what is picked already is ticked.")
    first = min(lacking, key=lambda transfer: (transfer.destination.name, transfer.pk))
    return scan_into(first, text, by=by, version=first.version, quantity=quantity)
