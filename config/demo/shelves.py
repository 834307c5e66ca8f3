"""What lies on the shelves and in the vans today: levels, some below their minimum, orders on the way, promises."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import timedelta

from config.accounts.rights import Role
from config.demo.catalogue import Catalogue
from config.demo.firm import VAN_WITH_A_GAP, Crew, local
from config.demo.stockroom import Stockroom
from maintenance.models import Visit
from stock.models import Balance, Item, Location, Movement, Order, Reservation, Serial, StockLevel

# Minimum and target by kind of item.
LEVELS = {
    Item.Kind.COVER: (2, 6), Item.Kind.BACKPLATE: (4, 16), Item.Kind.BOARD: (5, 24), Item.Kind.INSERT: (2, 8),
    Item.Kind.CABLE: (200, 800), Item.Kind.SPARE: (6, 24),
}
# Kits that the vans carry; the van with a gap lacks the backplate of its first.
VAN_KITS = {"van-1": ("BF2-2P", "QS2-3PA"), "van-2": ("FW2-3DA", "BF2-2P"), "van-4": ("QS2-3DA", "BF2-2P-PET"),
            "van-5": ("FW2-2D", "ML2-2P")}
BATTERY = "SP-BAT-7"


def fill_shelves(room: Stockroom, crews: Sequence[Crew]) -> None:
    """Stock on hand, levels, and orders on order for what is short. Writes orders at once; movements are posted
    to the room's ledger."""
    random, people = room.random, room.people
    short: dict[str, list[tuple[Item, int]]] = {}
    serials: list[Serial] = []
    levels = []
    for branch, store in people.stores.items():
        for item in _shelf_items(room.catalogue):
            minimum, target = LEVELS[Item.Kind(item.kind)]
            below = item.sku != BATTERY and random.random() < 0.14
            quantity = random.randrange(minimum) if below else random.randint(minimum, target)
            levels.append(StockLevel(item=item, location=store, minimum=minimum, target=target))
            if below:
                short.setdefault(branch, []).append((item, target - quantity))
            _bring(room, item, store, quantity, f"ST-{branch}", serials)
    for code in ("TW-2P", "ML-2D"):  # left over from before they were discontinued
        _bring(room, room.catalogue.covers[code], people.stores["ELL"], 1, "LEFT", serials)
    for crew in crews:
        for position, code in enumerate(VAN_KITS.get(crew.van.code, ())):
            parts = room.catalogue.kits[code]
            lacks = 1 if crew.van.code == VAN_WITH_A_GAP and position == 0 else None
            for index, item in enumerate(parts):
                if index != lacks:
                    _load_van(room, item, crew, serials)
    Serial.objects.bulk_create(serials)
    StockLevel.objects.bulk_create(levels)
    _orders(room, short)


def _shelf_items(catalogue: Catalogue) -> list[Item]:
    """Everything that is still made, in order of the catalogue."""
    covers = [cover for code, cover in catalogue.covers.items() if catalogue.rows[code].gone_years is None]
    backplates = [backplate.item for backplate in catalogue.backplates.values()]
    boards = [board.item for board in catalogue.boards.values()]
    return [*covers, *backplates, *boards, *catalogue.inserts.values(), *catalogue.spares.values()]


def _bring(
    room: Stockroom, item: Item, store: Location, quantity: int, mark: str, serials: list[Serial]
) -> None:
    source = room.supplier_of(item).location
    at = local(room.today - timedelta(days=34), 9)
    if item.tracking == Item.Tracking.SERIAL:
        for number in range(1, quantity + 1):
            serial = Serial(item=item, number=f"{mark}-{item.sku[3:]}-{number:02d}")
            serials.append(serial)
            room.ledger.post(Movement.Kind.RECEIVE, item, source, store, at, room.stores_user, serial=serial)
    elif quantity:
        batch = f"B{room.today.year - 1}-10" if item.tracking == Item.Tracking.BATCH else ""
        room.ledger.post(
            Movement.Kind.RECEIVE, item, source, store, at, room.stores_user, quantity=quantity, batch=batch
        )


