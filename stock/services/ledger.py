"""Posting to the ledger: movements, corrections, reservations.

A movement is one INSERT; triggers keep the balances and the serial's place (stock/models/triggers.py). Where a
transaction touches more than one row, locks are taken in one order: order, order line, reservation, the item's
costs (lock_costs; a movement with a cost takes it by itself, first), serials by key, balances by location, balances of
batches. Callers that post several items in one transaction go through them by item key, and through the movements of
one item by location. A service that loses to others all the same is tried again (config/again.py).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import connection, transaction
from django.db.models import F
from django.utils import timezone

from config.accounts.models import User
from config.again import again
from config.errors import Conflict, InvalidInput
from config.idempotency import Claim
from stock.models import Balance, HeldDelivery, Item, Location, Movement, Order, Reservation, Serial
from stock.rules.order_lines import taken_back
from stock.services.refusals import Posting, corrected_already, explained

MOST_AT_ONCE = 1_000_000
_COUNTED = frozenset(Location.PHYSICAL)
_HELD = frozenset(Location.HELD)
_ANY = frozenset(Location.Kind)
_IN_USE = frozenset({Location.Kind.STORE, Location.Kind.VAN})
_OUTSIDE = frozenset({Location.Kind.SUPPLIER, Location.Kind.SCRAP})
# kind of movement -> the kinds of place it may start and end at. Corrections reverse whatever they correct.
_ENDS: dict[str, tuple[frozenset[str], frozenset[str]]] = {
    Movement.Kind.RECEIVE: (frozenset({Location.Kind.SUPPLIER}), _COUNTED),
    Movement.Kind.TRANSFER: (_HELD, _HELD),
    Movement.Kind.PICK: (_IN_USE, frozenset({Location.Kind.VAN, Location.Kind.TRANSIT})),
    Movement.Kind.RELEASE: (frozenset({Location.Kind.QUARANTINE}), _IN_USE),
    Movement.Kind.WRITE_OFF: (_HELD, frozenset({Location.Kind.SCRAP})),
    Movement.Kind.RETURN: (_COUNTED, frozenset({Location.Kind.SUPPLIER})),
    Movement.Kind.FIT: (_ANY, frozenset({Location.Kind.SITE})),
    Movement.Kind.REMOVE: (frozenset({Location.Kind.SITE}), _ANY),
    Movement.Kind.SCRAP: (_ANY, frozenset({Location.Kind.SCRAP})),
    Movement.Kind.CORRECT: (_ANY, _ANY),
}


# Columns of a new movement and their types.
_COLUMNS = {
    "item_id": "bigint", "quantity": "integer", "source_id": "bigint", "destination_id": "bigint",
    "serial_id": "bigint", "batch": "text", "kind": "text", "at": "timestamptz", "posted_by_id": "bigint",
    "reference": "text", "note": "text", "unit_cost": "numeric", "corrects_id": "bigint",
}


# Written out, since putting the same statement together for every posting costs as much as the database's work.
_INSERT = f"""INSERT INTO "stock_movement" ({", ".join(_COLUMNS)})
    VALUES ({", ".join(["%s"] * len(_COLUMNS))}) RETURNING id"""  # noqa: S608 - the columns are named above


def _values(movement: Movement) -> list[Any]:
    return [getattr(movement, column) for column in _COLUMNS]


def _made(movement: Movement, row: tuple[int] | None) -> Movement:
    """The movement as saved under the key that the database gave it."""
    assert row is not None
    movement.pk = row[0]
    movement._state.adding, movement._state.db = False, connection.alias
    return movement


def _check_quantity(quantity: int) -> None:
    if not 1 <= quantity <= MOST_AT_ONCE:
        raise InvalidInput(
            f"The quantity {quantity} cannot be used.",
            field="quantity",
            value=quantity,
            remedy=f"Write a whole number from 1 to {MOST_AT_ONCE:,}.",
        )


def check_not_untested(source: Location, destination: Location) -> None:
    """Raises InvalidInput when things would go from quarantine into use without a word on their test."""
    if source.kind == Location.Kind.QUARANTINE and destination.kind in _IN_USE:
        raise InvalidInput(
            f"What is in quarantine goes to {destination} only once it was tested.", field="source", value=source,
            remedy="Release it: that says what was tested.",
        )


def _check_ends(kind: str, source: Location, destination: Location) -> None:
    if kind == Movement.Kind.COUNT:
        # A count finds more or less at one counted place; the difference comes from or goes to outside.
        if {source.kind in _COUNTED, destination.kind in _COUNTED} == {True, False} and (
            source.kind in _OUTSIDE or destination.kind in _OUTSIDE
        ):
            return
        field, value = "destination", destination
    elif kind not in _ENDS:
        raise InvalidInput(f"There is no kind of movement {kind!r}.", field="kind", value=kind,
                           remedy=f"Choose one of: {', '.join(Movement.Kind.values)}.")
    elif source.kind not in _ENDS[kind][0]:
        field, value = "source", source
    elif destination.kind not in _ENDS[kind][1]:
        field, value = "destination", destination
    elif kind == Movement.Kind.TRANSFER and destination.kind in _IN_USE:
        check_not_untested(source, destination)
        return
    else:
        return
    raise InvalidInput(
        f"A movement of the kind '{Movement.Kind(kind).label}' cannot go from {source} "
        f"({source.get_kind_display().lower()}) to {destination} ({destination.get_kind_display().lower()}).",
        field=field,
        value=value,
        remedy="Choose the kind that says what happened, or other places.",
    )


@again
def post_movement(
    item: Item,
    *,
    quantity: int,
    source: Location,
    destination: Location,
    kind: str,
    by: User | None,
    serial: Serial | None = None,
    batch: str = "",
    reference: str = "",
    note: str = "",
    at: datetime | None = None,
    corrects: Movement | None = None,
    unit_cost: Decimal | None = None,
) -> Movement:
    """Post a quantity of an item from one place to another, in one INSERT.

    `unit_cost` is what one unit cost in the firm's currency: of receipts and their corrections only, it moves the
    item's average cost. Raises InvalidInput (nonsense values, a serial or batch missing) or Conflict (not enough on
    hand, reserved for others, the serial is elsewhere, others were too quick). A serial that goes to or from a site
    also needs its device record changed in the same transaction: the database checks at commit.
    """
    movement = Movement(
        item=item, quantity=quantity, source=source, destination=destination, kind=kind, posted_by=by, serial=serial,
        batch=batch, reference=reference, note=note, at=at or timezone.now(), corrects=corrects, unit_cost=unit_cost,
    )
    check_values(movement)
    with explained(asked_of(movement), single=True), connection.cursor() as cursor:
        cursor.execute(_INSERT, _values(movement))
        return _made(movement, cursor.fetchone())


def check_values(movement: Movement) -> None:
    """Raises InvalidInput for a quantity, places or a time that make no sense; no statement."""
    _check_quantity(movement.quantity)
    _check_ends(movement.kind, movement.source, movement.destination)
    if movement.at > timezone.now():
        raise InvalidInput("A movement cannot be posted for the future.", field="at", value=movement.at.isoformat(),
                           remedy="Post it when it has happened; until then make a reservation.")


def asked_of(movement: Movement) -> Posting:
    """What a movement asks of the ledger, for the words of a refusal."""
    return Posting(
        item=movement.item, quantity=movement.quantity, source=movement.source, destination=movement.destination,
        serial=movement.serial, corrects=movement.corrects, batch=movement.batch,
        number="" if movement.unit_cost is None else str(movement.unit_cost),
    )


def record_movement(
    item: Item,
    *,
    quantity: int,
    source: Location,
    destination: Location,
    kind: str,
    by: User,
    serial: Serial | None = None,
    batch: str = "",
    reference: str = "",
    note: str = "",
    at: datetime | None = None,
) -> Movement:
    """Post a movement that a person typed in. As post_movement, but refuses serials to or from sites
    (those change a device record too), what is on its way between two places (a transfer keeps account of it) and
    corrections (those have their own verb)."""
    check_typed(kind, source, destination, serial)
    return post_movement(
        item, quantity=quantity, source=source, destination=destination, kind=kind, by=by, serial=serial,
        batch=batch, reference=reference, note=note, at=at,
    )


def check_typed(kind: str, source: Location, destination: Location, serial: Serial | None) -> None:
    """Raises InvalidInput or Conflict for what a person may not type in: see record_movement. No statement."""
    if kind == Movement.Kind.CORRECT:
        raise InvalidInput("A correction must say which movement it corrects.", field="kind", value=kind,
                           remedy="Open the movement and correct it there.")
    if serial is not None and Location.Kind.SITE in {source.kind, destination.kind}:
        raise _site_serial(serial)
    if Location.Kind.TRANSIT in {source.kind, destination.kind}:
        raise _on_the_way("destination" if destination.kind == Location.Kind.TRANSIT else "source")


# The key's row and the movement in one statement, and so in one round trip and one transaction: the movement is
# inserted only if the key's row was. A second request with the key waits at the unique index for the first to end.
_WITH_KEY = f"""
    WITH next AS MATERIALIZED (SELECT nextval('stock_movement_id_seq') AS id),
    claimed AS (
        INSERT INTO accounts_idempotencykey (user_id, key, request_hash, status, answer, at)
        SELECT %s, %s, %s, %s, jsonb_set(%s::jsonb, '{{id}}', to_jsonb(next.id)), %s FROM next
        ON CONFLICT (user_id, key) DO NOTHING RETURNING id
    )
    INSERT INTO stock_movement (id, {", ".join(_COLUMNS)})
        SELECT next.id, {", ".join(f"%s::{kind}" for kind in _COLUMNS.values())} FROM next, claimed
        RETURNING id
