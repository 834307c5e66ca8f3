"""Reads of the stock app. Every function says how many SQL statements it takes; all are scoped to the person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Case, F, OuterRef, Q, QuerySet, Subquery, Value, When
from django.db.models.functions import Coalesce, Greatest

from config.accounts.models import User
from config.keyset import KeysetPage, page
from stock.models import (
    Balance,
    Family,
    Item,
    Location,
    Movement,
    Order,
    OrderLine,
    Reservation,
    Serial,
    StockLevel,
    Variant,
)
from stock.places import PlaceText, serial_places
from stock.queries.level_pages import LevelFilter, level_rows

# Below level first, then by name. The balance's key makes the order total.
LEVEL_ORDER = ("rank", "item__name", "location__name", "id")
MOVEMENT_ORDER = ("-id",)
SERIAL_ORDER = ("number", "id")
_KINDS = dict(Item.Kind.choices)
_PLACES = dict(Location.Kind.choices)


@dataclass(frozen=True)
class LevelRow:
    """What one location holds of one item; quantities in the item's unit."""

    item_id: int
    sku: str
    name: str
    kind: str
    family: str
    unit: str
    location_id: int
    location: str
    location_kind: str
    on_hand: int
    reserved: int
    available: int
    on_order: int
    minimum: int
    target: int
    shortfall: int

    @property
    def below(self) -> bool:
        return self.shortfall > 0

    @property
    def covered(self) -> bool:
        """Short now, but what is on order brings it back to its level."""
        return self.below and self.on_order >= self.shortfall


@dataclass(frozen=True)
class MovementRow:
    id: int
    at: datetime
    kind: str
    quantity: int
    source: str
    destination: str
    serial: str
    batch: str
    reference: str
    note: str
    by: str
    corrected: bool


@dataclass(frozen=True)
class SerialRow:
    id: int
    item_id: int
    number: str
    location_id: int | None
    place: PlaceText
    fitted: bool


@dataclass(frozen=True)
class OrderRow:
    id: int
    number: str
    supplier: str
    destination: str
    state: str
    expected_on: date | None
    quantity: int
    received: int

    @property
    def open(self) -> int:
        return self.quantity - self.received


@dataclass(frozen=True)
class ReservationRow:
    id: int
    location: str
    quantity: int
    ahead: bool
    needed_on: date
    reference: str


@dataclass(frozen=True)
class ItemDetail:
    item: Item
    variant: Variant | None
    balances: list[LevelRow]
    on_hand: int
    available: int
    movements: KeysetPage[MovementRow]
    serials: KeysetPage[SerialRow]
    orders: list[OrderRow]
    reservations: list[ReservationRow]


@dataclass(frozen=True)
class LevelChoices:
    families: list[tuple[int, str]]
    locations: list[tuple[int, str]]


def levels(
    user: User,
    *,
    family: int | None = None,
    kind: str | None = None,
    location: int | None = None,
    below_only: bool = False,
) -> QuerySet[Any, dict[str, Any]]:
    """Rows per item and counted location that the person sees: keyset pageable by LEVEL_ORDER, one statement.

    `available` is on hand less reserved; `shortfall` is what is missing to the minimum. Rows of nothing (no
    stock, no order, no level) are left out.
    """
    rows: QuerySet[Any, Any] = Balance.objects.visible_to(user).filter(
        Q(on_hand__gt=0) | Q(on_order__gt=0) | Q(level_minimum__gt=0) | Q(reserved__gt=0)
    )
    if family is not None:
        rows = rows.filter(item__family_id=family)
    if kind:
        rows = rows.filter(item__kind=kind)
    if location is not None:
        rows = rows.filter(location_id=location)
    if below_only:
        rows = rows.filter(short=True)
    # Not joined: so it is looked up only for the rows of the page.
    level = StockLevel.objects.filter(item=OuterRef("item"), location=OuterRef("location"))
    return rows.values(
        "id", "item_id", "item__sku", "item__name", "item__kind", "item__unit", "item__family__name",
        "location_id", "location__name", "location__kind", "on_hand", "reserved", "on_order",
        minimum=F("level_minimum"),
        available=F("on_hand") - F("reserved"),
        target=Coalesce(Subquery(level.values("target")), Value(0)),
        shortfall=Greatest(F("level_minimum") + F("reserved") - F("on_hand"), Value(0)),
        rank=Case(When(short=True, then=Value(0)), default=Value(1)),
    )


