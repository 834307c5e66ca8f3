"""What a person may post next for what lies at a place, and what the forms of these postings offer to choose."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Sum

from config.accounts.models import User
from config.accounts.rights import Right
from stock.models import BatchBalance, BinPlace, Item, Location, Movement, Reservation, Serial, Supplier, SupplierItem
from stock.queries.items import LevelRow, ReservationRow, level_row, levels, open_reservations
from stock.rules.codes import read_code

# verb -> (button, kinds of place that it starts from); in the order in which they are shown.
VERBS: dict[str, tuple[str, frozenset[str]]] = {
    "release": ("Tested: release", frozenset({Location.Kind.QUARANTINE})),
    "scrap": ("Scrap", frozenset({Location.Kind.QUARANTINE})),
    "move": ("Move", frozenset({Location.Kind.STORE, Location.Kind.VAN})),
    "quarantine": ("Put into quarantine", frozenset({Location.Kind.STORE, Location.Kind.VAN})),
    "return": ("Return to supplier", frozenset({Location.Kind.STORE, Location.Kind.QUARANTINE})),
    "write-off": ("Write off", frozenset(Location.PHYSICAL)),
}
LABELS = {verb: label for verb, (label, _kinds) in VERBS.items()}


@dataclass(frozen=True)
class Holding:
    """What one place holds of an item, with its bin, its batches and what the person may post from there."""

    row: LevelRow
    bin: str
    batches: list[tuple[str, int]]
    verbs: list[tuple[str, str]]


@dataclass(frozen=True)
class ItemHere:
    """An item as the phone shows it after a scan."""

    item: Item
    holdings: list[Holding]
    serials: list[tuple[int, str, str]]
    more_serials: bool
    batches: list[tuple[str, int]]
    reservations: list[ReservationRow]


def verbs_at(user: User, place: Location | None) -> list[tuple[str, str]]:
    """What the person may post for stock at a place, with the words for it. No statement."""
    if place is None:
        return []
    if user.has_right(Right.MOVE_STOCK):
        return [(verb, label) for verb, (label, kinds) in VERBS.items() if place.kind in kinds]
    if user.has_right(Right.VAN_STOCK) and place.kind == Location.Kind.VAN and place.engineer_id == user.pk:
        return [("back", "Bring back to the store"), ("quarantine", LABELS["quarantine"])]
    return []


def item_here(user: User, pk: int, *, at: int | None = None) -> ItemHere:
    """An item, what the places that the person sees hold of it, and what may be done there. Eight statements.

    `at` puts one place first. Raises Item.DoesNotExist.
    """
    item = Item.objects.get(pk=pk)
    rows = [level_row(row) for row in levels(user).filter(item_id=pk).order_by("location__name", "id")]
    places = {place.pk: place for place in Location.objects.visible_to(user).counted()}
    bins = dict(BinPlace.objects.filter(item=item, location__in=places).values_list("location_id", "code"))
    batches: dict[int, list[tuple[str, int]]] = {}
    for place, batch, held in (
        BatchBalance.objects.filter(item=item, location__in=places, on_hand__gt=0)
        .order_by("batch").values_list("location_id", "batch", "on_hand")
    ):
        batches.setdefault(place, []).append((batch, held))
    most = 30
    serials = list(
        Serial.objects.filter(item=item, location__in=places).order_by("number", "pk")
        .values_list("pk", "number", "location__name")[: most + 1]
    )
    holdings = [
        Holding(
            row, bins.get(row.location_id, ""), batches.get(row.location_id, []),
            verbs_at(user, places.get(row.location_id)) if row.on_hand else [],
        )
        for row in rows
    ]
    return ItemHere(
        item=item,
        holdings=sorted(holdings, key=lambda holding: holding.row.location_id != at),
        serials=serials[:most],
        more_serials=len(serials) > most,
        batches=_batches(item),
        reservations=open_reservations(user, item),
    )


def _batches(item: Item) -> list[tuple[str, int]]:
    """Batches of an item by the last received, with how many pieces ever came of each. One statement."""
    rows: QuerySet[Any, Any]
    if item.tracking == Item.Tracking.SERIAL:
        rows = Serial.objects.filter(item=item).exclude(batch="").values("batch").annotate(came=Count("id"))
    else:
        rows = (
            Movement.objects.filter(item=item, kind=Movement.Kind.RECEIVE).exclude(batch="").values("batch")
            .annotate(came=Sum("quantity"))
        )
    return list(rows.order_by("-batch").values_list("batch", "came")[:30])


def sources(user: User, verb: str) -> QuerySet[Location]:
    """Places that the person may post this from. One statement."""
    found = Location.objects.visible_to(user).filter(kind__in=VERBS[verb][1]).order_by("name")
    return found if user.has_right(Right.MOVE_STOCK) else found.filter(engineer=user)


def destinations(user: User, verb: str) -> QuerySet[Location]:
    """Places that the posting may end at. One statement."""
    kinds = [Location.Kind.QUARANTINE] if verb == "quarantine" else [Location.Kind.STORE, Location.Kind.VAN]
    return Location.objects.visible_to(user).filter(kind__in=kinds).order_by("kind", "name")


def suppliers_of(item: Item) -> QuerySet[Supplier]:
    """Suppliers, those that sell the item first. One statement."""
    sells = Exists(SupplierItem.objects.filter(supplier=OuterRef("pk"), item=item))
    return Supplier.objects.annotate(sells=sells).order_by("-sells", "name")


def named_serial(user: User, item: Item, text: str) -> Serial | None:
    """The item's serial of that number or label, with its place, if the person sees it. One statement."""
    code = read_code(text)
    named = Q(pk=code.number) if code is not None and code.kind == "serial" else Q(number__in={text, text.upper()})
    return (
        Serial.objects.visible_to(user).filter(named, item=item).select_related("location").order_by("number").first()
    )


def batches_at(user: User, item: Item) -> list[tuple[str, str]]:
    """Batches of an item at places that the person sees, with the place, to choose from. One statement."""
    places = Location.objects.visible_to(user).counted()
    return list(
        BatchBalance.objects.filter(item=item, location__in=places, on_hand__gt=0)
        .order_by("batch", "location__name").values_list("batch", "location__name")[:200]
    )


def movement(user: User, pk: int) -> Movement:
    """One movement with what it corrects and what corrected it. One statement. Raises Movement.DoesNotExist."""
    return (
        Movement.objects.visible_to(user)
        .select_related("item", "source", "destination", "serial", "posted_by", "corrects", "corrected_by__posted_by")
        .get(pk=pk)
    )


def correctable(movement: Movement) -> bool:
    """Whether a counter-movement may take it back: no correction, not corrected, no serial to or from a site, no part
    of a transfer.

    No statement; the movement must come from `movement`.
    """
    ends = {movement.source.kind, movement.destination.kind}
    return (
        movement.kind != Movement.Kind.CORRECT and not hasattr(movement, "corrected_by")
        and Location.Kind.TRANSIT not in ends
        and not (movement.serial_id is not None and Location.Kind.SITE in ends)
    )


def reservation(user: User, pk: int) -> Reservation:
    """One reservation. One statement. Raises Reservation.DoesNotExist."""
    return Reservation.objects.visible_to(user).select_related("item", "location").get(pk=pk)
