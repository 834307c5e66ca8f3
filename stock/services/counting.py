"""Counting: start, enter, look over. Posting the differences is in stock/services/count_posting.py.

Locks, in this order: the count (shared by those who count, alone for whoever changes its state), the line, the
balance, then the ledger's own. No poster of movements ever asks for a count's row, so none waits in a ring.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from django.db import connection, transaction
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.utils import timezone

from config.accounts.models import User
from config.again import again
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, NotAllowed, ZonewrightError
from stock.models import Balance, BatchBalance, CountLine, Item, Location, Movement, Serial, StockCount
from stock.queries.count_due import Choice, items_to_count
from stock.queries.counting import may_count, may_review
from stock.rules.counting import clean_numbers
from stock.rules.errors import RuleError
from stock.services.ledger import MOST_AT_ONCE
from stock.services.refusals import Posting, explained

MOST_NUMBERS = 2000


def require_counter(by: User, location: Location) -> None:
    """Raise NotAllowed unless the person may count this location."""
    if not may_count(by, location):
        raise NotAllowed(f"You may not count {location}.", field="location", value=location,
                         remedy="Stores people count their branch's locations, an engineer the own van.")


def require_reviewer(by: User, location: Location) -> None:
    """Raise NotAllowed unless the person may ask for recounts at this location and post its counts."""
    if not may_review(by, location):
        raise NotAllowed(f"You may not post a count of {location}.", field="location", value=location,
                         remedy="Hand the count in; the stores people of the branch look it over and post it.")


def start_count(
    location: Location, *, by: User, blind: bool = True, note: str = "", choice: Choice = Choice()  # noqa: B008
) -> StockCount:
    """Begin to count a location, or the items of it that the choice names.

    Raises NotAllowed, InvalidInput (a place that is not counted, a choice that no item fits) or Conflict (a count
    of the location is open).
    """
    require_counter(by, location)
    found = items_to_count(location, choice)
    if not found and not choice.everything:
        raise InvalidInput(f"Nothing at {location} fits this choice.", field="which", value=choice.which,
                           remedy="Choose more, or count everything.")
    with explained(Posting(source=location)):
        with connection.cursor() as cursor:
            cursor.execute("SELECT nextval(pg_get_serial_sequence('stock_stockcount', 'id'))")
            (key,) = cursor.fetchone()
        count = StockCount.objects.create(
            pk=key, number=f"CT-{key:05}", location=location, blind=blind, note=note.strip(), started_by=by
        )
        CountLine.objects.bulk_create(
            (CountLine(count=count, item_id=item, batch=batch) for item, batch in found), batch_size=2000
        )
    return count


def _shared(count: StockCount) -> None:
    """Hold the count while a line is entered: its state stays, and others count meanwhile. Raises Conflict."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT state FROM stock_stockcount WHERE id = %s FOR SHARE", [count.pk])
        (state,) = cursor.fetchone()
    if state != StockCount.State.COUNTING:
        count.state = state
        raise _wrong_state(count, "counted on")


def locked_count(count: StockCount, states: Collection[str], verb: str) -> StockCount:
    """The count as it stands, locked. Raises Conflict unless it is in one of the states."""
    now = StockCount.objects.select_for_update(of=("self",)).select_related("location").get(pk=count.pk)
    if now.state not in states:
        raise _wrong_state(now, verb)
    return now


def _wrong_state(count: StockCount, verb: str) -> Conflict:
    return Conflict(
        f"Count {count.number} is in the state '{count.get_state_display().lower()}' and cannot be {verb}.",
        field="count", value=count.number, remedy="Read the count again.",
    )


@transaction.atomic
def add_line(count: StockCount, item: Item, *, by: User, batch: str = "") -> CountLine:
    """Put an item (of one batch) on the sheet that was found and is not on it; the line there is, if there is one.

    Raises NotAllowed, Conflict (not counting) or InvalidInput (no batch for an item tracked by batch).
    """
    require_counter(by, count.location)
    _shared(count)
    batch = batch.strip()
    if item.tracking == Item.Tracking.BATCH and not batch:
        raise InvalidInput(f"{item.sku} is tracked by batch, and none was named.", field="batch",
                           remedy="Write the batch number that is printed on the box.")
    line, _ = CountLine.objects.get_or_create(
        count=count, item=item, batch=batch if item.tracking == Item.Tracking.BATCH else ""
    )
    return line


def _locked_line(line: CountLine, version: int | None) -> CountLine:
    now = CountLine.objects.select_for_update(of=("self",)).select_related("item", "count", "counted_by").get(
        pk=line.pk
    )
    if version is not None and now.version != version:
        done = now.counted_by is not None and now.counted is not None
        who = f"{now.counted_by.name} wrote down {now.counted}" if now.counted_by and done else "it was changed"
        raise ChangedMeanwhile(f"{now.item.sku} is no longer as you read it: {who}.", field="version", value=version,
                               remedy="Look at the line as it is now, and count it again if it is wrong.")
    return now