def level_row(row: dict[str, Any]) -> LevelRow:
    """A row of `levels` as pages show it."""
    return LevelRow(
        item_id=row["item_id"],
        sku=row["item__sku"],
        name=row["item__name"],
        kind=Item.Kind(row["item__kind"]).label,
        family=row["item__family__name"] or "",
        unit=row["item__unit"],
        location_id=row["location_id"],
        location=row["location__name"],
        location_kind=Location.Kind(row["location__kind"]).label,
        **{
            name: row[name]
            for name in ("on_hand", "reserved", "available", "on_order", "minimum", "target", "shortfall")
        },
    )


def level_page(
    user: User,
    *,
    family: int | None = None,
    kind: str | None = None,
    location: int | None = None,
    below_only: bool = False,
    cursor: str | None = None,
    size: int = 50,
) -> KeysetPage[LevelRow]:
    """One page of levels, below level first. One statement, two where the page goes on behind the last that is below
    level. Raises InvalidInput for a foreign cursor."""
    found = level_rows(
        user, LevelFilter(family=family, kind=kind, location=location, below_only=below_only), cursor=cursor, size=size
    )
    return KeysetPage([_shown(*row) for row in found.rows], found.next_cursor, found.first)


def _shown(
    _balance: int, item: int, sku: str, name: str, kind: str, unit: str, family: str | None, place: int, location: str,
    location_kind: str, on_hand: int, reserved: int, on_order: int, minimum: int, target: int,
) -> LevelRow:
    return LevelRow(
        item, sku, name, _KINDS[kind], family or "", unit, place, location, _PLACES[location_kind], on_hand, reserved,
        on_hand - reserved, on_order, minimum, target, max(minimum + reserved - on_hand, 0),
    )


def level_choices(user: User) -> LevelChoices:
    """What the list of levels can be filtered by. Two statements."""
    return LevelChoices(
        families=list(Family.objects.order_by("name").values_list("id", "name")),
        locations=list(
            Location.objects.visible_to(user).counted().order_by("name").values_list("id", "name")
        ),
    )


def movements(user: User, item: Item) -> QuerySet[Movement]:
    """Movements of an item that the person sees, for MOVEMENT_ORDER. One statement."""
    return (
        Movement.objects.visible_to(user)
        .filter(item=item)
        .select_related("source", "destination", "serial", "posted_by", "corrected_by")
    )


def _movement_row(movement: Movement) -> MovementRow:
    return MovementRow(
        id=movement.pk,
        at=movement.at,
        kind=movement.get_kind_display(),
        quantity=movement.quantity,
        source=movement.source.name,
        destination=movement.destination.name,
        serial=movement.serial.number if movement.serial else "",
        batch=movement.batch,
        reference=movement.reference,
        note=movement.note,
        by=movement.posted_by.name if movement.posted_by else "",
        corrected=hasattr(movement, "corrected_by"),
    )


def movement_page(user: User, item: Item, *, cursor: str | None = None, size: int = 20) -> KeysetPage[MovementRow]:
    """An item's movements, newest first. One statement."""
    found = page(movements(user, item), MOVEMENT_ORDER, cursor=cursor, size=size)
    return KeysetPage([_movement_row(row) for row in found.rows], found.next_cursor, found.first)


def _place(serial: Serial, known: Mapping[int, PlaceText]) -> PlaceText:
    if serial.location is None:
        return PlaceText("Never received")
    if serial.location.kind == Location.Kind.SITE:
        return known.get(serial.pk, PlaceText("Fitted at a site"))
    return PlaceText(serial.location.name)


