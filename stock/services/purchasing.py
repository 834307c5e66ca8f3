"""Ordering and receiving: what is on order, and how it comes in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from django.db import connection, transaction
from django.db.models import F
from django.utils import timezone

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from stock.models import Item, Location, Movement, Order, OrderLine, Serial, StockLevel, Supplier
from stock.services.refusals import Posting, explained


def make_order(
    *, supplier: Supplier, destination: Location, lines: Mapping[Item, int], by: User | None, number: str = ""
) -> Order:
    """Draft an order; without a number it gets the next one. Raises InvalidInput or Conflict."""
    if destination.kind not in Location.PHYSICAL:
        raise InvalidInput(f"An order cannot be delivered to {destination}.", field="destination",
                           value=destination, remedy="Choose a store or a van.")
    if not lines:
        raise InvalidInput("An order needs at least one line.", field="lines", remedy="Name an item and a quantity.")
    with explained(Posting(number=number)):
        with connection.cursor() as cursor:
            cursor.execute("SELECT nextval(pg_get_serial_sequence('stock_order', 'id'))")
            (key,) = cursor.fetchone()
        order = Order.objects.create(
            pk=key, number=number or f"PO-{key:05}", supplier=supplier, destination=destination, made_by=by
        )
        OrderLine.objects.bulk_create(
            OrderLine(order=order, item=item, quantity=quantity)
            for item, quantity in sorted(lines.items(), key=lambda line: line[0].pk)
        )
    return order


@transaction.atomic
def place_order(
    order: Order, *, by: User | None, ordered_on: date | None = None, expected_on: date | None = None
) -> Order:
    """Send a draft to its supplier: what is open on its lines counts as on order from now.

    Expected after the supplier's usual lead time unless a day is given. Raises Conflict for an order that is
    not a draft or has no lines, InvalidInput for days out of order.
    """
    now = _locked(order, Order.State.DRAFT, "placed")
    if not now.lines.exists():
        raise Conflict(f"Order {now.number} has no lines.", field="order", value=now.number, remedy="Add a line.")
    now.ordered_on = ordered_on or timezone.localdate()
    now.expected_on = expected_on or now.ordered_on + timedelta(days=now.supplier.lead_time_days)
    if now.expected_on < now.ordered_on:
        raise InvalidInput("An order cannot be expected before it is placed.", field="expected_on",
                           value=now.expected_on.isoformat(), remedy="Write a day from the order date on.")
    now.state = Order.State.PLACED
    now.save(update_fields=["state", "ordered_on", "expected_on"])
    return now


@transaction.atomic
def cancel_order(order: Order, *, by: User | None) -> Order:
    """Give up what is still open. Raises Conflict when it is received or cancelled already, or when
    reservations ahead rely on it."""
    now = Order.objects.select_for_update(of=("self",)).select_related("supplier", "destination").get(pk=order.pk)
    if now.state not in {Order.State.DRAFT, Order.State.PLACED}:
        raise _wrong_state(now, "cancelled")
    open_line = now.lines.select_related("item").order_by("item_id").filter(quantity__gt=F("received")).first()
    asked = Posting(
        item=open_line.item if open_line else None,
        quantity=open_line.quantity - open_line.received if open_line else 0,
        source=now.destination,
        ahead=True,
    )
    with explained(asked):
        now.state = Order.State.CANCELLED
        now.save(update_fields=["state"])
    return now


@transaction.atomic
def receive_order_line(
    line: OrderLine,
    *,
    quantity: int,
    by: User | None,
    serial_numbers: Sequence[str] = (),
    batch: str = "",
    note: str = "",
) -> list[Movement]:
    """Take delivery of part or all of a line into the order's destination.

    One movement, or one for each serial number. An order whose lines are all in counts as received. Raises
    InvalidInput (serial numbers missing, doubled or unexpected) or Conflict (not placed, more than is open,
    a serial known already).
    """
    order = _locked(line.order, Order.State.PLACED, "received")
    item = line.item
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
    if quantity < 1:
        raise InvalidInput("The quantity must be at least 1.", field="quantity", value=quantity,
                           remedy="Write a whole number.")
    asked = Posting(item=item, quantity=quantity, source=order.supplier.location, destination=order.destination,
                    order=order, number=", ".join(numbers))
    with explained(asked):
        # Reservations ahead rest on what is on hand plus on order: the goods come in before they leave the order.
        serials: list[Serial | None] = [None]
        if numbers:
            serials = list(Serial.objects.bulk_create(Serial(item=item, number=number) for number in sorted(numbers)))
        movements = Movement.objects.bulk_create(
            Movement(
                item=item, quantity=1 if serial else quantity, source=order.supplier.location,
                destination=order.destination, kind=Movement.Kind.RECEIVE, posted_by=by, serial=serial,
                batch=batch, reference=order.number, note=note,
            )
            for serial in serials
        )
        OrderLine.objects.filter(pk=line.pk).update(received=F("received") + quantity)
        if not order.lines.filter(quantity__gt=F("received")).exists():
            order.state = Order.State.RECEIVED
            order.save(update_fields=["state"])
    return movements


def make_stock_level(
    item: Item, location: Location, *, minimum: int, target: int, by: User | None
) -> StockLevel:
    """Say for the first time what a location should hold of an item. Raises Conflict when a level is there."""
    if location.kind not in Location.PHYSICAL:
        raise InvalidInput(f"Stock at {location} is not counted, so it has no level.", field="location",
                           value=location, remedy="Choose a store or a van.")
    with explained(Posting(item=item, source=location)):
        return StockLevel.objects.create(item=item, location=location, minimum=minimum, target=target)


def set_stock_level(level: StockLevel, *, minimum: int, target: int, by: User | None) -> StockLevel:
    """Set the least that a location should hold of an item, and what it is filled up to."""
    with explained(Posting()):
        level.minimum, level.target = minimum, target
        level.save(update_fields=["minimum", "target"])
    return level


def _locked(order: Order, state: Order.State, verb: str) -> Order:
    """The order as it stands, locked. Raises Conflict unless it is in the state."""
    now = (
        Order.objects.select_for_update(of=("self",))
        .select_related("supplier__location", "destination")
        .get(pk=order.pk)
    )
    if now.state != state:
        raise _wrong_state(now, verb)
    return now


def _wrong_state(order: Order, verb: str) -> Conflict:
    return Conflict(
        f"Order {order.number} is {order.get_state_display().lower()} and cannot be {verb}.",
        field="order", value=order.number, remedy="Read the order again.",
    )