def _load_van(room: Stockroom, item: Item, crew: Crew, serials: list[Serial]) -> None:
    store = room.people.stores[crew.branch]
    serial = None
    if item.tracking == Item.Tracking.SERIAL:
        serial = Serial(item=item, number=f"{crew.van.code.upper()}-{item.sku[3:]}")
        serials.append(serial)
    for source, destination, days in ((room.supplier_of(item).location, store, 34), (store, crew.van, 20)):
        kind = Movement.Kind.RECEIVE if days == 34 else Movement.Kind.TRANSFER
        room.ledger.post(kind, item, source, destination, local(room.today - timedelta(days=days), 10),
                         room.stores_user, serial=serial, note="" if days == 34 else "Kit for the van")


def _orders(room: Stockroom, short: dict[str, list[tuple[Item, int]]]) -> None:
    """Most of what is short is on order; one order of each branch is part received."""
    for branch, wanted in short.items():
        ordered = [entry for index, entry in enumerate(wanted) if index % 4 != 3]
        for position, supplier in enumerate(room.people.suppliers):
            mine = [(item, count) for item, count in ordered if room.supplier_of(item) is supplier]
            if not mine:
                continue
            number = f"PO-{room.today:%y}9{position}-{branch}"
            lines: list[tuple[Item, int, int]] = []
            for item, count in mine:
                part = count // 3 if not lines and item.tracking == Item.Tracking.NONE else 0
                lines.append((item, count, part))
                if part:
                    room.ledger.post(
                        Movement.Kind.RECEIVE, item, supplier.location, room.people.stores[branch],
                        local(room.today - timedelta(days=2), 9), room.stores_user, quantity=part, reference=number,
                    )
            expected = room.today + timedelta(days=3 + 4 * position)
            room.order(number, supplier, room.people.stores[branch], Order.State.PLACED, expected, lines)


def _more_than_held() -> dict[int, list[tuple[int, int]]]:
    """For each store, two items on order there and a quantity that the whole branch does not hold today."""
    held: Counter[tuple[int, int]] = Counter()
    balances = list(
        Balance.objects.filter(location__kind__in=("store", "van"), item__kind__in=("board", "backplate"))
        .select_related("location").order_by("item__sku")
    )
    for balance in balances:
        assert balance.location.branch_id is not None
        held[balance.location.branch_id, balance.item_id] += balance.on_hand
    late: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for balance in balances:
        wanted = held[balance.location.branch_id or 0, balance.item_id] + 2
        free = balance.on_hand + balance.on_order - balance.reserved - balance.reserved_ahead
        if balance.on_order and wanted <= free and len(late[balance.location_id]) < 2:
            late[balance.location_id].append((balance.item_id, wanted))
    return late


def reserve(room: Stockroom, visits: Sequence[Visit], branches: Sequence[str]) -> int:
    """Promise a battery to the first planned visits, and to two of each branch more boards or backplates than
    the branch holds: they are on order, but come after the visit, which is what the shortage list is for."""
    reservations = []
    battery = room.catalogue.spares[BATTERY]
    planned = [
        (visit, branch) for visit, branch in zip(visits, branches, strict=True) if visit.state in Visit.LIVE
    ]
    planned.sort(key=lambda entry: (entry[0].period[0], entry[0].pk))
    late = _more_than_held()
    for index, (visit, branch) in enumerate(planned[:8]):
        store = room.people.stores[branch]
        day = visit.period[0].date()
        made = {"needed_on": day, "reference": f"visit {visit.pk}", "made_by": room.people.office[Role.SCHEDULER]}
        reservations.append(Reservation(item=battery, location=store, quantity=1, **made))
        if index % 2 == 0 and late[store.pk]:
            item_id, quantity = late[store.pk].pop()
            reservations.append(
                Reservation(item_id=item_id, location=store, quantity=quantity, ahead=True, **made)
            )
    Reservation.objects.bulk_create(reservations)
    return len(reservations)
