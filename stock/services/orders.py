"""Orders from draft to placed: content, approval, placing, giving up.

A draft may be edited by anyone who orders; each change counts the version on, and a caller that read an older one is
refused. An order worth no more than the firm's limit may be placed at once. One worth more is approved first, by
somebody with the right who neither made it nor asked for the approval, where there is such a person. What was approved
is frozen: an edit makes it a draft again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from django.db import connection, transaction
from django.db.models import F
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from config.again import again
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, NotAllowed
from stock.models import Item, Location, Order, OrderLine, StoresPolicy, Supplier, SupplierItem
from stock.queries.orders import approvers, rate_of, worth_of
from stock.services.refusals import Posting, explained

_EDITABLE = (Order.State.DRAFT, Order.State.APPROVED)
_PRICE_LIMIT = Decimal(10) ** 8


@dataclass(frozen=True)
class LineAsked:
    """One line as a person wants it; the price is in the order's currency, None: without one."""

    item: Item
    quantity: int
    unit_price: Decimal | None = None


def make_order(
    *,
    supplier: Supplier,
    destination: Location,
    lines: Mapping[Item, int],
    by: User | None,
    number: str = "",
    prices: Mapping[Item, Decimal] | None = None,
) -> Order:
    """Draft an order; without a number it gets the next one, without prices those of the supplier's list.

    Raises InvalidInput (no line, a place that takes no deliveries, no exchange rate) or Conflict (number taken).
    """
    if destination.kind not in {Location.Kind.STORE, Location.Kind.VAN}:
        raise InvalidInput(f"An order cannot be delivered to {destination}.", field="destination",
                           value=destination, remedy="Choose a store or a van.")
    if not lines:
        raise _no_lines()
    listed = _list_prices(supplier, [item.pk for item in lines])
    given = prices or {}
    with explained(Posting(number=number)):
        order = new_draft(supplier=supplier, destination=destination, by=by, number=number)
        OrderLine.objects.bulk_create(
            OrderLine(
                order=order, item=item, quantity=quantity, unit_price=given.get(item, listed.get(item.pk)), by_hand=True
            )
            for item, quantity in sorted(lines.items(), key=lambda line: line[0].pk)
        )
    return order


def new_draft(
    *, supplier: Supplier, destination: Location, by: User | None, number: str = "", proposed: bool = False
) -> Order:
    """A draft without lines yet, in the supplier's currency at today's rate. Raises InvalidInput without a rate."""
    rate = rate_of(supplier.currency, on=timezone.localdate())
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval(pg_get_serial_sequence('stock_order', 'id'))")
        (key,) = cursor.fetchone()
    return Order.objects.create(
        pk=key, number=number or f"PO-{key:05}", supplier=supplier, destination=destination, made_by=by,
        currency=supplier.currency, rate=rate, proposed=proposed,
    )


@again
@transaction.atomic
def change_order(
    order: Order,
    *,
    lines: Sequence[LineAsked],
    note: str,
    expected_on: date | None,
    version: int,
    by: User,
) -> Order:
    """Give a draft these lines, note and expected day. One that waits for approval or is approved is a draft again.

    A new line without a price gets that of the supplier's list. Raises ChangedMeanwhile when the draft is no longer
    at that version, InvalidInput (no lines, an item twice, a quantity or price out of range) or Conflict (placed).
    """
    now = locked_order(order, _EDITABLE, "edited", version=version)
    _check_lines(lines)
    kept = {line.item_id: line for line in now.lines.select_for_update().order_by("id")}
    wanted = {line.item.pk: line for line in lines}
    gone = [line for item_id, line in kept.items() if item_id not in wanted]
    changed = [
        line for item_id, line in kept.items()
        if item_id in wanted
        and (line.quantity, line.unit_price) != (wanted[item_id].quantity, wanted[item_id].unit_price)
    ]
    fresh = [line for line in lines if line.item.pk not in kept]
    if not (gone or changed or fresh) and (note, expected_on) == (now.note, now.expected_on):
        return now
    OrderLine.objects.filter(pk__in=[line.pk for line in gone]).delete()
    for line in changed:
        asked = wanted[line.item_id]
        line.quantity, line.unit_price, line.by_hand = asked.quantity, asked.unit_price, True
    OrderLine.objects.bulk_update(changed, ["quantity", "unit_price", "by_hand"])
    listed = _list_prices(now.supplier, [line.item.pk for line in fresh])
    OrderLine.objects.bulk_create(
        OrderLine(
            order=now, item=line.item, quantity=line.quantity, by_hand=True,
            unit_price=line.unit_price if line.unit_price is not None else listed.get(line.item.pk),
        )
        for line in fresh
    )
    if now.proposed:
        now.left_out = sorted(({*now.left_out} | {line.item_id for line in gone}) - set(wanted))
    now.note, now.expected_on = note, expected_on
    now.rate = rate_of(now.currency, on=timezone.localdate())
    now.state = Order.State.DRAFT
    now.approved_by = now.approved_at = now.approval_asked_by = now.approval_asked_at = None
    save_next(now)
    return now