@again
@transaction.atomic
def enter(
    line: CountLine, *, by: User, version: int, counted: int | None = None, serials: Iterable[str] | None = None
) -> CountLine:
    """Write down what was found: a quantity, or the numbers of an item kept by serial.

    What the ledger holds is read here, in the same transaction and behind a lock on the balance: a movement is in
    it, or comes after it and changes the difference no more. Raises NotAllowed, Conflict (not counting), InvalidInput
    (neither or both given, too many, a number twice) or ChangedMeanwhile (somebody else entered it since `version`).
    """
    require_counter(by, line.count.location)
    _shared(line.count)
    now = _locked_line(line, version)
    found = _given(now.item, counted, serials)
    if now.item.tracking == Item.Tracking.BATCH and not now.batch and (counted or 0) > 0:
        raise InvalidInput(f"{now.item.sku} is tracked by batch.", field="counted", value=counted,
                           remedy="Add a line with the batch number on the box, and count it there.")
    book, book_serials = _book(now)
    if found is not None:
        known = _as_written(now.item, found)
        found = sorted(set(known) - _left_meanwhile(now, set(known) - set(book_serials)))
    if now.counted is not None and now.first_counted is None:
        now.first_counted = now.counted
    now.counted = len(found) if found is not None else counted
    now.serials, now.book, now.book_serials = found or [], book, book_serials
    now.counted_by, now.counted_at = by, timezone.now()
    now.recount_asked, now.version = False, now.version + 1
    now.save()
    return now


def _given(item: Item, counted: int | None, serials: Iterable[str] | None) -> list[str] | None:
    """The numbers found, cleaned; None for an item kept by quantity."""
    if item.tracking == Item.Tracking.SERIAL:
        if serials is None:
            raise InvalidInput(f"{item.sku} is tracked by serial number: name each number found.", field="serials",
                               value=counted, remedy="Scan or type the numbers; none, if nothing is there.")
        try:
            numbers = clean_numbers(serials)
        except RuleError as error:
            raise InvalidInput(error.message, field=error.field, value=error.value, remedy=error.remedy) from None
        if len(numbers) > MOST_NUMBERS:
            raise InvalidInput("These are too many numbers for one line.", field="serials", value=len(numbers),
                               remedy=f"Count at most {MOST_NUMBERS:,} pieces of one item.")
        return numbers
    if serials:
        raise InvalidInput(f"{item.sku} is not tracked by serial number.", field="serials",
                           value=", ".join(serials), remedy="Give the quantity alone.")
    if counted is None or not 0 <= counted <= MOST_AT_ONCE:
        raise InvalidInput(f"The quantity {counted} cannot be used.", field="counted", value=counted,
                           remedy=f"Write a whole number from 0 to {MOST_AT_ONCE:,}.")
    return None


def _as_written(item: Item, numbers: Sequence[str]) -> list[str]:
    """Numbers as the ledger writes them: a phone's keyboard changes capitals. One statement, if any differs."""
    exact = set(Serial.objects.filter(item=item, number__in=numbers).values_list("number", flat=True))
    rest = [number for number in numbers if number not in exact]
    if not rest:
        return list(numbers)
    wanted = Q()
    for number in rest[:MOST_NUMBERS]:
        wanted |= Q(number__iexact=number)
    alike: dict[str, list[str]] = {}
    for number in Serial.objects.filter(wanted, item=item).values_list("number", flat=True):
        alike.setdefault(number.casefold(), []).append(number)
    return [
        number if number in exact or len(alike.get(number.casefold(), [])) != 1 else alike[number.casefold()][0]
        for number in numbers
    ]


def _book(line: CountLine) -> tuple[int, list[str]]:
    """What the ledger holds now, and its numbers; the balance is locked until the entry is in."""
    here = Balance.objects.select_for_update(no_key=True).filter(item=line.item, location=line.count.location_id)
    held = here.values_list("on_hand", flat=True).first()
    if line.batch:
        batch = BatchBalance.objects.filter(item=line.item, location=line.count.location_id, batch=line.batch)
        return batch.values_list("on_hand", flat=True).first() or 0, []
    if line.item.tracking != Item.Tracking.SERIAL:
        return held or 0, []
    numbers = sorted(
        Serial.objects.filter(item=line.item, location=line.count.location_id).values_list("number", flat=True)
    )
    return len(numbers), numbers


def _left_meanwhile(line: CountLine, unexpected: set[str]) -> set[str]:
    """Of numbers that were seen but are no longer here: those that the ledger took away since the count began.
    They were here, are gone, and make no difference."""
    if not unexpected:
        return set()
    latest = (
        Movement.objects.filter(serial__item=line.item, serial__number__in=unexpected)
        .order_by("serial", "-id").distinct("serial")
        .values_list("serial__number", "source_id", "at")
    )
    return {
        number for number, source, at in latest
        if source == line.count.location_id and at >= line.count.started_at
    }


