"""Reads about orders: what they are worth, who may approve them, lists, one order in full, its paper."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.db.models import Count, DecimalField, F, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from config.accounts.models import User
from config.accounts.rights import RIGHTS, Right, Role
from config.errors import InvalidInput
from config.keyset import KeysetPage, page
from stock.models import (
    ExchangeRate,
    HeldDelivery,
    Item,
    ItemCost,
    Location,
    Movement,
    Order,
    OrderLine,
    StoresPolicy,
    Supplier,
    SupplierItem,
)
from stock.rules.order_lines import days_late, in_firms_currency, line_total, order_total

ORDER_LIST = ("-id",)
_APPROVING = [role for role in Role if Right.APPROVE_ORDERS in RIGHTS[role]]
WAITING = "waiting"
OPEN, PROPOSED, LATE = "open", "proposed", "late"
STATES = (
    (OPEN, "Not finished"), (PROPOSED, "Proposed"), (WAITING, "Waiting for approval"), (LATE, "Late"),
    *Order.State.choices,
)


@dataclass(frozen=True)
class Worth:
    """What an order comes to.

    `total`: its priced lines, in its currency. `firms`: the same in the firm's currency, with lines that have no
    price at the supplier's list price or the item's average cost. `judged`: what counts against the limit, each line
    at its list price if that is more, so that no price typed low gets round an approval. `unpriced`: lines without a
    price; `unknown`: those of them for which no price or cost is known either.
    """

    total: Decimal
    firms: Decimal
    judged: Decimal
    unpriced: int
    unknown: int


@dataclass(frozen=True)
class OrderRow:
    """An order as lists show it; money in the order's currency."""

    id: int
    number: str
    supplier: str
    destination: str
    words: str
    tone: str
    proposed: bool
    lines: int
    open: int
    total: Decimal
    currency: str
    expected_on: date | None
    late_days: int


@dataclass(frozen=True)
class LineRow:
    """A line of an order: quantities in the item's unit, money in the order's currency."""

    id: int
    item: Item
    code: str
    quantity: int
    received: int
    over: int
    open: int
    unit_price: Decimal | None
    total: Decimal | None
    reason: str
    by_hand: bool
    pack_size: int
    minimum_order: int

    @property
    def odd(self) -> bool:
        """Not a quantity that the supplier sells."""
        return self.quantity % self.pack_size != 0 or self.quantity < self.minimum_order


@dataclass(frozen=True)
class ReceiptRow:
    """What came in at one moment for one item of the order."""

    id: int
    at: datetime
    item: str
    unit: str
    quantity: int
    serial: str
    batch: str
    place: str
    kind: str
    note: str
    by: str
    corrected: bool


@dataclass(frozen=True)
class OrderDetail:
    order: Order
    lines: list[LineRow]
    worth: Worth
    policy: StoresPolicy
    words: str
    tone: str
    approvers: list[User]
    held: list[HeldDelivery]
    receipts: list[ReceiptRow]

    @property
    def needs_approval(self) -> bool:
        return self.order.state == Order.State.DRAFT and self.worth.judged > self.policy.approval_limit

    @property
    def waiting(self) -> bool:
        return self.order.state == Order.State.DRAFT and self.order.approval_asked_at is not None

    @property
    def short(self) -> int:
        """Lines of a closed order that never came in full."""
        return sum(1 for line in self.lines if line.open) if self.order.state == Order.State.RECEIVED else 0

    @property
    def arrives(self) -> bool:
        """Goods come, or came, on it."""
        return self.order.state in {Order.State.PLACED, Order.State.RECEIVED}

    @property
    def wrong_waits(self) -> bool:
        """Something that was not on the order waits for a decision."""
        return any(piece.why == HeldDelivery.Why.WRONG and not piece.outcome for piece in self.held)

    @property
    def anything_in(self) -> bool:
        return any(line.received or line.over for line in self.lines)

    def may_be_approved_by(self, user: User) -> bool:
        """The simple rule of two people: not whoever made it or asked, while somebody else could."""
        if self.order.state != Order.State.DRAFT or not user.has_right(Right.APPROVE_ORDERS):
            return False
        own = user.pk in {self.order.made_by_id, self.order.approval_asked_by_id}
        return not own or all(person.pk == user.pk for person in self.approvers)


def rate_of(currency: str, *, on: date) -> Decimal:
    """Units of the firm's currency for one of `currency` on that day; 1 for the firm's own. Two statements.

    Raises InvalidInput when no rate is known for that day.
    """
    if currency == StoresPolicy.current().currency:
        return Decimal(1)
    found = (
        ExchangeRate.objects.filter(currency=currency, valid_from__lte=on)
        .order_by("-valid_from").values_list("rate", flat=True).first()
    )
    if found is None:
        raise InvalidInput(
            f"There is no exchange rate for {currency} on {on:%-d %b %Y}.", field="currency", value=currency,
            remedy="Add one under Suppliers, Exchange rates.",
        )
    return found


