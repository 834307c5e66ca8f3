"""What becomes of pieces that may be faulty: into quarantine, tested and released, scrapped, sent back, written off.

Each is one movement of the ledger, with the reason in its note. An engineer puts things of the own van into quarantine
and no more: whether a piece is good, scrap or a return is for the stores to decide, and what is missing from a van is
found by counting it.
"""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from config.accounts.models import User
from config.accounts.rights import Right
from config.errors import Conflict, InvalidInput, NotAllowed
from stock.models import BatchBalance, Item, Location, Movement, Serial, Supplier
from stock.services.ledger import post_movement
from stock.services.refusals import Posting, explained


def put_in_quarantine(
    item: Item, *, source: Location, destination: Location, quantity: int, by: User, note: str,
    serial: Serial | None = None, batch: str = "", reference: str = "", at: datetime | None = None,
) -> Movement:
    """Set stock of a store or van aside until it is tested.

    Raises NotAllowed for another's van, InvalidInput without a reason or for a place that is no quarantine of the
    same branch, and what post_movement raises.
    """
    _check_aside(source, destination, by)
    return post_movement(
        item, quantity=quantity, source=source, destination=destination, kind=Movement.Kind.TRANSFER, by=by,
        serial=serial, batch=batch, reference=reference, note=_reason(note, "what is wrong with it"), at=at,
    )


@transaction.atomic
def put_batch_in_quarantine(
    item: Item, batch: str, *, source: Location, destination: Location, by: User, note: str, reference: str = ""
) -> int:
    """Set aside all that a store or van holds of a batch, in one INSERT; returns the quantity.

    Raises as put_in_quarantine: what is reserved there keeps all of it, and nothing is moved.
    """
    _check_aside(source, destination, by)
    note = _reason(note, "what is wrong with it")
    serials: list[Serial | None] = [None]
    if item.tracking == Item.Tracking.SERIAL:
        rows = Serial.objects.select_for_update(no_key=True).filter(item=item, batch=batch, location=source)
        serials = list(rows.order_by("pk"))
        quantity = len(serials)
    else:
        held = BatchBalance.objects.filter(item=item, batch=batch, location=source).first()
        quantity = held.on_hand if held is not None else 0
    if quantity == 0:
        return 0
    with explained(Posting(item=item, quantity=quantity, source=source, destination=destination, batch=batch)):
        Movement.objects.bulk_create(
            Movement(
                item=item, quantity=1 if serial else quantity, source=source, destination=destination,
                kind=Movement.Kind.TRANSFER, posted_by=by, serial=serial, batch="" if serial else batch,
                reference=reference, note=note,
            )
            for serial in serials
        )
    return quantity


def _check_aside(source: Location, destination: Location, by: User) -> None:
    if not by.has_right(Right.MOVE_STOCK) and source.engineer_id != by.pk:
        raise NotAllowed(f"{source} is not your van.", field="source", value=source,
                         remedy="Put aside what is in your own van; ask the stores for the rest.")
    if destination.kind != Location.Kind.QUARANTINE or destination.branch_id != source.branch_id:
        raise InvalidInput(f"{destination} is not a quarantine of the branch that {source} belongs to.",
                           field="destination", value=destination, remedy="Choose the branch's own quarantine.")
    _from(source, Location.Kind.STORE, Location.Kind.VAN)


def release_tested(
    item: Item, *, source: Location, destination: Location, quantity: int, by: User, note: str,
    serial: Serial | None = None, batch: str = "", reference: str = "",
) -> Movement:
    """Bring what was tested and found good from quarantine back into stock. Raises as post_movement, and
    InvalidInput when nothing says what was tested."""
    _from(source, Location.Kind.QUARANTINE)
    if destination.kind not in {Location.Kind.STORE, Location.Kind.VAN}:
        raise InvalidInput(f"Nothing is released to {destination}.", field="destination", value=destination,
                           remedy="Choose a store or a van.")
    return post_movement(
        item, quantity=quantity, source=source, destination=destination, kind=Movement.Kind.RELEASE, by=by,
        serial=serial, batch=batch, reference=reference, note=_reason(note, "what was tested"),
    )


def scrap(
    item: Item, *, source: Location, quantity: int, by: User, note: str, serial: Serial | None = None,
    batch: str = "", reference: str = "",
) -> Movement:
    """Take what failed its test out of stock for good. Raises as post_movement, InvalidInput without a reason."""
    _from(source, Location.Kind.QUARANTINE)
    return post_movement(
        item, quantity=quantity, source=source, destination=scrap_place(), kind=Movement.Kind.SCRAP, by=by,
        serial=serial, batch=batch, reference=reference, note=_reason(note, "what the test found"),
    )


def return_to_supplier(
    item: Item, *, source: Location, supplier: Supplier, quantity: int, by: User, note: str = "",
    serial: Serial | None = None, batch: str = "", reference: str = "",
) -> Movement:
    """Send stock of a store or quarantine back to a supplier. Raises as post_movement."""
    _from(source, Location.Kind.STORE, Location.Kind.QUARANTINE)
    return post_movement(
        item, quantity=quantity, source=source, destination=supplier.location, kind=Movement.Kind.RETURN, by=by,
        serial=serial, batch=batch, reference=reference, note=note.strip(),
    )


def write_off(
    item: Item, *, source: Location, quantity: int, by: User, note: str, serial: Serial | None = None,
    batch: str = "", reference: str = "",
) -> Movement:
    """Take lost, stolen or spoilt stock off the books. Raises as post_movement, InvalidInput without a reason."""
    return post_movement(
        item, quantity=quantity, source=source, destination=scrap_place(), kind=Movement.Kind.WRITE_OFF, by=by,
        serial=serial, batch=batch, reference=reference, note=_reason(note, "why it is written off"),
    )


def scrap_place() -> Location:
    """The place of what left the stock for good. Raises Conflict where there is none."""
    place = Location.objects.filter(kind=Location.Kind.SCRAP).order_by("pk").first()
    if place is None:
        raise Conflict("No stock location stands for scrap.", field="location", value="scrap",
                       remedy="Add a location of the kind 'Scrap'.")
    return place


def _from(source: Location, *kinds: str) -> None:
    if source.kind not in kinds:
        wanted = " or ".join(Location.Kind(kind).label.lower() for kind in kinds)
        raise InvalidInput(f"{source} is a {source.get_kind_display().lower()}; this starts from a {wanted}.",
                           field="source", value=source, remedy=f"Choose a {wanted}.")


def _reason(note: str, what: str) -> str:
    if not note.strip():
        raise InvalidInput(f"Nothing says {what}.", field="note", remedy=f"Write {what}, in a few words.")
    return note.strip()
