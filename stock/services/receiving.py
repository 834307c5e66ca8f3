"""Deliveries: what comes in counts on its order line, or waits in quarantine for a decision.

Receipts cost their line's price at the order's rate, in the firm's currency; without a price they have no cost. Pieces
that are not on the order, beyond it or damaged come into the branch's quarantine as `HeldDelivery`: they have no cost
and do not count as received, so what is on order stays on order, until somebody returns or keeps them. Keeping takes
the receipt into quarantine back and receives into the order's place, with a cost.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from config.accounts.models import User
from config.again import again
from config.errors import Conflict, InvalidInput
from stock.models import HeldDelivery, Item, Location, Movement, Order, OrderLine, Serial
from stock.queries.deliveries import known_numbers, quarantine_of
from stock.rules.order_lines import divided, unit_cost
from stock.services.ledger import lock_balances, lock_costs
from stock.services.orders import locked_order, save_next, wrong_state
from stock.services.refusals import Posting, explained

KEEP, HOLD = "keep", "hold"
_ARRIVING = (Order.State.PLACED, Order.State.RECEIVED)


@again
@transaction.atomic
def receive_order_line(
    line: OrderLine,
    *,
    quantity: int,
    by: User | None,
    serial_numbers: Sequence[str] = (),
    batch: str = "",
    note: str = "",
    beyond: str = "",
    damaged: bool = False,
) -> list[Movement]:
    """Take delivery of part or all of a line into the order's destination.

    One movement, or one for each serial number; `batch` of numbered pieces is kept with each for recalls. An order
    whose lines are all in counts as received. More than is still to come is refused unless `beyond` says what becomes
    of the rest (the last of the serial numbers): "keep" counts it as over at the line's price, "hold" puts it into
    quarantine. `damaged` pieces all go into quarantine and do not count. Raises InvalidInput (serial numbers missing,
    doubled or unexpected, a batch missing, no quarantine) or Conflict (not placed, more than is open, a serial known).
    """
    order = _arriving(line.order, late=bool(beyond) or damaged)
    now = OrderLine.objects.select_for_update(of=("self",)).select_related("item").get(pk=line.pk)
    numbers = _checked(now.item, quantity, serial_numbers, batch)
    parts = divided(0 if damaged else quantity, ordered=now.quantity, received=now.received)
    if parts.beyond and beyond not in {KEEP, HOLD}:
        raise _more_than_open(now, quantity)
    kept = parts.due + (parts.beyond if beyond == KEEP else 0)
    post = _poster(order, now.item, numbers, batch=batch, by=by, locked=quantity)
    movements = post(kept, order.destination, note, unit_cost(now.unit_price, order.rate))
    held = post(quantity - kept, None, note, None)
    _hold(order, held, HeldDelivery.Why.DAMAGED if damaged else HeldDelivery.Why.BEYOND, note)
    _count(order, now, kept)
    return movements + held


@again
@transaction.atomic
def receive_wrong_item(
    order: Order,
    item: Item,
    *,
    quantity: int,
    by: User | None,
    serial_numbers: Sequence[str] = (),
    batch: str = "",
    note: str = "",
) -> list[Movement]:
    """Take in what came with an order and is not on it: into the branch's quarantine, for a decision.

    Raises InvalidInput (nonsense values, no quarantine) or Conflict (the order is not under way, has a line for the
    item, a serial is known).
    """
    now = _arriving(order, late=True)
    if now.lines.filter(item=item).exists():
        raise Conflict(
            f"{item.sku} is on order {now.number}.", field="item", value=item.sku,
            remedy="Receive it on its line; more than ordered or damaged pieces can be said there.",
        )
    numbers = _checked(item, quantity, serial_numbers, batch)
    held = _poster(now, item, numbers, batch=batch, by=by, locked=quantity)(quantity, None, note, None)
    _hold(now, held, HeldDelivery.Why.WRONG, note)
    return held


@again
@transaction.atomic
def return_held(held: Sequence[HeldDelivery], *, by: User, note: str = "") -> list[Movement]:
    """Send pieces that wait in quarantine back to their supplier.

    Raises Conflict when one of them was decided already or is no longer there.
    """
    movements = []
    for piece in _undecided(held):
        came = piece.movement
        with explained(_leaving(piece)):
            movements.append(
                Movement.objects.create(
                    item=came.item, quantity=came.quantity, source=came.destination, destination=came.source,
                    kind=Movement.Kind.RETURN, posted_by=by, serial=came.serial, batch=came.batch,
                    reference=came.reference, note=note or f"{piece.get_why_display()}: returned"
                )
            )
        _decide(piece, HeldDelivery.Outcome.RETURNED, by, note)
    return movements


@again
@transaction.atomic
def keep_held(
    held: Sequence[HeldDelivery], *, by: User, unit_price: Decimal | None = None, note: str = ""
) -> list[Movement]:
    """Keep pieces that wait in quarantine: they go to the order's place and count on its line.

    What was not on the order gets a line of its own at `unit_price` (in the order's currency; None: without a cost).
    Raises Conflict when one of them was decided already or is no longer there.
    """
    movements = []
    for piece in _undecided(held):
        order = locked_order(piece.order, _ARRIVING, "changed")
        came = piece.movement
        line = order.lines.select_for_update().filter(item_id=came.item_id).first()
        if line is None:
            line = OrderLine.objects.create(
                order=order, item=came.item, quantity=came.quantity, received=came.quantity, unit_price=unit_price,
                reason="Came without being ordered, and kept", by_hand=True,
            )
            counted = True
        else:
            counted = False
        lock_costs(came.item_id)
        lock_balances((came.item_id,), (came.source, came.destination, order.destination))
        with explained(_leaving(piece)):
            Movement.objects.create(
                item=came.item, quantity=came.quantity, source=came.destination, destination=came.source,
                kind=Movement.Kind.CORRECT, posted_by=by, serial=came.serial, batch=came.batch,
                reference=order.number, note="Kept: moved on from quarantine", corrects=came,
            )
            movements.append(
                Movement.objects.create(
                    item=came.item, quantity=came.quantity, source=came.source, destination=order.destination,
                    kind=Movement.Kind.RECEIVE, posted_by=by, serial=came.serial, batch=came.batch,
                    reference=order.number, note=note or f"{piece.get_why_display()}: kept",
                    unit_cost=unit_cost(line.unit_price, order.rate),
                )
            )
            if not counted:
                _count(order, line, came.quantity)
        _decide(piece, HeldDelivery.Outcome.KEPT, by, note)
    return movements


@again
@transaction.atomic
def settle_held(held: Sequence[HeldDelivery], *, by: User, note: str) -> None:
    """Note that pieces were dealt with otherwise (tested and released, scrapped): nothing is moved.

    Raises InvalidInput without a note, Conflict when one of them was decided already.
    """
    if not note.strip():
        raise InvalidInput("Say what became of it.", field="note", remedy="Write where it went or what was agreed.")
    for piece in _undecided(held):
        _decide(piece, HeldDelivery.Outcome.SETTLED, by, note.strip())


def _arriving(order: Order, *, late: bool) -> Order:
    """The locked order. What is beyond it, damaged or wrong may still be found when it is all in."""
    now = locked_order(order, _ARRIVING, "received")
    if now.state == Order.State.RECEIVED and not late:
        raise wrong_state(now, "received")
    return now


def _checked(item: Item, quantity: int, serial_numbers: Sequence[str], batch: str) -> list[str]:
    numbers = [number.strip() for number in serial_numbers]
    if item.tracking == Item.Tracking.SERIAL:
        if len(numbers) != quantity or len(set(numbers)) != quantity or "" in numbers:
            raise InvalidInput(
                f"{item.sku} is tracked by serial number: {quantity} different numbers are needed, "
                f"{len(set(numbers) - {''})} were given.",
                field="serial_numbers", value=", ".join(numbers), remedy="Give the number on each label once.",
            )
    elif numbers:
        raise InvalidInput(f"{item.sku} is not tracked by serial number.", field="serial_numbers",
                           value=", ".join(numbers), remedy="Leave the serial numbers out.")
    if item.tracking == Item.Tracking.BATCH and not batch.strip():
        raise InvalidInput(f"{item.sku} is tracked by batch, and none was given.", field="batch",
                           remedy="Write the batch number that is printed on the box.")
    if not 1 <= quantity <= 1_000_000:
        raise InvalidInput("The quantity must be at least 1.", field="quantity", value=quantity,
                           remedy="Write a whole number from 1 to 1,000,000.")
    return numbers


def _more_than_open(line: OrderLine, quantity: int) -> Conflict:
    open_ = line.quantity - line.received
    return Conflict(
        f"The order line for {line.item} has {open_} {line.item.unit} still to come; {quantity} are "
        f"{quantity - open_} too many.",
        field="quantity", value=quantity,
        remedy="Say whether to keep the rest or to put it into quarantine, or correct the quantity.",
    )


Post = Callable[[int, Location | None, str, "Decimal | None"], list[Movement]]


def _poster(
    order: Order, item: Item, numbers: list[str], *, batch: str, by: User | None, locked: int
) -> Post:
    """A function that posts the next pieces of a delivery to a place (None: the branch's quarantine).

    Serials are locked or made, and balances locked, before the first movement: everything in the ledger's order.
    """
    quarantine = quarantine_of(order.destination)
    source = order.supplier.location
    asked = Posting(item=item, quantity=locked, source=source, destination=order.destination, order=order,
                    number=", ".join(numbers))
    serials: list[Serial] = []
    lock_costs(item.pk)
    if numbers:
        known = known_numbers(item, numbers)
        if known:
            raise _known(item, numbers, known)
        with explained(asked):
            serials = _serials(item, numbers, batch)
    lock_balances((item.pk,), [place for place in (source, order.destination, quarantine) if place is not None])

    def post(quantity: int, place: Location | None, note: str, cost: Decimal | None) -> list[Movement]:
        if quantity == 0:
            return []
        to = place or quarantine
        if to is None:
            raise InvalidInput(
                f"The branch of {order.destination} has no quarantine.", field="destination", value=order.destination,
                remedy="Ask an administrator to add a location of the kind 'quarantine' to the branch.",
            )
        pieces: list[Serial | None] = [*sorted(serials[:quantity], key=lambda s: s.pk)] if numbers else [None]
        del serials[:quantity]
        with explained(asked):
            # Reservations ahead rest on what is on hand plus on order: goods come in before they leave the order.
            return Movement.objects.bulk_create(
                Movement(
                    item=item, quantity=1 if serial else quantity, source=source, destination=to,
                    kind=Movement.Kind.RECEIVE, posted_by=by, serial=serial, batch=batch.strip(),
                    reference=order.number, note=note, unit_cost=cost,
                )
                for serial in pieces
            )

    return post


def _serials(item: Item, numbers: list[str], batch: str) -> list[Serial]:
    """Serials of these numbers in the numbers' order: those that came back to a supplier are used again."""
    back = {
        serial.number: serial
        for serial in item.serials.select_for_update(of=("self",), no_key=True)
        .filter(number__in=numbers).order_by("pk")
    }
    made = Serial.objects.bulk_create(
        Serial(item=item, number=number, batch=batch.strip()) for number in sorted(set(numbers) - set(back))
    )
    if back and batch.strip():
        Serial.objects.filter(pk__in=[serial.pk for serial in back.values()]).update(batch=batch.strip())
    found = back | {serial.number: serial for serial in made}
    return [found[number] for number in numbers]


def _known(item: Item, numbers: Sequence[str], known: dict[str, str]) -> Conflict:
    listed = "; ".join(f"{number}: {place}" for number, place in sorted(known.items()))
    return Conflict(
        f"{'One' if len(known) == 1 else 'Some'} of these serial numbers of {item} "
        f"{'has' if len(known) == 1 else 'have'} been received before ({listed}).",
        field="serial_numbers", value=", ".join(numbers),
        remedy="Compare the numbers with the labels; a returned piece is moved, not received again.",
    )


def _hold(order: Order, movements: Sequence[Movement], why: HeldDelivery.Why, note: str) -> None:
    HeldDelivery.objects.bulk_create(
        HeldDelivery(order=order, movement=movement, why=why, note=note) for movement in movements
    )


def _count(order: Order, line: OrderLine, quantity: int) -> None:
    """Count pieces that are in on their line: what was still to come first, the rest as over."""
    parts = divided(quantity, ordered=line.quantity, received=line.received)
    if quantity:
        OrderLine.objects.filter(pk=line.pk).update(
            received=F("received") + parts.due, over=F("over") + parts.beyond
        )
    # A closed order stays closed. One whose last piece came in is received.
    if order.state == Order.State.PLACED and not order.lines.filter(quantity__gt=F("received")).exists():
        order.state = Order.State.RECEIVED
    save_next(order)


def _undecided(held: Sequence[HeldDelivery]) -> list[HeldDelivery]:
    """These pieces, locked with their orders, in the ledger's order of locks. Raises Conflict for decided ones."""
    keys = [piece.pk for piece in held]
    if not keys:
        raise InvalidInput("No piece was chosen.", field="held", remedy="Tick at least one.")
    list(
        Order.objects.select_for_update().filter(held__in=keys).order_by("pk").values("pk")
    )
    pieces = list(
        HeldDelivery.objects.select_for_update(of=("self",)).filter(pk__in=keys)
        .select_related(
            "order", "movement__item", "movement__serial", "movement__source", "movement__destination"
        )
        .order_by("movement__item_id", "pk")
    )
    for piece in pieces:
        if piece.outcome != HeldDelivery.Outcome.OPEN:
            raise Conflict(
                f"{piece.movement.item.sku} of order {piece.order.number} is settled already: "
                f"{piece.get_outcome_display().lower()}.",
                field="held", value=piece.pk, remedy="Read the order again.",
            )
    return pieces


def _leaving(piece: HeldDelivery) -> Posting:
    came = piece.movement
    return Posting(item=came.item, quantity=came.quantity, source=came.destination, destination=came.source,
                   serial=came.serial, corrects=came)


def _decide(piece: HeldDelivery, outcome: HeldDelivery.Outcome, by: User, note: str) -> None:
    piece.outcome, piece.decided_by, piece.decided_at = outcome, by, timezone.now()
    piece.note = note or piece.note
    piece.save()
