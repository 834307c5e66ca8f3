"""Where a serial is and has been: its whole life from the ledger, and from the records of whoever knows devices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from config.accounts.models import User
from config.accounts.rights import Right
from stock import places
from stock.models import Item, Location, Movement, Order, Serial, StoresPolicy
from stock.places import Fitting, PlaceText
from stock.queries.items import with_places

_TONES: dict[str, str] = {
    Movement.Kind.FIT: "ok", Movement.Kind.SCRAP: "bad", Movement.Kind.WRITE_OFF: "bad", Movement.Kind.CORRECT: "warn",
    Movement.Kind.RELEASE: "ok", Movement.Kind.RETURN: "warn", Movement.Kind.REMOVE: "warn",
}


@dataclass(frozen=True)
class Step:
    """One movement in a serial's life. Places that the person may not see are named by their kind only."""

    movement_id: int
    opens: bool  # whether the person may open the movement's page
    at: datetime
    what: str
    tone: str
    source: str
    destination: str
    by: str
    reference: str
    note: str
    correction: bool
    corrected: bool
    order_id: int | None
    unit_cost: Decimal | None
    fitting: Fitting | None


@dataclass(frozen=True)
class SerialLife:
    """A serial, where it is now, and every step, the last first."""

    serial: Serial
    place: PlaceText
    fitted: bool
    supplier: str
    received_at: datetime | None
    order_id: int | None
    order: str
    unit_cost: Decimal | None
    currency: str
    steps: list[Step]

    @property
    def item(self) -> Item:
        return self.serial.item


def serial_life(user: User, pk: int) -> SerialLife:
    """A serial's whole life. Six statements, those of the registered lookups beside.

    What it cost is told to those who order stock. Raises Serial.DoesNotExist for one that the person does not see.
    """
    serial = Serial.objects.visible_to(user).select_related("item", "location").get(pk=pk)
    movements = list(
        Movement.objects.filter(serial=serial)
        .select_related("source__supplier", "destination__supplier", "posted_by", "corrected_by")
        .order_by("id")
    )
    ends = {end for movement in movements for end in (movement.source_id, movement.destination_id)}
    seen = set(Location.objects.visible_to(user).filter(pk__in=ends).values_list("pk", flat=True))
    opened = set(
        Movement.objects.visible_to(user).filter(pk__in=[m.pk for m in movements]).values_list("pk", flat=True)
    )
    receipts = [m for m in movements if m.kind == Movement.Kind.RECEIVE]
    orders = _orders(user, receipts)
    costs = user.has_right(Right.ORDER_STOCK)
    fittings = iter(places.serial_fittings(serial.pk, user))
    steps = [
        _step(
            movement, seen, opened, orders, costs=costs,
            # The record has one time in a device for each way to a site, in the same order.
            fitting=next(fittings, None) if movement.destination.kind == Location.Kind.SITE else None,
        )
        for movement in movements
    ]
    row = with_places([serial], user)[0]
    standing = [m for m in receipts if not hasattr(m, "corrected_by")]
    first = standing[0] if standing else None
    return SerialLife(
        serial=serial,
        place=row.place,
        fitted=row.fitted,
        supplier=_name(first.source, seen) if first else "",
        received_at=first.at if first else None,
        order_id=orders.get(first.reference) if first else None,
        order=first.reference if first else "",
        unit_cost=first.unit_cost if first and costs else None,
        currency=_currency() if costs else "",
        steps=steps[::-1],
    )


def _orders(user: User, receipts: Sequence[Movement]) -> dict[str, int]:
    """Keys by number of the orders that serials came with and that the person may open. One statement."""
    numbers = {movement.reference for movement in receipts if movement.reference}
    return dict(Order.objects.visible_to(user).filter(number__in=numbers).values_list("number", "pk"))


def _currency() -> str:
    found = StoresPolicy.objects.values_list("currency", flat=True).first()
    return found or "GBP"


def _name(place: Location, seen: set[int]) -> str:
    if place.pk in seen:
        supplier = getattr(place, "supplier", None)
        return str(supplier) if supplier is not None else place.name
    return {Location.Kind.VAN: "A van", Location.Kind.STORE: "Another branch's store"}.get(
        Location.Kind(place.kind), "A place of another branch"
    )


def _step(
    movement: Movement, seen: set[int], opened: set[int], orders: dict[str, int], *, costs: bool,
    fitting: Fitting | None,
) -> Step:
    return Step(
        movement_id=movement.pk,
        opens=movement.pk in opened,
        at=movement.at,
        what=movement.get_kind_display(),
        tone=_TONES.get(movement.kind, "info"),
        source=_name(movement.source, seen),
        destination=_name(movement.destination, seen),
        by=movement.posted_by.name if movement.posted_by else "",
        reference=movement.reference,
        note=movement.note,
        correction=movement.corrects_id is not None,
        corrected=hasattr(movement, "corrected_by"),
        order_id=orders.get(movement.reference) if movement.kind == Movement.Kind.RECEIVE else None,
        unit_cost=movement.unit_cost if costs else None,
        fitting=fitting,
    )