def _check_lines(lines: Sequence[LineAsked]) -> None:
    if not lines:
        raise _no_lines()
    seen: set[int] = set()
    for line in lines:
        if line.item.pk in seen:
            raise InvalidInput("An item stands on an order only once.", field="item", value=line.item.sku,
                               remedy="Add the quantities up.")
        seen.add(line.item.pk)
        if not 1 <= line.quantity <= 1_000_000:
            raise InvalidInput(f"The quantity {line.quantity} of {line.item.sku} cannot be used.", field="quantity",
                               value=line.quantity, remedy="Write a whole number from 1 to 1,000,000.")
        if line.unit_price is not None and not 0 <= line.unit_price < _PRICE_LIMIT:
            raise InvalidInput(f"The price {line.unit_price} of {line.item.sku} cannot be used.", field="unit_price",
                               value=line.unit_price, remedy="Write an amount from 0 up, or leave it empty.")


@again
@transaction.atomic
def ask_approval(order: Order, *, version: int, by: User) -> Order:
    """Put a draft before those who may approve it. Raises ChangedMeanwhile, or Conflict when it is no draft, waits
    already or has no lines."""
    now = locked_order(order, (Order.State.DRAFT,), "put up for approval", version=version)
    if now.approval_asked_at is not None:
        raise Conflict(f"Order {now.number} waits for its approval already.", field="order", value=now.number,
                       remedy="Wait for the decision, or edit the order to take it back.")
    if not now.lines.exists():
        raise _lacks_lines(now)
    now.approval_asked_by, now.approval_asked_at, now.refusal = by, timezone.now(), ""
    save_next(now)
    return now


@again
@transaction.atomic
def approve_order(order: Order, *, version: int, by: User) -> Order:
    """Approve a draft as it was read: its content is frozen from now.

    Raises NotAllowed (without the right, or own order while somebody else could), ChangedMeanwhile, or Conflict.
    """
    now = locked_order(order, (Order.State.DRAFT,), "approved", version=version)
    _may_decide(now, by)
    if not now.lines.exists():
        raise _lacks_lines(now)
    others = [person.name for person in approvers(now) if person.pk != by.pk]
    if by.pk in {now.made_by_id, now.approval_asked_by_id} and others:
        raise NotAllowed(
            f"You made order {now.number} or asked for its approval, so another person decides.",
            field="approved_by", value=by.name, remedy=f"Ask {' or '.join(others[:3])}.",
        )
    now.state, now.approved_by, now.approved_at, now.refusal = Order.State.APPROVED, by, timezone.now(), ""
    save_next(now)
    return now


@again
@transaction.atomic
def refuse_order(order: Order, *, reason: str, version: int, by: User) -> Order:
    """Give a draft that waits, or an approved order, back to its makers, with the reason.

    Raises NotAllowed without the right, InvalidInput without a reason, ChangedMeanwhile, or Conflict.
    """
    now = locked_order(order, _EDITABLE, "given back", version=version)
    _may_decide(now, by)
    if now.state == Order.State.DRAFT and now.approval_asked_at is None:
        raise Conflict(f"Order {now.number} does not wait for an approval.", field="order", value=now.number,
                       remedy="Read the order again.")
    if not reason.strip():
        raise InvalidInput("A refusal needs a reason.", field="reason", remedy="Write what should change.")
    now.state, now.refusal = Order.State.DRAFT, reason.strip()
    now.approved_by = now.approved_at = now.approval_asked_by = now.approval_asked_at = None
    save_next(now)
    return now


@again
@transaction.atomic
def place_order(
    order: Order,
    *,
    by: User | None,
    ordered_on: date | None = None,
    expected_on: date | None = None,
    version: int | None = None,
) -> Order:
    """Place an order: what is open on its lines counts as on order from now.

    Expected on the day given, or that of the draft, or after the supplier's usual lead time. Raises Conflict for an
    order that is neither draft nor approved, has no lines or is worth more than may be placed without an approval;
    InvalidInput for days out of order; ChangedMeanwhile when a version is given that it no longer has.
    """
    now = locked_order(order, _EDITABLE, "placed", version=version)
    lines = list(now.lines.all())
    if not lines:
        raise _lacks_lines(now)
    if now.state == Order.State.DRAFT:
        _within_limit(now, lines)
    now.ordered_on = ordered_on or timezone.localdate()
    now.expected_on = expected_on or now.expected_on or now.ordered_on + timedelta(days=now.supplier.lead_time_days)
    if now.expected_on < now.ordered_on:
        raise InvalidInput("An order cannot be expected before it is placed.", field="expected_on",
                           value=now.expected_on.isoformat(), remedy="Write a day from the order date on.")
    now.state = Order.State.PLACED
    save_next(now)
    return now


