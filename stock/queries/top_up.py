"""Reads of the van top-up: what it is computed from, today's pick lists, a van's content, a store's bins."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import F, FilteredRelation, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce

from config.accounts.models import User
from config.keyset import KeysetPage, page
from stock import work
from stock.models import (
    Balance,
    BinPlace,
    Item,
    Location,
    Order,
    OrderLine,
    Reservation,
    StockLevel,
    Transfer,
    TransferLine,
)
from stock.queries.transfers import LineRow, transfer_lines, with_choices
from stock.rules.top_up import Promise, StoreItem, VanItem, VisitNeed
from stock.work import PlannedPart

State = Transfer.State


# --- what the lists are computed from --------------------------------------------------------------------------------


def stores_with_vans(user: User | None = None) -> list[Location]:
    """Stores whose branch has vans, by key; those that the person sees. One statement.

    Of several stores of a branch the first fills the vans.
    """
    places = Location.objects.all() if user is None else Location.objects.visible_to(user)
    rows = places.filter(
        kind=Location.Kind.STORE, branch__in=Location.objects.filter(kind=Location.Kind.VAN).values("branch")
    ).order_by("branch_id", "pk")
    first: dict[int, Location] = {}
    for store in rows:
        first.setdefault(store.branch_id or 0, store)
    return sorted(first.values(), key=lambda store: store.pk)


@dataclass(frozen=True)
class TopUpScene:
    """Everything that one store's pick lists are computed from."""

    vans: dict[int, Location]
    needs: list[VisitNeed]
    van_items: list[VanItem]
    store_items: list[StoreItem]
    elsewhere: dict[tuple[int, int], list[str]]


def top_up_scene(store: Location, parts: Sequence[PlannedPart], *, for_day: date) -> TopUpScene:
    """Vans, needs and stock of one store for that evening. Five statements."""
    vans = {van.pk: van for van in Location.objects.filter(kind=Location.Kind.VAN, branch=store.branch_id)}
    van_of = {van.engineer_id: van.pk for van in vans.values() if van.engineer_id}
    mine = [part for part in parts if part.van_of in van_of and part.day is not None and part.day >= for_day]
    lines = list(
        TransferLine.objects.filter(transfer__state__in=(State.TO_PICK, State.SENT))
        .filter(Q(transfer__source=store) | Q(transfer__destination__in=vans))
        .select_related("transfer")
    )
    named = {part.reservation_id for part in mine if part.reservation_id} | {
        note["reservation"] for line in lines for note in line.reasons if note.get("reservation")
    }
    places = {
        pk: (location_id, ahead, quantity, name) for pk, location_id, ahead, quantity, name in
        Reservation.objects.filter(pk__in=named, state=Reservation.State.OPEN)
        .values_list("pk", "location_id", "ahead", "quantity", "location__name")
    }
    needs, elsewhere = _needs(mine, van_of, store, places, _on_lists(lines))
    levels = {
        (level.location_id, level.item_id): level
        for level in StockLevel.objects.filter(location__in=vans)
    }
    items = {need.item_id for need in needs} | {item_id for _, item_id in levels}
    coming, spoken_for = _under_way(lines, vans, store, places)
    balances = {
        (row.location_id, row.item_id): row
        for row in Balance.objects.filter(location__in=[store.pk, *vans], item__in=items)
    }
    nothing = Balance()
    keys = {(need.van_id, need.item_id) for need in needs} | set(levels)
    van_items = []
    for van, item in sorted(keys):
        held, level = balances.get((van, item), nothing), levels.get((van, item))
        van_items.append(VanItem(
            van_id=van, item_id=item, free=held.on_hand - held.reserved, coming=coming[van, item],
            minimum=level.minimum if level else 0, target=level.target if level else 0,
        ))
    store_items = [
        StoreItem(item_id=item, on_hand=held.on_hand, reserved=held.reserved, reserved_ahead=held.reserved_ahead,
                  on_order=held.on_order, spoken_for=spoken_for[item])
        for item in sorted(items) if (held := balances.get((store.pk, item), nothing))
    ]
    return TopUpScene(vans, needs, van_items, store_items, elsewhere)


def _on_lists(lines: Sequence[TransferLine]) -> dict[int, int]:
    """How much of each reservation stands on a list that is not sent yet."""
    found: dict[int, int] = defaultdict(int)
    for line in lines:
        if line.transfer.state == State.TO_PICK:
            for note in line.reasons:
                if note.get("reservation"):
                    found[note["reservation"]] += note["quantity"]
    return found


