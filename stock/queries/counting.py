"""Reads of counts: what is to be counted, what was found, and how it went before. All scoped to the person."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import (
    Case,
    Count,
    F,
    FilteredRelation,
    Func,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    TextField,
    Value,
    When,
)
from django.db.models.functions import Coalesce, Collate, Upper

from config.accounts.models import User
from config.accounts.rights import Right
from config.keyset import KeysetPage, page
from stock.models import (
    Balance,
    BatchBalance,
    BinPlace,
    CountLine,
    Family,
    Item,
    Location,
    Movement,
    Serial,
    StockCount,
)
from stock.rules.codes import read_code
from stock.rules.counting import book_shown, serial_difference

# As one walks through the store: items without a place of their own last.
LINE_ORDER = ("no_bin", "walk", "item__sku", "batch", "id")
COUNT_ORDER = ("-id",)
SHEET_ROWS = 50


@dataclass(frozen=True)
class LineRow:
    """One line as it may be shown: `book`, `difference` and numbers are None or empty while they are hidden."""

    id: int
    count_id: int
    item_id: int
    sku: str
    name: str
    unit: str
    tracking: str
    batch: str
    bin: str
    counted: int | None
    serials: tuple[str, ...]
    by: str
    at: datetime | None
    recount_asked: bool
    first_counted: int | None
    version: int
    book: int | None
    book_serials: tuple[str, ...]
    difference_posted: int | None

    @property
    def by_serial(self) -> bool:
        return self.tracking == Item.Tracking.SERIAL

    @property
    def difference(self) -> int | None:
        return None if self.counted is None or self.book is None else self.counted - self.book

    @property
    def missing(self) -> tuple[str, ...]:
        return serial_difference(self.book_serials, self.serials).missing if self.counted is not None else ()

    @property
    def unexpected(self) -> tuple[str, ...]:
        return serial_difference(self.book_serials, self.serials).unexpected if self.counted is not None else ()


@dataclass(frozen=True)
class Progress:
    lines: int
    counted: int
    recounts: int

    @property
    def open(self) -> int:
        return self.lines - self.counted


@dataclass(frozen=True)
class Meanwhile:
    """A movement of a line's item between the start of the count and the entry."""

    quantity: int
    unit: str
    came: bool
    other: str
    at: datetime
    kind: str
    number: str
    batch: str


@dataclass(frozen=True)
class CountChoices:
    places: list[tuple[int, str]]
    families: list[tuple[int, str]]


def countable(user: User) -> QuerySet[Location]:
    """Locations that the person may count: of the branch for stores people, the own van for an engineer."""
    places = Location.objects.visible_to(user).counted()
    if user.has_right(Right.MOVE_STOCK):
        return places
    return places.filter(engineer=user) if user.has_right(Right.VAN_STOCK) else places.none()


def may_count(user: User, location: Location) -> bool:
    """One statement."""
    return countable(user).filter(pk=location.pk).exists()


def may_review(user: User, location: Location) -> bool:
    """Whether the person may ask for recounts and post. One statement."""
    return user.has_right(Right.MOVE_STOCK) and may_count(user, location)


def count_choices(user: User) -> CountChoices:
    """What a count can be started with. Two statements."""
    return CountChoices(
        places=list(countable(user).order_by("name").values_list("id", "name")),
        families=list(Family.objects.order_by("name").values_list("id", "name")),
    )


def counts(user: User, *, location: int | None = None) -> QuerySet[StockCount]:
    """Counts that the person sees, for COUNT_ORDER. One statement."""
    found = StockCount.objects.visible_to(user).select_related("location", "started_by", "posted_by")
    return found if location is None else found.filter(location_id=location)


def _walking_order(code: Any) -> Collate:
    """stock.rules.counting.walking_order in SQL: every number gets eight digits more, then keeps its last eight."""

    def replaced(text: Any, pattern: str, by: str) -> Func:
        return Func(text, Value(pattern), Value(by), Value("g"), function="regexp_replace", output_field=TextField())

    longer = replaced(Upper(code), r"(\d+)", r"00000000\1")
    return Collate(replaced(longer, r"\d*(\d{8})(\D|$)", r"\1\2"), "C")