def _within_limit(order: Order, lines: Sequence[OrderLine]) -> None:
    policy = StoresPolicy.current()
    worth = worth_of(order, lines)
    if worth.judged <= policy.approval_limit:
        return
    names = ", ".join(person.name for person in approvers(order)[:3])
    raise Conflict(
        f"Order {order.number} is worth {worth.judged:,.2f} {policy.currency}; up to {policy.approval_limit:,.2f} "
        f"{policy.currency} may be placed without an approval.",
        field="approval", value=worth.judged,
        remedy=f"Ask for its approval ({names}), or order less." if names else "Order less.",
    )


@again
@transaction.atomic
def cancel_order(order: Order, *, by: User | None, version: int | None = None) -> Order:
    """Give up what is still open. Raises Conflict when it is received or cancelled already, or when
    reservations ahead rely on it."""
    states = (Order.State.DRAFT, Order.State.APPROVED, Order.State.PLACED)
    return _give_up(locked_order(order, states, "cancelled", version=version), Order.State.CANCELLED)


@again
@transaction.atomic
def close_short(order: Order, *, by: User, version: int | None = None) -> Order:
    """Close a placed order though something is missing: the rest will not come. What was ordered stays on record.

    Raises Conflict when it is not placed, nothing came at all (cancel it then), or reservations ahead rely on the rest.
    """
    now = locked_order(order, (Order.State.PLACED,), "closed", version=version)
    if not now.lines.filter(received__gt=0).exists():
        raise Conflict(f"Nothing of order {now.number} has come in.", field="order", value=now.number,
                       remedy="Cancel it instead.")
    return _give_up(now, Order.State.RECEIVED)


@again
@transaction.atomic
def reopen_order(order: Order, *, by: User, version: int | None = None) -> Order:
    """Expect the rest of an order that was closed short after all. Raises Conflict when nothing is missing."""
    now = locked_order(order, (Order.State.RECEIVED,), "opened again", version=version)
    if not now.lines.filter(quantity__gt=F("received")).exists():
        raise Conflict(f"Order {now.number} is all in.", field="order", value=now.number,
                       remedy="Make another order for what else is needed.")
    now.state = Order.State.PLACED
    save_next(now)
    return now


def _give_up(now: Order, state: Order.State) -> Order:
    open_line = now.lines.select_related("item").order_by("item_id").filter(quantity__gt=F("received")).first()
    asked = Posting(
        item=open_line.item if open_line else None,
        quantity=open_line.quantity - open_line.received if open_line else 0,
        source=now.destination,
        ahead=True,
    )
    with explained(asked):
        now.state = state
        save_next(now)
    return now


def locked_order(
    order: Order, states: Sequence[str], verb: str, *, version: int | None = None
) -> Order:
    """The order as it stands, locked until the transaction ends. Raises Conflict unless it is in one of the states,
    ChangedMeanwhile when a version is given that it no longer has."""
    now = (
        Order.objects.select_for_update(of=("self",))
        .select_related("supplier__location", "destination")
        .get(pk=order.pk)
    )
    if now.state not in states:
        raise wrong_state(now, verb)
    if version is not None and version != now.version:
        raise ChangedMeanwhile(
            f"Order {now.number} was changed by somebody else after you opened it.",
            field="version", value=version, remedy="Look at it as it is now, and repeat what is still needed.",
        )
    return now


def save_next(order: Order) -> None:
    """Save a locked order as its next version."""
    order.version += 1
    order.save()


def wrong_state(order: Order, verb: str) -> Conflict:
    return Conflict(
        f"Order {order.number} is {order.get_state_display().lower()} and cannot be {verb}.",
        field="order", value=order.number, remedy="Read the order again.",
    )


def _may_decide(order: Order, by: User) -> None:
    if not by.has_right(Right.APPROVE_ORDERS):
        raise NotAllowed(
            f"Your role ({by.get_role_display()}) does not decide on orders.", field="role", value=by.role,
            remedy=f"Ask {' or '.join(p.name for p in approvers(order)[:3]) or 'an administrator'}.",
        )


def _list_prices(supplier: Supplier, items: Sequence[int]) -> dict[int, Decimal]:
    if not items:
        return {}
    return dict(SupplierItem.objects.filter(supplier=supplier, item__in=items).values_list("item_id", "unit_price"))


def _no_lines() -> InvalidInput:
    return InvalidInput("An order needs at least one line.", field="lines", remedy="Name an item and a quantity.")


def _lacks_lines(order: Order) -> Conflict:
    return Conflict(f"Order {order.number} has no lines.", field="order", value=order.number, remedy="Add a line.")
