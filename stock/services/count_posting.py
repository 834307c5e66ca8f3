"""Posting a count: its differences become movements, all of them or none."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby

from django.db.models import F, Q
from django.utils import timezone

from config.accounts.models import User
from config.again import again
from config.errors import Conflict
from stock.models import Balance, BatchBalance, CountLine, Item, Location, Movement, Reservation, Serial, StockCount
from stock.queries.count_review import DIFFERS
from stock.rules.counting import serial_difference, shortened
from stock.services.counting import locked_count, require_reviewer
from stock.services.ledger import lock_balances
from stock.services.refusals import Posting, explained

BATCH_SIZE = 1000
MISSING = "Not found in the count"
NEW_NUMBER = "Found in the count; the number was not known"


@dataclass(frozen=True)
class Refusal:
    """Why a line's difference cannot be posted, and what to do about it."""

    item_id: int
    sku: str
    reason: str
    remedy: str


@dataclass
class _Plan:
    """What posting would do. Movements are of (line's item, quantity, from, to, serial number or key, batch)."""

    scrap: Location
    moves: list[Movement] = field(default_factory=list)
    new_numbers: list[tuple[Item, str, Movement]] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    # What of each line with serials is posted; a newer movement of a number stands, and its difference is gone.
    posted: dict[int, int] = field(default_factory=dict)
    stands: list[str] = field(default_factory=list)


@again
def post_count(count: StockCount, *, by: User, leave_uncounted: bool = False) -> StockCount:
    """Post every difference of a count as movements of the kind COUNT from or to scrap, in one transaction.

    A number found that the ledger has elsewhere is transferred from there; one that nobody knows is made. Lines that
    are not counted are left alone, and only if `leave_uncounted` says so. A count that is posted already is returned
    as it is. Raises NotAllowed, or Conflict: not handed in, lines not counted, or a difference that the ledger
    refuses (reserved, gone since, at a site), each named; then nothing is posted.
    """
    require_reviewer(by, count.location)
    with explained(Posting(source=count.location)):
        now = locked_count(count, {*StockCount.OPEN, StockCount.State.POSTED}, "posted")
        if now.state == StockCount.State.POSTED:
            return now
        if now.state != StockCount.State.REVIEW:
            raise Conflict(f"Count {now.number} is still being counted.", field="count", value=now.number,
                           remedy="Finish the counting first, then look the differences over.")
        uncounted = now.lines.filter(counted=None).count()
        if uncounted and not leave_uncounted:
            words = "line" if uncounted == 1 else "lines"
            raise Conflict(
                f"{uncounted} {words} of count {now.number} not counted yet.", field="leave_uncounted", value=uncounted,
                remedy="Count them, say that nothing was there, or choose to leave them as not counted.",
            )
        differing = _differing(now)
        _lock(now, differing, _scrap())
        plan = _plan(now, differing, by)
        if plan.refusals:
            raise _refused(now, plan.refusals)
        _carry_out(plan)
        _note_posted(now, plan)
        now.state, now.posted_by, now.posted_at = StockCount.State.POSTED, by, timezone.now()
        now.save(update_fields=["state", "posted_by", "posted_at"])
    return now


def refusals_ahead(count: StockCount, *, by: User) -> tuple[list[Refusal], list[str]]:
    """What would refuse the posting if it were done now, and the numbers whose newer movement stands. Nothing is
    locked or changed."""
    plan = _plan(count, _differing(count), by)
    return plan.refusals, plan.stands


def _differing(count: StockCount) -> list[CountLine]:
    found = count.lines.filter(DIFFERS, counted__isnull=False).select_related("item")
    return list(found.order_by("item_id", "batch"))


def _scrap() -> Location:
    found = Location.objects.filter(kind=Location.Kind.SCRAP).order_by("id").first()
    if found is None:
        raise Conflict("There is no place of the kind 'scrap' that a difference could go to or come from.",
                       field="location", remedy="Ask an administrator to add one.")
    return found


def _by_serial(line: CountLine) -> bool:
    return line.item.tracking == Item.Tracking.SERIAL


def _lock(count: StockCount, differing: Sequence[CountLine], scrap: Location) -> None:
    """Lock what the movements will touch, item by item as every poster does: serials by key, balances by place.

    Items kept by quantity, which are most, share one statement from one item with serials to the next.
    """
    for with_serials, run in groupby(differing, key=_by_serial):
        if with_serials:
            for line in run:
                numbers = set(line.serials) ^ set(line.book_serials)
                found = list(
                    Serial.objects.select_for_update(of=("self",), no_key=True)
                    .filter(item=line.item, number__in=numbers).order_by("id").values_list("location_id", flat=True)
                )
                lock_balances([line.item_id], {count.location_id, scrap.pk, *(p for p in found if p)})
        else:
            lock_balances(sorted({line.item_id for line in run}), {count.location_id, scrap.pk})