def lines(count: StockCount) -> QuerySet[CountLine]:
    """Lines of a count with their bin, for LINE_ORDER."""
    return (
        CountLine.objects.filter(count=count)
        .select_related("item", "counted_by")
        .alias(place=FilteredRelation("item__bins", condition=Q(item__bins__location=count.location_id)))
        .annotate(
            bin=Coalesce(F("place__code"), Value("")),
            walk=_walking_order(Coalesce(F("place__code"), Value(""))),
            no_bin=Case(When(place__code__isnull=True, then=Value(1)), default=Value(0), output_field=IntegerField()),
        )
    )


def lines_seen(user: User) -> QuerySet[CountLine]:
    """Lines of every count that the person sees, with their bins. One statement."""
    place = BinPlace.objects.filter(item=OuterRef("item"), location=OuterRef("count__location"))
    return (
        CountLine.objects.filter(count__in=StockCount.objects.visible_to(user))
        .select_related("item", "counted_by", "count__location")
        .annotate(bin=Coalesce(Subquery(place.values("code")), Value("")))
    )


def line_row(line: CountLine, count: StockCount) -> LineRow:
    """A line as it may be shown; the line must come from `lines`. No statement."""
    shown = book_shown(blind=count.blind, counted=line.counted) or count.state not in StockCount.OPEN
    return LineRow(
        id=line.pk, count_id=line.count_id, item_id=line.item_id, sku=line.item.sku, name=line.item.name,
        unit=line.item.unit,
        tracking=line.item.tracking, batch=line.batch, bin=line.bin,  # type: ignore[attr-defined]
        counted=line.counted, serials=tuple(line.serials),
        by=line.counted_by.name if line.counted_by else "", at=line.counted_at,
        recount_asked=line.recount_asked, first_counted=line.first_counted if shown else None,
        version=line.version, book=line.book if shown else None,
        book_serials=tuple(line.book_serials) if shown else (), difference_posted=line.difference_posted,
    )


def line_page(
    count: StockCount, *, only: str = "", cursor: str | None = None, size: int = SHEET_ROWS
) -> KeysetPage[LineRow]:
    """Lines in bin order; `only` open, counted or recount. One statement. The count must be one the person sees."""
    found = lines(count)
    if only == "open":
        found = found.filter(counted=None)
    elif only == "counted":
        found = found.filter(counted__isnull=False)
    elif only == "recount":
        found = found.filter(recount_asked=True)
    rows = page(found, LINE_ORDER, cursor=cursor, size=size)
    return KeysetPage([line_row(line, count) for line in rows.rows], rows.next_cursor, rows.first)


def some_rows(count: StockCount, keys: Iterable[int]) -> list[LineRow]:
    """Named lines in bin order. One statement."""
    return [line_row(line, count) for line in lines(count).filter(pk__in=list(keys)).order_by(*LINE_ORDER)]


def sheet_rows(count: StockCount) -> list[LineRow]:
    """Every line in bin order, for the paper. One statement."""
    return [line_row(line, count) for line in lines(count).order_by(*LINE_ORDER)]


def next_line(count: StockCount, after: CountLine | None = None) -> int | None:
    """The key of the next line in bin order that is not counted, from the first again after the last.
    One statement."""
    keys = list(lines(count).order_by(*LINE_ORDER).values_list("id", "counted"))
    if after is not None:
        here = [key for key, _ in keys].index(after.pk)
        keys = keys[here + 1 :] + keys[:here]
    return next((key for key, counted in keys if counted is None), None)


def progress(count: StockCount) -> Progress:
    """How far it is. One statement."""
    found = CountLine.objects.filter(count=count).aggregate(
        lines=Count("id"), done=Count("counted"), recounts=Count("id", filter=Q(recount_asked=True))
    )
    return Progress(found["lines"], found["done"], found["recounts"])


def meanwhile(count: StockCount, wanted: Iterable[CountLine | LineRow]) -> dict[int, list[Meanwhile]]:
    """For each line: movements of its item at the location since the count began, up to its entry. One statement.

    They are in `book` already. Whether the person saw the shelf before or after, only the person knows.
    """
    here = list(wanted)
    if not here:
        return {}
    found = (
        Movement.objects.filter(Q(source=count.location_id) | Q(destination=count.location_id))
        .filter(item__in={line.item_id for line in here}, at__gte=count.started_at)
        .exclude(kind=Movement.Kind.COUNT, reference=count.number)
        .select_related("item", "source", "destination", "serial")
        .order_by("at", "id")
    )
    answers: dict[int, list[Meanwhile]] = {line_key(line): [] for line in here}
    for movement in found:
        for line in here:
            at = line.counted_at if isinstance(line, CountLine) else line.at
            same = movement.item_id == line.item_id and line.batch in ("", movement.batch)
            if same and (at is None or movement.at <= at):
                answers[line_key(line)].append(_meanwhile(movement, count))
    return answers