def enter_many(
    count: StockCount, entries: Iterable[tuple[int, int, int]], *, by: User
) -> dict[int, ZonewrightError]:
    """Write down several lines of a count (line, version, quantity), each by itself; returns what was refused.

    A line that somebody else entered meanwhile does not hold the others up.
    """
    given = {line: (version, counted) for line, version, counted in entries}
    wrong: dict[int, ZonewrightError] = {}
    # By item, as every poster of several items goes.
    for line in count.lines.filter(pk__in=given).select_related("item", "count__location").order_by("item_id", "batch"):
        version, counted = given[line.pk]
        if (line.counted, line.counted_by_id, line.version) == (counted, by.pk, version + 1):
            continue  # the same page sent twice
        try:
            enter(line, by=by, version=version, counted=counted)
        except ZonewrightError as error:
            wrong[line.pk] = error
    return wrong


@transaction.atomic
def note_serials(line: CountLine, numbers: Iterable[str], *, by: User) -> CountLine:
    """Add numbers that were seen to a line that is still being counted: what others added stays. Nothing is
    compared until the line is entered. Raises NotAllowed, Conflict or InvalidInput."""
    require_counter(by, line.count.location)
    _shared(line.count)
    now = _locked_line(line, None)
    fresh = _given(now.item, None, numbers) or []
    now.serials = _given(now.item, None, {*now.serials, *_as_written(now.item, fresh)}) or []
    if now.counted is not None:
        raise Conflict(f"{now.item.sku} is counted already.", field="serials", value=", ".join(fresh),
                       remedy="Count the line again, with all its numbers.")
    now.version += 1
    now.save(update_fields=["serials", "version"])
    return now


@transaction.atomic
def hand_in(count: StockCount, *, by: User) -> StockCount:
    """Say that the counting is done: from now the differences are looked over. Raises NotAllowed or Conflict."""
    require_counter(by, count.location)
    now = locked_count(count, {StockCount.State.COUNTING}, "handed in")
    now.state = StockCount.State.REVIEW
    now.save(update_fields=["state"])
    return now


@transaction.atomic
def count_on(count: StockCount, *, by: User) -> StockCount:
    """Go back from looking over to counting. Raises NotAllowed or Conflict."""
    require_counter(by, count.location)
    now = locked_count(count, {StockCount.State.REVIEW}, "counted on")
    now.state = StockCount.State.COUNTING
    now.save(update_fields=["state"])
    return now


@transaction.atomic
def ask_recount(count: StockCount, line_ids: Collection[int], *, by: User) -> StockCount:
    """Have lines counted again: what was found first is kept, and hidden in a blind count until the second number
    is in. The count goes back to counting. Raises NotAllowed, Conflict or InvalidInput (no counted line named)."""
    require_reviewer(by, count.location)
    now = locked_count(count, StockCount.OPEN, "counted again")
    changed = now.lines.filter(pk__in=list(line_ids), counted__isnull=False).update(
        first_counted=Coalesce(F("first_counted"), F("counted")), recount_asked=True, counted=None, book=None,
        counted_at=None, serials=[], book_serials=[], version=F("version") + 1,
    )
    if not changed:
        raise InvalidInput("No line was chosen that is counted.", field="lines", value=len(line_ids),
                           remedy="Tick the lines that are to be counted again.")
    now.state = StockCount.State.COUNTING
    now.save(update_fields=["state"])
    return now


@transaction.atomic
def count_zero(count: StockCount, line_ids: Collection[int], *, by: User) -> StockCount:
    """Say of lines that nobody counted: somebody looked, and nothing was there. What the ledger holds is read now.

    Raises NotAllowed, Conflict or InvalidInput (no uncounted line named).
    """
    require_reviewer(by, count.location)
    now = locked_count(count, StockCount.OPEN, "changed")
    chosen = list(
        now.lines.select_for_update(of=("self",)).filter(pk__in=list(line_ids), counted=None)
        .select_related("item", "count").order_by("item_id", "batch")
    )
    if not chosen:
        raise InvalidInput("No line was chosen that is not counted.", field="lines", value=len(line_ids),
                           remedy="Tick the lines where nothing was found.")
    for line in chosen:
        line.book, line.book_serials = _book(line)
        line.counted, line.serials, line.counted_by, line.counted_at = 0, [], by, timezone.now()
        line.recount_asked, line.version = False, line.version + 1
    CountLine.objects.bulk_update(chosen, ["book", "book_serials", "counted", "serials", "counted_by", "counted_at",
                                           "recount_asked", "version"], batch_size=500)
    return now


@transaction.atomic
def cancel_count(count: StockCount, *, by: User) -> StockCount:
    """Give a count up; nothing is posted. Raises NotAllowed (neither the one who began it nor stores people) or
    Conflict."""
    require_counter(by, count.location)
    now = locked_count(count, StockCount.OPEN, "cancelled")
    now.state = StockCount.State.CANCELLED
    now.save(update_fields=["state"])
    return now