def _plan(count: StockCount, differing: Sequence[CountLine], by: User) -> _Plan:
    """Seven statements, however many lines; two fewer when none has serial numbers."""
    plan = _Plan(_scrap())
    by_quantity = [line for line in differing if not _by_serial(line)]
    for line in by_quantity:
        assert line.counted is not None
        assert line.book is not None
        _add(plan, count, by, line, line.counted - line.book, batch=line.batch)
    _plan_serials(plan, count, [line for line in differing if _by_serial(line)], by)
    plan.moves.sort(key=lambda move: (move.item_id, move.batch, move.serial_id or 0))
    _check_balances(plan, count)
    _check_batches(plan, count, by_quantity)
    plan.refusals.sort(key=lambda refusal: refusal.sku)
    return plan


def _add(
    plan: _Plan, count: StockCount, by: User, line: CountLine, difference: int, *, serial: Serial | None = None,
    batch: str = "", note: str = "",
) -> Movement:
    """A movement between the place and scrap: less goes there, more comes from there."""
    ends = (count.location, plan.scrap) if difference < 0 else (plan.scrap, count.location)
    return _move(plan, count, by, line, *ends, quantity=abs(difference), serial=serial, batch=batch, note=note)


def _move(
    plan: _Plan, count: StockCount, by: User, line: CountLine, source: Location, destination: Location, *,
    quantity: int = 1, serial: Serial | None = None, batch: str = "", note: str = "",
    kind: str = Movement.Kind.COUNT,
) -> Movement:
    movement = Movement(
        item=line.item, quantity=quantity, source=source, destination=destination, kind=kind, posted_by=by,
        serial=serial, batch=batch, reference=count.number, note=note,
    )
    plan.moves.append(movement)
    return movement


def _plan_serials(plan: _Plan, count: StockCount, with_serials: Sequence[CountLine], by: User) -> None:
    if not with_serials:
        return
    wanted = {
        (line.item_id, number) for line in with_serials for number in set(line.serials) ^ set(line.book_serials)
    }
    known = {
        (serial.item_id, serial.number): serial
        for serial in Serial.objects.filter(item__in={i for i, _ in wanted}, number__in={n for _, n in wanted})
        .select_related("location", "item")
    }
    moved: dict[int, datetime] = dict(
        Movement.objects.filter(serial__in=[s.pk for key, s in known.items() if key in wanted])
        .order_by("serial", "-id").distinct("serial").values_list("serial_id", "at")
    )
    reachable = set(Location.objects.visible_to(by).counted().values_list("id", flat=True))
    for line in with_serials:
        difference = serial_difference(line.book_serials, line.serials)
        net = 0
        assert line.counted_at is not None
        for number in difference.missing:
            serial = known[line.item_id, number]
            if serial.location_id != count.location_id:
                plan.stands.append(number)
                continue
            _add(plan, count, by, line, -1, serial=serial, note=MISSING)
            net -= 1
        for number in difference.unexpected:
            found = known.get((line.item_id, number))
            if found is None:
                movement = _add(plan, count, by, line, 1, note=NEW_NUMBER)
                plan.new_numbers.append((line.item, number, movement))
            elif found.location_id == count.location_id or moved.get(found.pk, line.counted_at) > line.counted_at:
                plan.stands.append(number)
                continue
            else:
                _bring_here(plan, count, by, line, found, reachable)
            net += 1
        plan.posted[line.pk] = net


def _bring_here(
    plan: _Plan, count: StockCount, by: User, line: CountLine, serial: Serial, reachable: set[int]
) -> None:
    """A number that the ledger has elsewhere comes from there, if it may."""
    place = serial.location
    if place is None:
        _add(plan, count, by, line, 1, serial=serial, note="Found in the count; the number had never been received")
        return
    note = f"Found in the count; the ledger had it at {place}"[:200]
    if place.kind in (Location.Kind.SCRAP, Location.Kind.SUPPLIER):
        _move(plan, count, by, line, place, count.location, serial=serial, note=note)
        return
    if place.kind == Location.Kind.SITE:
        reason, remedy = "fitted at a site", "Remove the device on its site's page, or count the line again."
    elif place.kind == Location.Kind.TRANSIT:
        reason, remedy = "on the way", "Confirm the transfer that it is on first."
    elif place.kind == Location.Kind.QUARANTINE and count.location.kind != Location.Kind.QUARANTINE:
        # On the shelf it would be taken for tested.
        reason, remedy = f"in {place}", "Take it back there, or release it after its test, and count the line again."
    elif place.pk not in reachable:
        reason, remedy = f"at {place}, whose stock is not yours to move", "Ask its people to transfer it."
    else:
        _move(plan, count, by, line, place, count.location, serial=serial, note=note, kind=Movement.Kind.TRANSFER)
        return
    plan.refusals.append(Refusal(
        line.item_id, line.item.sku, f"serial {serial.number} was found here and is {reason} in the ledger", remedy
    ))