def _needs(
    parts: Sequence[PlannedPart],
    van_of: Mapping[int, int],
    store: Location,
    places: Mapping[int, tuple[int, bool, int, str]],
    on_lists: Mapping[int, int],
) -> tuple[list[VisitNeed], dict[tuple[int, int], list[str]]]:
    """What visits need beyond what is promised in their van or on a list already; and what is promised elsewhere."""
    needs: list[VisitNeed] = []
    elsewhere: dict[tuple[int, int], list[str]] = defaultdict(list)
    for part in parts:
        assert part.day is not None
        assert part.van_of is not None
        van = van_of[part.van_of]
        promise, reservation, quantity = Promise.NONE, part.reservation_id, part.quantity
        if reservation is not None:
            location, ahead, _, name = places.get(reservation, (0, False, 0, ""))
            quantity -= on_lists.get(reservation, 0)
            if location in {0, van} or quantity <= 0:
                continue
            if location != store.pk:
                elsewhere[van, part.item_id].append(f"{part.quantity} for {_work(part)} promised at {name}")
                continue
            promise = Promise.AHEAD if ahead else Promise.FIRM
        needs.append(VisitNeed(van, part.item_id, quantity, part.day, _work(part), promise, reservation))
    return needs, elsewhere


def _work(part: PlannedPart) -> str:
    """For example "visit 1172 at S000013 on 26 Nov"."""
    return f"{part.visit or part.reference} on {part.day:%-d %b}" if part.day else part.visit or part.reference


def _under_way(
    lines: Sequence[TransferLine],
    vans: Mapping[int, Location],
    store: Location,
    places: Mapping[int, tuple[int, bool, int, str]],
) -> tuple[dict[tuple[int, int], int], dict[int, int]]:
    """What nobody is promised: on the way to each van (lists to be picked count), and on lists of the store."""
    coming: dict[tuple[int, int], int] = defaultdict(int)
    spoken_for: dict[int, int] = defaultdict(int)
    groups: dict[tuple[int, int], list[TransferLine]] = defaultdict(list)
    for line in lines:
        groups[line.transfer_id, line.item_id].append(line)
    for (_, item_id), group in groups.items():
        transfer = group[0].transfer
        promised = 0
        for note in (note for line in group for note in line.reasons):
            location, _, quantity, _ = places.get(note.get("reservation") or 0, (0, False, 0, ""))
            if transfer.state == State.TO_PICK and location == transfer.source_id:
                promised += min(quantity, note["quantity"])
            elif transfer.state == State.SENT and location not in {0, transfer.source_id, transfer.destination_id}:
                promised += quantity
        if transfer.state == State.TO_PICK:
            free = max(0, max(sum(line.wanted for line in group), sum(line.sent for line in group)) - promised)
            if transfer.source_id == store.pk:
                spoken_for[item_id] += free
        else:
            free = max(0, sum(line.sent - line.arrived - line.settled for line in group) - promised)
        if transfer.destination_id in vans:
            coming[transfer.destination_id, item_id] += free
    return coming, spoken_for


def expected_orders(store: Location, items: Sequence[int], *, today: date) -> dict[int, str]:
    """When more of each item is expected at the store, in words. One statement."""
    found: dict[int, str] = {}
    lines = OrderLine.objects.filter(
        item__in=items, order__destination=store, order__state=Order.State.PLACED, received__lt=F("quantity")
    ).select_related("order", "item").order_by("order__expected_on", "order_id")
    for line in lines:
        if line.item_id not in found and line.order.expected_on is not None:
            due = "was due" if line.order.expected_on < today else "expected"
            found[line.item_id] = (
                f"{line.quantity - line.received} {line.item.unit} {due} on {line.order.expected_on:%-d %b} "
                f"({line.order.number})"
            )
    return found


# --- today's lists ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class VanList:
    transfer: Transfer
    lines: list[LineRow]

    @property
    def done_lines(self) -> int:
        return sum(line.touched or not line.wanted for line in self.lines)


@dataclass(frozen=True)
class Round:
    """The walk through one store: its lists, and all their lines in bin order."""

    store: Location
    lists: list[VanList]
    walk: list[tuple[Transfer, LineRow]]


