"""Transfers: a pick list first, then a parcel on the way, then what the receiver says has come.

What is sent leaves its source for the place 'on the way' and stays there until it is confirmed or its difference is
settled, so at any time 'on the way' holds exactly sent less arrived less settled. Order of locks: the transfer, then
the ledger's (reservations, serials by key, balances by item and location). Every change counts the transfer's version
up; a caller passes the version it read, and of two people only the first gets through.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime

from django.db import connection, transaction
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from config.again import again
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, NotAllowed
from stock.models import Item, Location, Movement, Serial, Transfer, TransferLine, TransferPiece
from stock.queries.transfer_people import refusal_to_confirm, refusal_to_send
from stock.services.ledger import check_not_untested
from stock.services.parcels import Goods, carry, lock_goods, transit_place

State = Transfer.State
MOST_WANTED = 100_000


def make_transfer(
    *,
    source: Location,
    destination: Location,
    lines: Mapping[Item, int],
    by: User,
    note: str = "",
) -> Transfer:
    """Make a pick list: items and how much of each to bring from source to destination.

    Raises NotAllowed (an engineer brings back from the own van only), InvalidInput for places or quantities that
    cannot be used.
    """
    purpose = Transfer.Purpose.MOVE
    if source.kind == Location.Kind.VAN and destination.kind != Location.Kind.VAN:
        purpose = Transfer.Purpose.BRING_BACK
    if refusal := refusal_to_send(by, source):
        raise NotAllowed(refusal, field="source", value=source, remedy="Choose a place that you answer for.")
    if not by.has_right(Right.MOVE_STOCK) and (
        destination.kind == Location.Kind.VAN or destination.branch_id != source.branch_id
    ):
        raise NotAllowed("An engineer brings back to the stores of the own branch.", field="destination",
                         value=destination, remedy="Ask the stores to send it elsewhere.")
    check_not_untested(source, destination)
    if not lines:
        raise InvalidInput("A transfer needs at least one line.", field="lines",
                           remedy="Name an item and a quantity.")
    return new_transfer(
        source=source, destination=destination, purpose=purpose, by=by, note=note,
        lines=[(item, n, [{"kind": "asked", "text": "", "quantity": n}]) for item, n in lines.items()],
    )


@again
@transaction.atomic
def new_transfer(
    *,
    source: Location,
    destination: Location,
    purpose: str,
    lines: Sequence[tuple[Item, int, Sequence[Mapping[str, object]]]],
    by: User | None,
    note: str = "",
    for_day: date | None = None,
) -> Transfer:
    """Write a pick list with the next number. Lines: item, quantity, and why it is wanted."""
    for field, place in (("source", source), ("destination", destination)):
        if place.kind not in Location.PHYSICAL:
            raise InvalidInput(f"Stock at {place} is not counted, so nothing is transferred there.", field=field,
                               value=place, remedy="Choose a store, a van or a quarantine.")
    if source.pk == destination.pk:
        raise InvalidInput("A transfer cannot end where it starts.", field="destination", value=destination,
                           remedy="Choose another destination.")
    for item, quantity, _ in lines:
        _check_wanted(item, quantity, least=0 if for_day else 1)
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval(pg_get_serial_sequence('stock_transfer', 'id'))")
        (key,) = cursor.fetchone()
    transfer = Transfer.objects.create(
        pk=key, number=f"TR-{key:05}", source=source, destination=destination, purpose=purpose, made_by=by, note=note,
        for_day=for_day,
    )
    TransferLine.objects.bulk_create(
        TransferLine(transfer=transfer, item=item, wanted=quantity, reasons=list(notes))
        for item, quantity, notes in sorted(lines, key=lambda line: line[0].pk)
    )
    return transfer


def _check_wanted(item: Item, quantity: int, *, least: int = 1) -> None:
    if not least <= quantity <= MOST_WANTED:
        raise InvalidInput(f"{quantity} {item.unit} of {item.sku} cannot be asked for.", field="quantity",
                           value=quantity, remedy=f"Write a whole number from 1 to {MOST_WANTED:,}.")


def locked(transfer: Transfer, version: int | None, states: Collection[State], verb: str) -> Transfer:
    """The transfer as it stands, locked. Raises ChangedMeanwhile for another version, Conflict for another state."""
    now = (
        Transfer.objects.select_for_update(of=("self",), no_key=True)
        .select_related("source", "destination").get(pk=transfer.pk)
    )
    if version is not None and now.version != version:
        raise ChangedMeanwhile(
            f"Transfer {now.number} was changed by somebody else while you had it open.",
            field="version", value=version, remedy="Look at it as it is now, then go on from there.",
        )
    if now.state not in states:
        raise Conflict(
            f"Transfer {now.number} is {now.get_state_display().lower()}, so it cannot be {verb}.",
            field="transfer", value=now.number, remedy="Read it again.",
        )
    return now


def changed(transfer: Transfer, *fields: str) -> Transfer:
    transfer.version += 1
    transfer.save(update_fields=["version", *fields])
    return transfer


def lines_of(transfer: Transfer) -> dict[int, TransferLine]:
    found = TransferLine.objects.select_related("item").filter(transfer=transfer).order_by("item_id", "pk")
    lines = {line.pk: line for line in found}
    for line in lines.values():
        line.transfer = transfer
    return lines


def line_in(lines: Mapping[int, TransferLine], pk: int, transfer: Transfer) -> TransferLine:
    if pk not in lines:
        raise InvalidInput(f"Transfer {transfer.number} has no line {pk}.", field="line", value=pk,
                           remedy="Read the transfer again.")
    return lines[pk]


def _may_send(by: User, transfer: Transfer) -> None:
    if refusal := refusal_to_send(by, transfer.source):
        raise NotAllowed(refusal, field="source", value=transfer.source,
                         remedy="Ask somebody who answers for that place.")


@again
@transaction.atomic
def add_line(transfer: Transfer, item: Item, *, by: User, version: int | None) -> Transfer:
    """Put an item on a pick list that was not asked for: its wanted quantity is 0. Raises Conflict when it is there."""
    now = locked(transfer, version, (State.TO_PICK,), "added to")
    _may_send(by, now)
    if any(line.item_id == item.pk for line in lines_of(now).values()):
        raise Conflict(f"{item.sku} is on the list already.", field="item", value=item.sku,
                       remedy="Change what is picked on its line.")
    TransferLine.objects.create(transfer=now, item=item, wanted=0,
                                reasons=[{"kind": "asked", "text": "added while picking", "quantity": 0}])
    return changed(now)


@again
@transaction.atomic
def pick(
    transfer: Transfer,
    line_id: int,
    *,
    by: User,
    version: int | None,
    quantity: int | None = None,
    serials: Collection[Serial] = (),
    batch: str = "",
    short_reason: str = "",
) -> Transfer:
    """Say what was picked for one line, in place of what was said before.

    Of an item kept by serial number name the pieces; of one kept by batch the batch and its quantity (another batch
    than the line's becomes a line of its own). Less than wanted needs a reason before the parcel is sent. Raises
    ChangedMeanwhile, Conflict (sent already, a serial is not at the source), InvalidInput, NotAllowed.
    """
    now = locked(transfer, version, (State.TO_PICK,), "picked")
    _may_send(by, now)
    lines = lines_of(now)
    line = line_in(lines, line_id, now)
    item = line.item
    if item.tracking == Item.Tracking.SERIAL:
        _pick_pieces(line, serials, now)
    else:
        if serials:
            raise InvalidInput(f"{item.sku} is not tracked by serial number.", field="serials",
                               value=", ".join(s.number for s in serials), remedy="Write a quantity.")
        if quantity is None or not 0 <= quantity <= MOST_WANTED:
            raise InvalidInput(f"{quantity} cannot be picked of {item.sku}.", field="quantity", value=quantity,
                               remedy="Write how much was picked, 0 for none.")
        line = _line_of_batch(line, lines, batch.strip(), quantity)
        line.sent = quantity
    line.reasons = [note for note in line.reasons if note.get("kind") != "short"]
    if short_reason.strip():
        line.reasons.append({"kind": "short", "text": short_reason.strip()[:200], "quantity": 0})
    line.save(update_fields=["sent", "batch", "reasons"])
    return changed(now)


def _line_of_batch(line: TransferLine, lines: Mapping[int, TransferLine], batch: str, quantity: int) -> TransferLine:
    if line.item.tracking != Item.Tracking.BATCH:
        return line
    if not batch and quantity:
        raise InvalidInput(f"{line.item.sku} is tracked by batch, and none is named.", field="batch",
                           remedy="Write the batch number that is printed on the box.")
    if line.batch in {"", batch}:
        line.batch = batch or line.batch
        return line
    for other in lines.values():
        if other.item_id == line.item_id and other.batch == batch:
            return other
    return TransferLine.objects.create(
        transfer=line.transfer, item=line.item, batch=batch, wanted=0,
        reasons=[{"kind": "asked", "text": "another batch", "quantity": 0}],
    )


def _pick_pieces(line: TransferLine, serials: Collection[Serial], transfer: Transfer) -> None:
    now = list(Serial.objects.filter(pk__in=[s.pk for s in serials]).select_related("location"))
    for serial in now:
        if serial.item_id != line.item_id:
            raise InvalidInput(f"Serial {serial.number} belongs to another item than {line.item.sku}.",
                               field="serials", value=serial.number, remedy="Scan it on its own line.")
        if serial.location_id != transfer.source_id:
            where = f"is at {serial.location}" if serial.location else "has never been received"
            raise Conflict(f"Serial {serial.number} {where}, not at {transfer.source}.", field="serials",
                           value=serial.number, remedy="Take another piece, or move it there first.")
    elsewhere = TransferPiece.objects.filter(
        serial__in=now, line__transfer__state=State.TO_PICK
    ).exclude(line=line).select_related("line__transfer", "serial").first()
    if elsewhere is not None:
        raise Conflict(
            f"Serial {elsewhere.serial.number} is picked for {elsewhere.line.transfer.number}.", field="serials",
            value=elsewhere.serial.number, remedy="Take another piece, or take it off that list first.",
        )
    line.pieces.exclude(serial__in=now).delete()
    had = set(line.pieces.values_list("serial_id", flat=True))
    TransferPiece.objects.bulk_create(TransferPiece(line=line, serial=s) for s in now if s.pk not in had)
    line.sent = len(now)


@again
@transaction.atomic
def cancel_transfer(transfer: Transfer, *, by: User, version: int | None) -> Transfer:
    """Give a pick list up before anything was sent. Raises Conflict when the parcel is on its way already."""
    now = locked(transfer, version, (State.TO_PICK,), "cancelled")
    _may_send(by, now)
    TransferPiece.objects.filter(line__transfer=now).delete()
    now.lines.update(sent=0)
    now.state = State.CANCELLED
    return changed(now, "state")


@again
@transaction.atomic
def send(transfer: Transfer, *, by: User, version: int | None, at: datetime | None = None) -> Transfer:
    """Send what was picked: it leaves the source and is on the way, with the promises made on it. `at`: default now.

    Raises Conflict when nothing was picked, when less was picked than wanted and no reason is given, or when the
    source no longer has what was picked; ChangedMeanwhile; NotAllowed.
    """
    now = locked(transfer, version, (State.TO_PICK,), "sent")
    _may_send(by, now)
    lines = lines_of(now)
    _check_short(now, lines.values())
    goods = [
        Goods(line, line.sent, [piece.serial for piece in line.pieces.select_related("serial")]
              if line.item.tracking == Item.Tracking.SERIAL else ())
        for line in lines.values() if line.sent
    ]
    if not goods:
        raise Conflict(f"Nothing was picked for {now.number}.", field="transfer", value=now.number,
                       remedy="Say what was picked, or cancel the list.")
    on_the_way = transit_place()
    promised = lock_goods(goods, lines=lines.values(), source=now.source, destination=on_the_way)
    for part in goods:
        for_work = any(note.get("kind") == "work" for note in part.line.reasons)
        carry(part, source=now.source, destination=on_the_way, by=by, promised=promised, at=at,
              kind=Movement.Kind.PICK if for_work else Movement.Kind.TRANSFER)
    now.state, now.sent_by, now.sent_at = State.SENT, by, at or timezone.now()
    return changed(now, "state", "sent_by", "sent_at")


def _check_short(transfer: Transfer, lines: Collection[TransferLine]) -> None:
    wanted: dict[int, int] = {}
    explained_items: set[int] = set()
    for line in lines:
        wanted[line.item_id] = wanted.get(line.item_id, 0) + line.wanted - line.sent
        if any(note.get("kind") == "short" for note in line.reasons):
            explained_items.add(line.item_id)
    for line in lines:
        if wanted[line.item_id] > 0 and line.item_id not in explained_items:
            raise Conflict(
                f"{wanted[line.item_id]} {line.item.unit} of {line.item.sku} are not picked, and nobody said why.",
                field="short_reason", value=line.item.sku,
                remedy="Pick the rest, or say on its line why it is short.",
            )


@again
@transaction.atomic
def confirm(
    transfer: Transfer,
    *,
    by: User,
    version: int | None,
    quantities: Mapping[int, int] | None = None,
    serials: Collection[Serial] = (),
    everything: bool = False,
    finish: bool = False,
    at: datetime | None = None,
) -> Transfer:
    """Say what has arrived: quantities by line, numbered pieces, or everything that was sent.

    What arrives goes to the destination at once. With `finish`, or once everything is there, the parcel is confirmed
    and what is missing stays on the way as an open difference. Raises NotAllowed for who does not answer for the
    destination, and for the sender while somebody else does; Conflict for more than was sent, or a piece that is not
    in the parcel.
    """
    now = locked(transfer, version, (State.SENT,), "confirmed")
    if refusal := refusal_to_confirm(by, now):
        raise NotAllowed(refusal, field="destination", value=now.destination,
                         remedy="Ask the receiver to confirm what has arrived.")
    lines = lines_of(now)
    goods = arriving(now, lines, quantities or {}, serials, everything=everything)
    bring(now, goods, lines, to=now.destination, by=by, at=at)
    for part in goods:
        part.line.arrived += part.quantity
        part.line.save(update_fields=["arrived"])
        part.line.pieces.filter(serial__in=part.serials).update(arrived=True)
    if finish or all(line.sent == line.arrived for line in lines.values()):
        now.state, now.confirmed_by, now.confirmed_at = State.CONFIRMED, by, at or timezone.now()
        return changed(now, "state", "confirmed_by", "confirmed_at")
    if not goods:
        raise InvalidInput("Nothing was named that has arrived.", field="quantity",
                           remedy="Scan what is there, or say how much of each line has come.")
    return changed(now)


def bring(
    transfer: Transfer, goods: Sequence[Goods], lines: Mapping[int, TransferLine], *, to: Location, by: User,
    kind: str = Movement.Kind.TRANSFER, note: str = "", at: datetime | None = None,
) -> None:
    on_the_way = transit_place()
    promised = lock_goods(goods, lines=lines.values(), source=on_the_way, destination=to)
    for part in goods:
        carry(part, source=on_the_way, destination=to, kind=kind, by=by, promised=promised, note=note, at=at)


def _missing_pieces(lines: Mapping[int, TransferLine]) -> dict[int, tuple[int, Serial]]:
    """Numbered pieces still on the way: line and serial, by the serial's key."""
    pieces = TransferPiece.objects.filter(line__in=lines, arrived=False, settled=False)
    return {piece.serial_id: (piece.line_id, piece.serial) for piece in pieces.select_related("serial")}


def still_open(line: TransferLine) -> int:
    return line.sent - line.arrived - line.settled


def arriving(
    transfer: Transfer,
    lines: Mapping[int, TransferLine],
    quantities: Mapping[int, int],
    serials: Collection[Serial],
    *,
    everything: bool = False,
) -> list[Goods]:
    """The named part of what is still on the way, in order of item and line."""
    missing = _missing_pieces(lines)
    named: dict[int, list[Serial]] = {}
    for key in missing if everything else [serial.pk for serial in serials]:
        if key not in missing:
            number = next(serial.number for serial in serials if serial.pk == key)
            raise Conflict(f"Serial {number} is not in {transfer.number}, or has been confirmed already.",
                           field="serials", value=number, remedy="Compare the number with the label.")
        named.setdefault(missing[key][0], []).append(missing[key][1])
    goods = []
    for pk in quantities:
        line_in(lines, pk, transfer)
    for line in lines.values():
        by_serial = line.item.tracking == Item.Tracking.SERIAL
        pieces = named.get(line.pk, [])
        asked = still_open(line) if everything else quantities.get(line.pk, 0)
        quantity = len(pieces) if by_serial else asked
        if not 0 <= quantity <= still_open(line):
            raise Conflict(
                f"{still_open(line)} {line.item.unit} of {line.item.sku} are still to come, not {quantity}.",
                field="quantity", value=quantity,
                remedy="Write no more than was sent; tell stores if there is more in the parcel than on the list.",
            )
        if quantity:
            goods.append(Goods(line, quantity, pieces))
    return goods
