"""Bins, what vans should hold, and three transfers: one to pick, one on its way, one with a difference."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from config.accounts.models import User
from config.accounts.rights import Role
from config.demo.firm import People, local
from stock.models import Balance, BinPlace, Item, Location, Serial, StockLevel, Transfer
from stock.services.transfers import confirm, make_transfer, pick, send

# Where each kind of item lies: its shelf, and how many bins a shelf has.
_SHELVES = {
    Item.Kind.COVER: ("A", 12), Item.Kind.BACKPLATE: ("B", 12), Item.Kind.BOARD: ("C", 12), Item.Kind.INSERT: ("D", 8),
    Item.Kind.SPARE: ("E", 8), Item.Kind.CABLE: ("K", 4),
}
# What each van should always hold: kind, how many different items, minimum and target.
_VAN_LEVELS = ((Item.Kind.SPARE, 3, 2, 4), (Item.Kind.BOARD, 2, 1, 3), (Item.Kind.COVER, 1, 1, 2))


def load_transfers(people: People, today: date) -> int:
    """Write bins, van levels and three transfers of the first branch; returns the number of transfers."""
    bins, levels = [], []
    for store in people.stores.values():
        number: dict[str, int] = {}
        held = Balance.objects.filter(location=store).select_related("item").order_by("item__sku")
        for balance in held:
            shelf, size = _SHELVES[Item.Kind(balance.item.kind)]
            number[shelf] = number.get(shelf, 0) + 1
            row, place = divmod(number[shelf] - 1, size)
            bins.append(BinPlace(location=store, item=balance.item, code=f"{shelf}{row + 1}-{place + 1}"))
    for crew in people.crews:
        for kind, items, minimum, target in _VAN_LEVELS:
            levels += [
                StockLevel(item=item, location=crew.van, minimum=minimum, target=target)
                for item in Item.objects.filter(kind=kind, variant__discontinued_on=None).order_by("sku")[:items]
            ]
    BinPlace.objects.bulk_create(bins)
    StockLevel.objects.bulk_create(levels)
    return _transfers(people, today)


def _transfers(people: People, today: date) -> int:
    crew = people.crews[0]
    store, sender = people.stores[crew.branch], people.office[Role.STORES]
    free = [
        balance.item for balance in
        Balance.objects.filter(location=store, item__tracking=Item.Tracking.NONE, on_hand__gte=6, reserved=0,
                               reserved_ahead=0)
        .exclude(item__kind=Item.Kind.CABLE).select_related("item").order_by("item__sku")
    ]
    serial = Serial.objects.filter(location=store, number__startswith="ST-").select_related("item").order_by(
        "number").first()
    if len(free) < 4 or serial is None:
        return 0
    # The evening before, after everything else that the record holds.
    evening = local(today - timedelta(days=1), 18)
    _listed(1, store, people.crews[1].van, {free[0]: 2, free[1]: 1}, sender, note="For the works of next week")
    on_way = _listed(2, store, crew.van, {free[2]: 2, serial.item: 1}, sender, serials=[serial])
    send(on_way, by=sender, version=None, at=evening)
    short = _listed(3, store, crew.van, {free[3]: 3}, sender)
    send(short, by=sender, version=None, at=evening)
    line = short.lines.get()
    confirm(short, by=crew.user, version=None, quantities={line.pk: 2}, finish=True, at=evening + timedelta(minutes=40))
    Transfer.objects.filter(pk__in=(on_way.pk, short.pk)).update(made_at=evening - timedelta(hours=1))
    return 3


def _listed(
    number: int, store: Location, van: Location, lines: dict[Item, int], by: User, *, serials: Sequence[Serial] = (),
    note: str = "",
) -> Transfer:
    """A pick list; picked in full, unless it has a note. Its number does not depend on earlier loads."""
    made = make_transfer(source=store, destination=van, by=by, lines=lines, note=note)
    made.number = f"TR-D{number}"
    made.save(update_fields=["number"])
    for line in made.lines.select_related("item") if not note else ():
        pieces = [serial for serial in serials if serial.item_id == line.item_id]
        pick(made, line.pk, by=by, version=None, quantity=None if pieces else line.wanted, serials=pieces)
    return made
