"""Each evening a pick list for every van; and what a van should hold and where things lie in a store."""

from __future__ import annotations

from datetime import date

from django.db import connection, transaction
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from config.again import again
from config.errors import InvalidInput, NotAllowed
from stock.models import BinPlace, Item, Location, StockLevel, StoresPolicy, Transfer, TransferLine
from stock.queries.top_up import TopUpScene, expected_orders, planned, stores_with_vans, top_up_scene
from stock.queries.transfer_people import refusal_to_send
from stock.rules.top_up import PickLine, last_day, pick_lines
from stock.services.purchasing import make_stock_level, set_stock_level
from stock.services.transfers import new_transfer
from stock.work import PlannedPart

# Any number that no other advisory lock of the service uses; with the store's key.
LOCK = 20_170_141
State = Transfer.State


def top_up_vans(*, business_date: date | None = None, by: User | None = None) -> int:
    """Make the evening's pick list for every van that needs something; returns how many lists were made.

    For the visits of the policy's number of working days after the day (default: today), and up to each van's own
    minimum and target. A van that has a list of that evening gets no second one, so a repeat makes good what a killed
    run left. Each store is one transaction, and two runs wait for one another there. `by`: the person who asked,
    who tops up only the stores they see.
    """
    day = business_date or timezone.localdate()
    parts = planned(last_day(day, StoresPolicy.current().top_up_days))
    return sum(_top_up_store(store, parts, day=day, by=by) for store in stores_with_vans(by))


@again
@transaction.atomic
def _top_up_store(store: Location, parts: list[PlannedPart], *, day: date, by: User | None) -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s, %s)", [LOCK, store.pk])
    _drop_untouched(store, before=day)
    scene = top_up_scene(store, parts, for_day=day)
    made = set(
        Transfer.objects.filter(purpose=Transfer.Purpose.TOP_UP, for_day=day, destination__in=scene.vans)
        .exclude(state=State.CANCELLED).values_list("destination_id", flat=True)
    )
    needs = [need for need in scene.needs if need.van_id not in made]
    van_items = [row for row in scene.van_items if row.van_id not in made]
    lines = pick_lines(needs, van_items, scene.store_items)
    if not lines:
        return 0
    items = Item.objects.in_bulk({line.item_id for line in lines})
    expected = expected_orders(store, [line.item_id for line in lines if line.short], today=day)
    by_van: dict[int, list[PickLine]] = {}
    for line in lines:
        by_van.setdefault(line.van_id, []).append(line)
    for van_id, mine in by_van.items():
        new_transfer(
            source=store, destination=scene.vans[van_id], purpose=Transfer.Purpose.TOP_UP, by=by, for_day=day,
            lines=[(items[line.item_id], line.quantity, _notes(line, items[line.item_id], scene, expected))
                   for line in mine],
        )
    return len(by_van)


def _notes(line: PickLine, item: Item, scene: TopUpScene, expected: dict[int, str]) -> list[dict[str, object]]:
    """Why the line is there, in words, with the reservations that travel with it."""
    level = next(row for row in scene.van_items if (row.van_id, row.item_id) == (line.van_id, line.item_id))
    notes: list[dict[str, object]] = []
    for share in line.shares:
        if share.need is None:
            text = f"van's own minimum {level.minimum}, filled up to {level.target}"
            notes.append({"kind": "level", "text": text, "quantity": share.quantity})
        else:
            note: dict[str, object] = {"kind": "work", "text": share.need.work, "quantity": share.quantity}
            if share.need.reservation_id is not None:
                note["reservation"] = share.need.reservation_id
            notes.append(note)
    if line.short:
        coming = expected.get(line.item_id, "none is on order")
        text = f"{line.short} {item.unit} short at the store; {coming}"
        notes.append({"kind": "shortage", "text": text, "quantity": line.short})
    notes += [{"kind": "shortage", "text": text, "quantity": 0}
              for text in scene.elsewhere.get((line.van_id, line.item_id), [])]
    return notes


def _drop_untouched(store: Location, *, before: date) -> None:
    """Lists of earlier evenings that nobody began to pick: their needs come back on the new list."""
    old = Transfer.objects.select_for_update(no_key=True).filter(
        source=store, purpose=Transfer.Purpose.TOP_UP, state=State.TO_PICK, for_day__lt=before
    )
    begun = set(
        TransferLine.objects.filter(transfer__in=list(old), sent__gt=0).values_list("transfer_id", flat=True)
    )
    for transfer in old:
        if transfer.pk not in begun:
            transfer.state, transfer.note = State.CANCELLED, "Not picked; its needs are on a later list."
            transfer.version += 1
            transfer.save(update_fields=["state", "note", "version"])


def set_van_level(van: Location, item: Item, *, minimum: int, target: int, by: User) -> None:
    """What a van should hold of an item; 0 and 0 takes the level away.

    Raises NotAllowed for who may not set levels, InvalidInput for a minimum above the target or another place.
    """
    if not by.has_right(Right.ORDER_STOCK):
        raise NotAllowed("Levels are set by the stores.", field="van", value=van, remedy="Ask the stores.")
    if van.kind != Location.Kind.VAN:
        raise InvalidInput(f"{van} is no van.", field="van", value=van, remedy="Set its level on the item's page.")
    with transaction.atomic():
        level = StockLevel.objects.select_for_update(no_key=True).filter(location=van, item=item).first()
        if target == 0 and minimum == 0:
            if level is not None:
                level.delete()
        elif level is None:
            make_stock_level(item, van, minimum=minimum, target=target, by=by)
        else:
            set_stock_level(level, minimum=minimum, target=target, by=by)


@again
@transaction.atomic
def set_bins(store: Location, codes: dict[Item, str], *, by: User) -> int:
    """Say where items lie in a store; an empty code takes an item off the shelf plan. Returns how many changed."""
    if refusal := refusal_to_send(by, store):
        raise NotAllowed(refusal, field="location", value=store, remedy="Ask the stores of the branch.")
    now = {place.item_id: place for place in BinPlace.objects.select_for_update(no_key=True).filter(
        location=store, item__in=codes)}
    changed = 0
    for item, text in sorted(codes.items(), key=lambda entry: entry[0].pk):
        code = text.strip().upper()
        if len(code) > 20:
            raise InvalidInput("A bin's code has at most 20 characters.", field="code", value=code,
                               remedy="Write what stands on the shelf, for example A-03-2.")
        place = now.get(item.pk)
        if (place.code if place else "") == code:
            continue
        changed += 1
        if not code and place:
            place.delete()
        else:
            BinPlace.objects.update_or_create(location=store, item=item, defaults={"code": code})
    return changed