def worth_of(order: Order, lines: Iterable[OrderLine]) -> Worth:
    """What an order comes to. One statement; one more when a line has no price."""
    rows = list(lines)
    total = order_total((line.quantity, line.unit_price) for line in rows)
    firms = in_firms_currency(total, order.rate)
    unpriced = [line.item_id for line in rows if line.unit_price is None]
    listed = dict(
        SupplierItem.objects.filter(supplier_id=order.supplier_id, item__in=[line.item_id for line in rows])
        .values_list("item_id", "unit_price")
    )
    average = dict(
        ItemCost.objects.filter(item__in=unpriced).order_by("item_id", "-id").distinct("item_id")
        .values_list("item_id", "average")
    ) if unpriced else {}
    unknown = 0
    below_list = Decimal(0)
    for line in rows:
        if line.unit_price is not None:
            below = listed.get(line.item_id, line.unit_price) - line.unit_price
            below_list += in_firms_currency(line.quantity * max(below, Decimal(0)), order.rate)
        elif line.item_id in listed:
            firms += in_firms_currency(line.quantity * listed[line.item_id], order.rate)
        elif line.item_id in average:
            firms += in_firms_currency(line.quantity * average[line.item_id], Decimal(1))
        else:
            unknown += 1
    return Worth(total, firms, firms + below_list, len(unpriced), unknown)


def approvers(order: Order) -> list[User]:
    """People who may approve an order for its destination, by name. One statement."""
    return list(
        User.objects.filter(
            Q(branch=None) | Q(branch_id=order.destination.branch_id), is_active=True, role__in=_APPROVING
        ).order_by("name", "id")
    )


def state_words(
    order: Order, *, received: int, open_: int, today: date
) -> tuple[str, str]:
    """The state of an order in words, and the tone of its tag."""
    if order.state == Order.State.DRAFT:
        if order.approval_asked_at is not None:
            return "Waiting for approval", "warn"
        return ("Proposed", "info") if order.proposed else ("Draft", "")
    if order.state == Order.State.APPROVED:
        return "Approved, not placed yet", "info"
    if order.state == Order.State.PLACED:
        words = "Part received" if received else "Placed"
        late = days_late(order.expected_on, today)
        return (f"{words}, {late} {'day' if late == 1 else 'days'} late", "bad") if late else (words, "info")
    if order.state == Order.State.RECEIVED:
        return ("Closed short", "warn") if open_ else ("Received", "ok")
    return "Cancelled", ""


def orders(
    user: User, *, today: date, state: str = "", supplier: int | None = None, destination: int | None = None
) -> QuerySet[Any]:
    """Orders that the person sees, with counts and totals; for ORDER_LIST. One statement."""
    rows = Order.objects.visible_to(user).select_related("supplier", "destination")
    if state == OPEN:
        rows = rows.exclude(state__in=(Order.State.RECEIVED, Order.State.CANCELLED))
    elif state == WAITING:
        rows = rows.filter(state=Order.State.DRAFT, approval_asked_at__isnull=False)
    elif state == PROPOSED:
        rows = rows.filter(state=Order.State.DRAFT, proposed=True, approval_asked_at=None)
    elif state == LATE:
        rows = rows.filter(state=Order.State.PLACED, expected_on__lt=today)
    elif state:
        rows = rows.filter(state=state)
    if supplier is not None:
        rows = rows.filter(supplier_id=supplier)
    if destination is not None:
        rows = rows.filter(destination_id=destination)
    lines = OrderLine.objects.filter(order=OuterRef("pk")).order_by().values("order")
    money = DecimalField(max_digits=20, decimal_places=4)
    return rows.annotate(
        line_count=Coalesce(Subquery(lines.annotate(n=Count("id")).values("n")), Value(0)),
        open_count=Coalesce(
            Subquery(lines.annotate(n=Count("id", filter=Q(quantity__gt=F("received")))).values("n")), Value(0)
        ),
        in_count=Coalesce(Subquery(lines.annotate(n=Sum("received")).values("n")), Value(0)),
        priced=Coalesce(
            Subquery(
                lines.annotate(n=Sum(F("quantity") * F("unit_price"), output_field=money)).values("n"),
                output_field=money,
            ),
            Value(Decimal(0)), output_field=money,
        ),
    )