def top_up_rounds(user: User, *, day: date) -> list[Round]:
    """Top-up lists of that evening that are not cancelled, and older ones still to be picked, by store.

    Four statements, and two more for each store with something to pick.
    """
    found = list(
        Transfer.objects.visible_to(user)
        .filter(purpose=Transfer.Purpose.TOP_UP)
        .filter(Q(for_day=day) & ~Q(state=State.CANCELLED) | Q(state=State.TO_PICK))
        .select_related("source", "destination").order_by("source__name", "destination__name", "pk")
    )
    if not found:
        return []
    shown = transfer_lines(found)
    rounds = []
    for store in dict.fromkeys(transfer.source for transfer in found):
        mine = [transfer for transfer in found if transfer.source_id == store.pk]
        walk = [pair for pair in shown if pair[0].source_id == store.pk and pair[0].state == State.TO_PICK]
        rounds.append(Round(
            store=store,
            lists=[VanList(t, [row for transfer, row in shown if transfer.pk == t.pk]) for t in mine],
            walk=with_choices(walk, store) if walk else [],
        ))
    return rounds


# --- a van, a store --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class VanRow:
    item_id: int
    sku: str
    name: str
    unit: str
    on_hand: int
    reserved: int
    minimum: int
    target: int
    coming: int
    serials: str

    @property
    def available(self) -> int:
        return self.on_hand - self.reserved

    @property
    def below(self) -> bool:
        return self.available < self.minimum


def vans(user: User) -> QuerySet[Location]:
    """Vans that the person sees. One statement."""
    return (
        Location.objects.visible_to(user).filter(kind=Location.Kind.VAN).select_related("engineer", "branch")
        .order_by("name", "pk")
    )


def van_content(van: Location) -> list[VanRow]:
    """What a van holds, should hold, and what is on the way to it, by name. Three statements."""
    coming = {
        row["item"]: row["n"] for row in
        TransferLine.objects.filter(transfer__destination=van, transfer__state=State.SENT).values("item").annotate(
            n=Sum(F("sent") - F("arrived") - F("settled"))
        )
    }
    numbers: dict[int, list[str]] = defaultdict(list)
    for item_id, number in van.serials.order_by("number").values_list("item_id", "number"):
        numbers[item_id].append(number)
    rows: QuerySet[Any, dict[str, Any]] = (
        Balance.objects.filter(location=van)
        .alias(level=FilteredRelation("item__levels", condition=Q(item__levels__location=F("location"))))
        .annotate(minimum=Coalesce(F("level__minimum"), Value(0)), target=Coalesce(F("level__target"), Value(0)))
        .filter(Q(on_hand__gt=0) | Q(target__gt=0) | Q(item__in=coming))
        .values("item_id", "item__sku", "item__name", "item__unit", "on_hand", "reserved", "minimum", "target")
    )
    content = [
        VanRow(row["item_id"], row["item__sku"], row["item__name"], row["item__unit"], row["on_hand"],
               row["reserved"], row["minimum"], row["target"], coming.get(row["item_id"], 0),
               ", ".join(numbers[row["item_id"]]))
        for row in rows
    ]
    return sorted(content, key=lambda row: (not row.below, row.name, row.item_id))


BIN_ORDER = ("sku", "id")


@dataclass(frozen=True)
class BinRow:
    id: int
    sku: str
    name: str
    unit: str
    on_hand: int
    code: str


def bin_page(
    store: Location, *, text: str = "", without: bool = False, cursor: str | None = None, size: int = 50
) -> KeysetPage[BinRow]:
    """Items of a store (held there, with a level or a bin) and where they lie. One statement."""
    rows = (
        Item.objects.filter(pk__in=Balance.objects.filter(location=store).values("item"))
        | Item.objects.filter(pk__in=BinPlace.objects.filter(location=store).values("item"))
    ).annotate(
        place=FilteredRelation("bins", condition=Q(bins__location=store)),
        held=FilteredRelation("balances", condition=Q(balances__location=store)),
        code=Coalesce(F("place__code"), Value("")),
        on_hand=Coalesce(F("held__on_hand"), Value(0)),
    )
    if text:
        rows = rows.filter(Q(sku__icontains=text) | Q(name__icontains=text) | Q(place__code__istartswith=text))
    if without:
        rows = rows.filter(code="")
    found = page(rows, BIN_ORDER, cursor=cursor, size=size)
    return KeysetPage(
        [BinRow(row.pk, row.sku, row.name, row.unit, row.on_hand, row.code) for row in found.rows],
        found.next_cursor, found.first,
    )


def planned(until: date) -> list[PlannedPart]:
    """Parts of planned work up to that day, as the app that plans it answers."""
    return work.planned_parts(until)