def line_key(line: CountLine | LineRow) -> int:
    return line.pk if isinstance(line, CountLine) else line.id


def _meanwhile(movement: Movement, count: StockCount) -> Meanwhile:
    came = movement.destination_id == count.location_id
    return Meanwhile(
        quantity=movement.quantity, unit=movement.item.unit, came=came,
        other=(movement.source if came else movement.destination).name, at=movement.at,
        kind=movement.get_kind_display().lower(), number=movement.serial.number if movement.serial else "",
        batch=movement.batch,
    )


def line_named(count: StockCount, *, item: Item, batch: str = "") -> CountLine | None:
    """The count's line of an item: the first uncounted where there is one for each batch. One statement."""
    found = lines(count).filter(item=item)
    if batch:
        found = found.filter(batch=batch)
    return found.order_by(F("counted").asc(nulls_first=True), "batch").first()


def item_named(text: str) -> tuple[Item | None, str]:
    """An item by stock number, or by one of its serial numbers when only one item has that number; with the serial
    number. Two statements at most."""
    wanted = text.strip()
    item = Item.objects.filter(sku__iexact=wanted).first()
    if item is not None or not wanted:
        return item, ""
    serials = list(Serial.objects.filter(number=wanted).select_related("item")[:2])
    return (serials[0].item, wanted) if len(serials) == 1 else (None, "")


def number_named(item: Item, text: str) -> tuple[str, str]:
    """A serial number of an item from a scanned or typed text, and the stock number of the item that a label is of
    when it is another. One statement for a label, none for a number."""
    code = read_code(text)
    if code is None or code.kind != "serial":
        return text.strip(), ""
    found = Serial.objects.filter(pk=code.number).select_related("item").first()
    if found is None:
        return text.strip(), ""
    return found.number, "" if found.item_id == item.pk else found.item.sku


def thing_named(text: str) -> tuple[Item | None, str]:
    """The item that a scanned label or typed text stands for, with the serial number if it names one. Two
    statements at most."""
    code = read_code(text)
    if code is not None and code.kind == "item":
        return Item.objects.filter(pk=code.number).first(), ""
    if code is not None and code.kind == "serial":
        found = Serial.objects.filter(pk=code.number).select_related("item").first()
        return (found.item, found.number) if found else (None, "")
    return item_named(text)


def numbers_here(count: StockCount, item_id: int) -> list[str]:
    """What the ledger has here now, of an item kept by serial: not for a blind count. One statement."""
    if count.blind:
        return []
    found = Serial.objects.filter(item=item_id, location=count.location_id)
    return list(found.order_by("number").values_list("number", flat=True))


def numbers_at(count: StockCount) -> dict[int, list[str]]:
    """The same of every item of the count, for the paper. One statement, none for a blind count."""
    found: dict[int, list[str]] = {}
    if not count.blind:
        here = Serial.objects.filter(location=count.location_id).order_by("number")
        for item_id, number in here.values_list("item_id", "number"):
            found.setdefault(item_id, []).append(number)
    return found


def book_now(count: StockCount) -> dict[tuple[int, str], int]:
    """What the ledger holds now, by item and batch, for the paper. Two statements, none for a blind count."""
    if count.blind:
        return {}
    held = {
        (item, ""): amount
        for item, amount in Balance.objects.filter(location=count.location_id).values_list("item_id", "on_hand")
    }
    for item, batch, amount in BatchBalance.objects.filter(location=count.location_id).values_list(
        "item_id", "batch", "on_hand"
    ):
        held[item, batch] = amount
    return held


def where_serials_are(rows: Sequence[LineRow]) -> dict[tuple[int, str], str]:
    """Where the ledger has each unexpected number of these lines: item and number to words. One statement."""
    wanted = {(row.item_id, number) for row in rows for number in row.unexpected}
    if not wanted:
        return {}
    found = Serial.objects.filter(item__in={i for i, _ in wanted}, number__in={n for _, n in wanted})
    return {
        (serial.item_id, serial.number): serial.location.name if serial.location else "never received"
        for serial in found.select_related("location")
    }