def _check_balances(plan: _Plan, count: StockCount) -> None:
    """Compare what would be left at each place with what is promised there. Two statements at most."""
    change: Counter[tuple[int, int]] = Counter()
    names: dict[int, Item] = {}
    for move in plan.moves:
        change[move.item_id, move.source_id] -= move.quantity
        change[move.item_id, move.destination_id] += move.quantity
        names[move.item_id] = move.item
    losing = {key: amount for key, amount in change.items() if amount < 0}
    rows = Balance.objects.filter(
        physical=True, item__in={i for i, _ in losing}, location__in={p for _, p in losing}
    ).select_related("location")
    short: list[tuple[Balance, int]] = []
    for row in rows:
        left = row.on_hand + losing.get((row.item_id, row.location_id), 0)
        if left >= row.on_hand:
            continue
        item = names[row.item_id]
        if left < 0:
            plan.refusals.append(Refusal(
                row.item_id, item.sku,
                f"{row.location} holds {row.on_hand} {item.unit} now, and {row.on_hand - left} would leave it",
                "Count the line again: more has left since it was counted than was found.",
            ))
        elif row.reserved > left or row.reserved_ahead > left + row.on_order - row.reserved:
            short.append((row, left))
    promised = _promises(short)
    for row, left in short:
        item = names[row.item_id]
        plan.refusals.append(Refusal(
            row.item_id, item.sku,
            f"{left} {item.unit} would be left at {row.location}, and {row.reserved + row.reserved_ahead} are "
            f"promised to {shortened(promised[row.item_id, row.location_id])}",
            "Release a reservation on the item's page, or have the line counted again.",
        ))


def _promises(short: Sequence[tuple[Balance, int]]) -> dict[tuple[int, int], list[str]]:
    """What the promised stock is for. One statement, none when nothing is short."""
    found: dict[tuple[int, int], list[str]] = defaultdict(list)
    if short:
        keys = Q()
        for row, _ in short:
            keys |= Q(item=row.item_id, location=row.location_id)
        for item, place, quantity, reference in (
            Reservation.objects.filter(keys, state=Reservation.State.OPEN).order_by("needed_on", "id")
            .values_list("item_id", "location_id", "quantity", "reference")
        ):
            found[item, place].append(f"{reference} ({quantity})")
    return found


def _check_batches(plan: _Plan, count: StockCount, by_quantity: Sequence[CountLine]) -> None:
    """A batch, too, must hold what leaves it. One statement, none without batches."""
    losing = [line for line in by_quantity if line.batch and (line.counted or 0) < (line.book or 0)]
    if not losing:
        return
    held = {
        (item, batch): on_hand
        for item, batch, on_hand in BatchBalance.objects.filter(
            location=count.location_id, item__in={line.item_id for line in losing}
        ).values_list("item_id", "batch", "on_hand")
    }
    named = {refusal.item_id for refusal in plan.refusals}
    for line in losing:
        here, loss = held.get((line.item_id, line.batch), 0), (line.book or 0) - (line.counted or 0)
        if here < loss and line.item_id not in named:
            plan.refusals.append(Refusal(
                line.item_id, line.item.sku,
                f"{count.location} holds {here} {line.item.unit} of batch {line.batch} now, and {loss} would leave it",
                "Count the line again: more has left since it was counted than was found.",
            ))


def _refused(count: StockCount, refusals: Sequence[Refusal]) -> Conflict:
    told = "; ".join(f"{r.sku}: {r.reason}. {r.remedy}" for r in refusals[:5])
    more = f" And {len(refusals) - 5} more lines." if len(refusals) > 5 else ""
    return Conflict(
        f"Nothing of count {count.number} was posted. {told}{more}", field="lines",
        value=shortened([r.sku for r in refusals]), remedy="See to these lines, then post again.",
    )


def _carry_out(plan: _Plan) -> None:
    """Make the numbers that nobody knew, then insert every movement; triggers keep balances and places."""
    made = Serial.objects.bulk_create(
        (Serial(item=item, number=number) for item, number, _ in plan.new_numbers), batch_size=BATCH_SIZE
    )
    for serial, (_, _, movement) in zip(made, plan.new_numbers, strict=True):
        movement.serial = serial
    now = timezone.now()
    for movement in plan.moves:
        movement.at = now
    Movement.objects.bulk_create(plan.moves, batch_size=BATCH_SIZE)


def _note_posted(count: StockCount, plan: _Plan) -> None:
    """Keep with each line what was posted. Two statements, and one for each thousand lines with serials."""
    counted = CountLine.objects.filter(count=count, counted__isnull=False)
    counted.update(difference_posted=F("counted") - F("book"))
    with_serials = [CountLine(pk=pk, difference_posted=net) for pk, net in plan.posted.items()]
    CountLine.objects.bulk_update(with_serials, ["difference_posted"], batch_size=BATCH_SIZE)