"""  # noqa: S608 - the columns are named above


def record_movement_once(
    movement: Movement, *, claim: Claim, status: int, answer: Callable[[Movement], dict[str, object]]
) -> dict[str, object] | None:
    """Post a movement that a person typed in and write the request's key down with it, in one statement.

    `movement` is not saved yet; `answer` says what is kept for retries, its "id" is put in here. Returns that answer,
    or None when the key was known, and nothing is posted then. Raises as record_movement.
    """
    check_typed(movement.kind, movement.source, movement.destination, movement.serial)
    check_values(movement)
    kept = answer(movement)
    text = json.dumps(kept, cls=DjangoJSONEncoder)
    values: list[Any] = [claim.by.pk, claim.key, claim.fingerprint, status, text, movement.at]
    with explained(asked_of(movement), single=True), connection.cursor() as cursor:
        cursor.execute(_WITH_KEY, values + _values(movement))
        row = cursor.fetchone()
    return None if row is None else kept | {"id": _made(movement, row).pk}


def _site_serial(serial: Serial) -> Conflict:
    return Conflict(
        f"Serial {serial.number} would go to or come from a site without its device record.",
        field="serial",
        value=serial.number,
        remedy="Fit or remove the device on its site's page; that posts the movement as well.",
    )


def _on_the_way(field: str) -> Conflict:
    return Conflict(
        "Stock that is on its way between two places belongs to a transfer, which keeps account of it.",
        field=field,
        value=Location.Kind.TRANSIT.label,
        remedy="Send it with a transfer, and confirm or settle on the transfer's page what came.",
    )


@again
@transaction.atomic
def correct_movement(movement: Movement, *, by: User, note: str) -> Movement:
    """Post the counter-movement that takes one back and names it. What an order had counted as received by it
    is open again.

    Raises Conflict when it was corrected before, is itself a correction, moved a serial to or from a site, belongs
    to a transfer, or when what it brought is no longer there; InvalidInput without a note.
    """
    if not note.strip():
        raise InvalidInput("A correction needs a reason.", field="note", remedy="Write what was wrong.")
    if movement.kind == Movement.Kind.CORRECT:
        raise Conflict("A correction is not corrected itself.", field="movement", value=movement.pk,
                       remedy="Post the movement that should have been made.")
    if movement.serial is not None and Location.Kind.SITE in {movement.source.kind, movement.destination.kind}:
        raise _site_serial(movement.serial)
    if Location.Kind.TRANSIT in {movement.source.kind, movement.destination.kind}:
        raise _on_the_way("movement")
    if Movement.objects.filter(corrects=movement).exists():
        raise corrected_already(movement)
    if movement.kind == Movement.Kind.RECEIVE and movement.reference:
        _open_line_again(movement)
    return post_movement(
        movement.item,
        quantity=movement.quantity,
        source=movement.destination,
        destination=movement.source,
        kind=Movement.Kind.CORRECT,
        by=by,
        serial=movement.serial,
        batch=movement.batch,
        reference=movement.reference,
        note=note.strip(),
        corrects=movement,
        unit_cost=movement.unit_cost,
    )


def _open_line_again(movement: Movement) -> None:
    """Count a receipt off its order line, before the goods go: reservations ahead may rest on the line then."""
    order = Order.objects.select_for_update().filter(number=movement.reference).first()
    if order is None:
        return
    held = HeldDelivery.objects.select_for_update().filter(movement=movement).first()
    if held is not None:  # wrong, too many or damaged: never counted on a line
        if held.outcome == HeldDelivery.Outcome.OPEN:
            held.outcome = HeldDelivery.Outcome.CORRECTED
            held.save(update_fields=["outcome"])
        return
    line = order.lines.select_for_update().filter(item_id=movement.item_id).first()
    left = taken_back(movement.quantity, received=line.received, over=line.over) if line is not None else None
    if line is None or left is None:
        return
    # An order that was closed short stays closed: what was given up then is not expected again.
    whole = not order.lines.filter(quantity__gt=F("received")).exists()
    if movement.unit_cost is not None:
        lock_costs(movement.item_id)
    lock_balances((movement.item_id,), (movement.source, movement.destination))
    line.received, line.over = left
    line.save(update_fields=["received", "over"])
    order.version += 1
    if order.state == Order.State.RECEIVED and whole and line.received < line.quantity:
        order.state = Order.State.PLACED
    order.save(update_fields=["state", "version"])


def move_serial_to_site(
    serial: Serial, *, site_location: Location, by: User | None, reference: str = "", source: Location | None = None
) -> Movement:
    """Take a serial from where the ledger has it to the location that stands for sites.

    The caller records the device in the same transaction; the database refuses one without the other at commit.
    `source` is only for a serial that was never received (found on site, brought by another firm): its supplier.
    """
    now = Serial.objects.select_related("item", "location").get(pk=serial.pk)
    start = now.location or source
    if start is None:
        raise Conflict(f"Serial {now.number} has never been received.", field="serial", value=now.number,
                       remedy="Receive it into a store or van first.")
    return post_movement(now.item, quantity=1, source=start, destination=site_location, kind=Movement.Kind.FIT,
                         by=by, serial=now, reference=reference)


def take_serial_from_site(
    serial: Serial, *, destination: Location, by: User | None, reference: str = "", note: str = ""
) -> Movement:
    """Bring a serial back from a site to a store, van, quarantine or scrap; the caller ends the device record
    in the same transaction."""
    now = Serial.objects.select_related("item", "location").get(pk=serial.pk)
    if now.location is None or now.location.kind != Location.Kind.SITE:
        raise Conflict(f"The ledger does not have serial {now.number} at a site.", field="serial", value=now.number,
                       remedy="Look the serial up; it may have been removed already.")
    return post_movement(now.item, quantity=1, source=now.location, destination=destination,
                         kind=Movement.Kind.REMOVE, by=by, serial=now, reference=reference, note=note)


@again
def reserve(
    item: Item,
    location: Location,
    *,
    quantity: int,
    needed_on: date,
    reference: str,
    by: User | None,
    ahead: bool = False,
) -> Reservation:
    """Promise a quantity at a location to named work. `ahead` may also promise what is on order.

    Raises Conflict when less is available, InvalidInput for a place whose stock is not counted.
    """
    _check_quantity(quantity)
    if location.kind not in _COUNTED:
        raise InvalidInput(f"Stock at {location} is not counted, so none of it can be reserved.", field="location",
                           value=location, remedy="Choose a store or a van.")
    with explained(Posting(item=item, quantity=quantity, source=location, ahead=ahead), single=True):
        return Reservation.objects.create(
            item=item, location=location, quantity=quantity, needed_on=needed_on, reference=reference,
            made_by=by, ahead=ahead,
        )


def release_reservation(reservation: Reservation, *, by: User | None) -> Reservation:
    """Give the promised quantity back. Raises Conflict when it is no longer open."""
    _close(reservation, Reservation.State.RELEASED)
    return reservation


@again
@transaction.atomic
def use_reservation(
    reservation: Reservation,
    *,
    destination: Location,
    by: User | None,
    serials: Sequence[Serial] = (),
    batch: str = "",
    note: str = "",
) -> list[Movement]:
    """Take what was promised to its work: closes the reservation and posts its movements.

    The movements fit (to a site) or transfer (to a van or store). For an item tracked by serial give as many
    serials as the reservation's quantity; a device record for each is the caller's, in the same transaction.
    Raises Conflict when the reservation is no longer open or the parts are not there yet.
    """
    item, source = reservation.item, reservation.location
    if item.tracking == Item.Tracking.SERIAL and len(serials) != reservation.quantity:
        raise InvalidInput(
            f"The reservation is for {reservation.quantity} of {item.sku}, and {len(serials)} serials were named.",
            field="serials", value=len(serials), remedy="Name one serial for each piece.",
        )
    fit = destination.kind == Location.Kind.SITE
    _close(reservation, Reservation.State.USED, also_lock=(source, destination), serials=serials)
    return [
        post_movement(
            item, quantity=1 if serials else reservation.quantity, source=source, destination=destination,
            kind=Movement.Kind.FIT if fit else Movement.Kind.TRANSFER, by=by, serial=serial, batch=batch,
            reference=reservation.reference, note=note,
        )
        for serial in (sorted(serials, key=lambda s: s.pk) if serials else [None])
    ]


def lock_balances(item_ids: Collection[int], places: Collection[Location | int]) -> None:
    """Lock what these places hold of these items, in the module's order, until the end of the transaction. One
    statement."""
    rows = Balance.objects.select_for_update(no_key=True).filter(item__in=item_ids, location__in=places)
    list(rows.order_by("item_id", "location_id").values("pk"))


def lock_costs(item_id: int) -> None:
    """Let no other receipt of the item in until the end of the transaction.

    For callers that lock balances before they post a movement with a cost; see the module's order of locks.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(20170133, %s)", [item_id])


@again
@transaction.atomic
def _close(
    reservation: Reservation,
    state: Reservation.State,
    *,
    also_lock: Sequence[Location] = (),
    serials: Sequence[Serial] = (),
) -> None:
    """Compare and set, so that of two people only one closes it. Rows in the module's order of locks."""
    now = Reservation.objects.select_for_update().only("state").get(pk=reservation.pk)
    if now.state != Reservation.State.OPEN:
        raise Conflict(
            f"The reservation for {reservation.reference} is no longer open: it was {now.get_state_display().lower()}.",
            field="reservation", value=reservation.pk, remedy="Read the list again.",
        )
    if serials:
        rows = Serial.objects.select_for_update(no_key=True).filter(pk__in=[s.pk for s in serials])
        list(rows.order_by("pk").values("pk"))
    if also_lock:
        lock_balances((reservation.item_id,), also_lock)
    Reservation.objects.filter(pk=reservation.pk).update(state=state)
    reservation.state = state