def with_places(serials: Sequence[Serial], user: User) -> list[SerialRow]:
    """Each serial with where it is. The statements of the registered lookup, when one of them is fitted; the
    serials' locations must be loaded."""
    fitted = {s.pk for s in serials if s.location is not None and s.location.kind == Location.Kind.SITE}
    known = serial_places(fitted, user)
    return [
        SerialRow(
            id=serial.pk,
            item_id=serial.item_id,
            number=serial.number,
            location_id=serial.location_id,
            place=_place(serial, known),
            fitted=serial.pk in fitted,
        )
        for serial in serials
    ]


def serial_page(
    user: User, item: Item, *, number: str = "", cursor: str | None = None, size: int = 20
) -> KeysetPage[SerialRow]:
    """An item's serials by number and where each is. One statement, and those of the registered lookup for the
    fitted ones."""
    rows = Serial.objects.visible_to(user).filter(item=item).select_related("location")
    if number:
        rows = rows.filter(number__istartswith=number)
    found = page(rows, SERIAL_ORDER, cursor=cursor, size=size)
    return KeysetPage(with_places(found.rows, user), found.next_cursor, found.first)


def orders_under_way(user: User, item: Item) -> list[OrderRow]:
    """Lines of drafts, approved and placed orders with something open, soonest first. One statement."""
    lines = (
        OrderLine.objects.filter(
            item=item,
            order__in=Order.objects.visible_to(user),
            order__state__in=(Order.State.DRAFT, Order.State.APPROVED, Order.State.PLACED),
            received__lt=F("quantity"),
        )
        .select_related("order__supplier", "order__destination")
        .order_by(F("order__expected_on").asc(nulls_last=True), "id")[:50]
    )
    return [
        OrderRow(
            id=line.order_id,
            number=line.order.number,
            supplier=line.order.supplier.name,
            destination=line.order.destination.name,
            state=line.order.get_state_display(),
            expected_on=line.order.expected_on,
            quantity=line.quantity,
            received=line.received,
        )
        for line in lines
    ]


def open_reservations(user: User, item: Item) -> list[ReservationRow]:
    """What is promised, soonest first. One statement."""
    found = (
        Reservation.objects.visible_to(user)
        .filter(item=item, state=Reservation.State.OPEN)
        .select_related("location")
        .order_by("needed_on", "id")[:50]
    )
    return [
        ReservationRow(r.pk, r.location.name, r.quantity, r.ahead, r.needed_on, r.reference) for r in found
    ]


def item_detail(
    user: User,
    pk: int,
    *,
    movements_after: str | None = None,
    serials_after: str | None = None,
    serial_number: str = "",
) -> ItemDetail:
    """All of one item's page. Six statements, and those of the registered lookup when a serial is fitted.

    Raises Item.DoesNotExist.
    """
    item = Item.objects.select_related("family", "variant__successor").get(pk=pk)
    balances = [
        level_row(row) for row in levels(user).filter(item_id=item.pk).order_by("rank", "location__name", "id")
    ]
    return ItemDetail(
        item=item,
        variant=getattr(item, "variant", None),
        balances=balances,
        on_hand=sum(row.on_hand for row in balances),
        available=sum(row.available for row in balances),
        movements=movement_page(user, item, cursor=movements_after),
        serials=serial_page(user, item, number=serial_number, cursor=serials_after),
        orders=orders_under_way(user, item),
        reservations=open_reservations(user, item),
    )


def transfer_places(user: User) -> QuerySet[Location]:
    """Counted locations that the person may move stock between. One statement."""
    return Location.objects.visible_to(user).counted().order_by("name")


def serials_in_stock(user: User, item: Item, *, most: int = 200) -> Sequence[tuple[str, str]]:
    """Numbers of an item's serials at counted places, with the place, to choose from. One statement."""
    return list(
        Serial.objects.filter(item=item, location__in=transfer_places(user).order_by())
        .order_by("number", "id")
        .values_list("number", "location__name")[:most]
    )


def find_serial(user: User, item: Item, number: str) -> Serial | None:
    """The item's serial of that number, if the person sees where it is. One statement."""
    return Serial.objects.visible_to(user).filter(item=item, number=number).first()
