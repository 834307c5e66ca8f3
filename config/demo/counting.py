"""Two counts of the invented firm: one posted some days ago, and one of a van that is half done."""

from __future__ import annotations

from datetime import date, timedelta

from config.accounts.rights import Role
from config.demo.firm import People, local
from config.demo.stockroom import Stockroom
from stock.models import Balance, CountLine, Item, Location, Movement, StockCount

POSTED_BRANCH = "ELL"
HALF_COUNTED_VAN = "van-4"
NUMBER = "CT-DEMO-1"
ONE_TOO_MANY = "SP-LABEL"
DAYS_AGO = 12


def find_one_more(room: Stockroom) -> None:
    """The difference of the count that is posted, in the room's ledger: it is written in order of time."""
    people = room.people
    room.ledger.post(
        Movement.Kind.COUNT, room.catalogue.spares[ONE_TOO_MANY], people.scrap, people.stores[POSTED_BRANCH],
        local(room.today - timedelta(days=DAYS_AGO), 16), people.office[Role.STORES], reference=NUMBER,
    )


def load_counts(people: People, today: date) -> int:
    """Write them; returns how many."""
    _posted(people, today)
    _half_done(people, today)
    return 2


def _kept_at(place: Location) -> list[Balance]:
    """What is kept there by quantity, in order of stock number."""
    found = Balance.objects.filter(location=place, item__tracking=Item.Tracking.NONE, on_hand__gt=0)
    return list(found.select_related("item").order_by("item__sku"))


def _posted(people: People, today: date) -> None:
    """Spare parts and boards: all as the ledger said but for one piece more of the labels."""
    store, by = people.stores[POSTED_BRANCH], people.office[Role.STORES]
    day = today - timedelta(days=DAYS_AGO)
    count = StockCount.objects.create(
        number=NUMBER, location=store, state=StockCount.State.POSTED, blind=True, started_by=by, posted_by=by,
        note="Spare parts and boards", started_at=local(day, 13), posted_at=local(day, 16),
    )
    CountLine.objects.bulk_create(
        CountLine(
            count=count, item=b.item, book=b.on_hand - (b.item.sku == ONE_TOO_MANY), counted=b.on_hand,
            counted_by=by, counted_at=local(day, 14), difference_posted=int(b.item.sku == ONE_TOO_MANY),
        )
        for b in _kept_at(store) if b.item.kind in (Item.Kind.SPARE, Item.Kind.BOARD)
    )


def _half_done(people: People, today: date) -> None:
    crew = next(crew for crew in people.crews if crew.van.code == HALF_COUNTED_VAN)
    day = today - timedelta(days=1)
    count = StockCount.objects.create(
        number="CT-DEMO-2", location=crew.van, blind=True, started_by=crew.user, started_at=local(day, 16)
    )
    everything = Balance.objects.filter(location=crew.van, on_hand__gt=0).select_related("item").order_by("item__sku")
    for position, b in enumerate(everything):
        by_quantity = b.item.tracking == Item.Tracking.NONE
        batches = b.item.batch_balances.filter(location=crew.van, on_hand__gt=0).values_list("batch", flat=True)
        for batch in batches if b.item.tracking == Item.Tracking.BATCH else [""]:
            counted = b.on_hand if by_quantity and position % 2 == 0 else None
            CountLine.objects.create(
                count=count, item=b.item, batch=batch, counted=counted, book=counted,
                counted_by=crew.user if counted is not None else None,
                counted_at=local(day, 17) if counted is not None else None,
            )