def order_page(
    user: User,
    *,
    today: date,
    state: str = "",
    supplier: int | None = None,
    destination: int | None = None,
    cursor: str | None = None,
    size: int = 50,
) -> KeysetPage[OrderRow]:
    """One page of orders, the newest first. One statement. Raises InvalidInput for a foreign cursor."""
    found = page(
        orders(user, today=today, state=state, supplier=supplier, destination=destination), ORDER_LIST,
        cursor=cursor, size=size,
    )
    return KeysetPage([_row(order, today) for order in found.rows], found.next_cursor, found.first)


def _row(order: Any, today: date) -> OrderRow:
    words, tone = state_words(order, received=order.in_count, open_=order.open_count, today=today)
    placed = order.state == Order.State.PLACED
    return OrderRow(
        id=order.pk, number=order.number, supplier=order.supplier.name, destination=order.destination.name,
        words=words, tone=tone, proposed=order.proposed, lines=order.line_count, open=order.open_count,
        total=in_firms_currency(order.priced, Decimal(1)), currency=order.currency, expected_on=order.expected_on,
        late_days=days_late(order.expected_on, today) if placed else 0,
    )


def order_choices(user: User) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
    """Suppliers and the places that orders may be delivered to, to choose from. Two statements."""
    return (
        list(Supplier.objects.order_by("name").values_list("id", "name")),
        list(
            Location.objects.visible_to(user).filter(kind__in=(Location.Kind.STORE, Location.Kind.VAN))
            .order_by("kind", "name").values_list("id", "name")
        ),
    )


def find_order(user: User, pk: int) -> Order:
    """An order that the person sees, with what its page names. One statement. Raises Order.DoesNotExist."""
    return Order.objects.visible_to(user).select_related(
        "supplier__location", "destination__branch", "made_by", "approved_by", "approval_asked_by"
    ).get(pk=pk)


def order_lines(order: Order) -> list[LineRow]:
    """The lines of an order with the supplier's terms, in the order they were added. Two statements."""
    lines = list(order.lines.select_related("item").order_by("id"))
    terms = {
        found.item_id: found
        for found in SupplierItem.objects.filter(
            supplier_id=order.supplier_id, item__in=[line.item_id for line in lines]
        )
    }
    return [line_row(line, terms) for line in lines]


def line_row(line: OrderLine, terms: Mapping[int, SupplierItem]) -> LineRow:
    sold = terms.get(line.item_id)
    return LineRow(
        id=line.pk, item=line.item, code=sold.supplier_code if sold else "", quantity=line.quantity,
        received=line.received, over=line.over, open=line.quantity - line.received, unit_price=line.unit_price,
        total=line_total(line.quantity, line.unit_price), reason=line.reason, by_hand=line.by_hand,
        pack_size=sold.pack_size if sold else 1, minimum_order=sold.minimum_order if sold else 1,
    )


def order_detail(user: User, pk: int, *, today: date) -> OrderDetail:
    """All of one order's page. At most ten statements, whatever the number of lines. Raises Order.DoesNotExist."""
    order = find_order(user, pk)
    lines = order_lines(order)
    worth = worth_of(
        order, [OrderLine(item_id=line.item.pk, quantity=line.quantity, unit_price=line.unit_price) for line in lines]
    )
    words, tone = state_words(
        order, received=sum(line.received for line in lines), open_=sum(1 for line in lines if line.open), today=today
    )
    return OrderDetail(
        order=order, lines=lines, worth=worth, policy=StoresPolicy.current(), words=words, tone=tone,
        approvers=approvers(order), held=held_of(order), receipts=receipts_of(order),
    )


def held_of(order: Order) -> list[HeldDelivery]:
    """Pieces of the order that came into quarantine, undecided ones first. One statement."""
    return list(
        order.held.select_related(
            "movement__item", "movement__serial", "movement__destination", "movement__posted_by", "decided_by"
        ).order_by("outcome", "id")
    )


def receipts_of(order: Order, *, most: int = 500) -> list[ReceiptRow]:
    """Movements of the order, the last first. One statement."""
    found = (
        Movement.objects.filter(reference=order.number)
        .select_related("item", "serial", "destination", "posted_by", "corrected_by").order_by("-id")[:most]
    )
    return [
        ReceiptRow(
            id=m.pk, at=m.at, item=m.item.name, unit=m.item.unit, quantity=m.quantity,
            serial=m.serial.number if m.serial else "", batch=m.batch, place=m.destination.name,
            kind=m.get_kind_display(), note=m.note, by=m.posted_by.name if m.posted_by else "",
            corrected=hasattr(m, "corrected_by"),
        )
        for m in found
    ]
