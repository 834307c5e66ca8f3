"""Reads of a count once it is looked over: variances with their value, what moved too late, accuracy over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import (
    Case,
    Count,
    DecimalField,
    ExpressionWrapper,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Sum,
    Value,
    When,
)
from django.db.models.functions import Abs, Coalesce

from config.accounts.models import User
from config.keyset import KeysetPage, page
from stock.models import Balance, BatchBalance, CountLine, ItemCost, Movement, StockCount, StoresPolicy
from stock.queries.counting import (
    COUNT_ORDER,
    LineRow,
    Meanwhile,
    counts,
    line_row,
    lines,
    meanwhile,
    where_serials_are,
)
from stock.rules.counting import Tolerance, accuracy_percent, beyond

# Greatest value first; the line's key makes the order total.
VARIANCE_ORDER = ("unpriced", "-worth", "-pieces", "id")
_MONEY: DecimalField[Any, Any] = DecimalField(max_digits=24, decimal_places=6)
DIFFERS = ~Q(counted=F("book")) | ~Q(serials=F("book_serials"))


@dataclass(frozen=True)
class Variance:
    """A counted line that differs; money in the firm's currency, None where no cost is known."""

    line: LineRow
    average: Decimal | None
    value: Decimal | None
    beyond: bool
    moved: list[Meanwhile]
    late: int
    elsewhere: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Summary:
    """A count in figures; `net` and `absolute` in `currency`."""

    lines: int
    counted: int
    right: int
    unpriced: int
    net: Decimal
    absolute: Decimal
    currency: str

    @property
    def open(self) -> int:
        return self.lines - self.counted

    @property
    def different(self) -> int:
        return self.counted - self.right

    @property
    def accuracy(self) -> Decimal | None:
        return accuracy_percent(self.right, self.counted)


@dataclass(frozen=True)
class PastCount:
    """A count in the list; figures of posted ones only."""

    id: int
    number: str
    location: str
    state: str
    state_words: str
    blind: bool
    started_at: datetime
    started_by: str
    posted_at: datetime | None
    lines: int
    counted: int
    accuracy: Decimal | None
    net: Decimal
    absolute: Decimal

    @property
    def open(self) -> bool:
        return self.state in StockCount.OPEN


def _cost(item: str) -> Subquery:
    """The latest moving average, in the order in which the ledger computed it."""
    return _latest(ItemCost.objects.filter(item=OuterRef(item)))


def _latest(found: QuerySet[ItemCost]) -> Subquery:
    # "+ 0" keeps the planner from walking the whole table backwards by its key, which it likes for a first row.
    return Subquery(found.order_by((F("id") + 0).desc()).values("average")[:1], output_field=_MONEY)


def _cost_when(item: str, moment: str) -> Subquery:
    return _latest(ItemCost.objects.filter(item=OuterRef(item), at__lte=OuterRef(moment)))


def variances(count: StockCount) -> QuerySet[CountLine]:
    """Counted lines that differ, for VARIANCE_ORDER."""
    difference: Any = F("counted") - F("book")
    return (
        lines(count)
        .filter(DIFFERS, counted__isnull=False)
        .annotate(
            average=_cost("item"),
            pieces=Abs(difference, output_field=IntegerField()),
            worth=Coalesce(
                Abs(ExpressionWrapper(difference * F("average"), output_field=_MONEY)), Value(Decimal(0)),
                output_field=_MONEY,
            ),
            unpriced=Case(When(average__isnull=True, then=Value(1)), default=Value(0), output_field=IntegerField()),
        )
    )


def _variances(found: Sequence[CountLine], count: StockCount, tolerance: Tolerance) -> list[Variance]:
    rows = [line_row(line, count) for line in found]
    moved = meanwhile(count, rows)
    late = late_movements(count, rows)
    elsewhere = where_serials_are(rows)
    answers = []
    for line, row in zip(found, rows, strict=True):
        difference, average = row.difference or 0, line.average  # type: ignore[attr-defined]
        value = None if average is None else (difference * average).quantize(Decimal("0.01"))
        off = difference or len(row.missing) + len(row.unexpected)
        answers.append(Variance(
            line=row, average=average, value=value, beyond=beyond(off, row.book or 0, value, tolerance),
            moved=moved[row.id], late=late.get(row.id, 0),
            elsewhere=tuple((n, elsewhere.get((row.item_id, n), "not known")) for n in row.unexpected),
        ))
    return answers


def variance_page(
    count: StockCount, *, tolerance: Tolerance = Tolerance(), cursor: str | None = None, size: int = 100  # noqa: B008
) -> KeysetPage[Variance]:
    """Differences of a count, greatest value first. Seven statements, however many rows; fewer where none has
    serial numbers. The count must be one that the person sees."""
    found = page(variances(count), VARIANCE_ORDER, cursor=cursor, size=size)
    return KeysetPage(_variances(found.rows, count, tolerance), found.next_cursor, found.first)


def beyond_tolerance(count: StockCount, tolerance: Tolerance) -> list[int]:
    """Keys of the lines that are further off than tolerated. One statement."""
    keys = []
    for line in variances(count):
        assert line.counted is not None
        assert line.book is not None
        difference, average = line.counted - line.book, line.average  # type: ignore[attr-defined]
        # Two numbers exchanged for two others leave the quantity alone, and are off all the same.
        off = difference or len(set(line.serials) ^ set(line.book_serials))
        if beyond(off, line.book, None if average is None else difference * average, tolerance):
            keys.append(line.pk)
    return keys


def late_movements(count: StockCount, rows: Sequence[LineRow]) -> dict[int, int]:
    """For each counted line: net quantity of movements that happened before its entry and were posted after it.

    What the ledger gained since the entry should be what moved since then; the rest was posted late, for an
    earlier time, and is counted twice if the line's difference is posted. Three statements.
    """
    counted = [row for row in rows if row.at is not None and row.book is not None]
    if not counted or count.state not in StockCount.OPEN:
        return {}
    items = {row.item_id for row in counted}
    now = dict(Balance.objects.filter(location=count.location_id, item__in=items).values_list("item_id", "on_hand"))
    batches = {
        (item, batch): held
        for item, batch, held in BatchBalance.objects.filter(location=count.location_id, item__in=items)
        .values_list("item_id", "batch", "on_hand")
    }
    since = list(
        Movement.objects.filter(Q(source=count.location_id) | Q(destination=count.location_id), item__in=items)
        .filter(at__gt=min(row.at for row in counted if row.at))
        .values_list("item_id", "batch", "destination_id", "quantity", "at")
    )
    answers = {}
    for row in counted:
        held = batches.get((row.item_id, row.batch), 0) if row.batch else now.get(row.item_id, 0)
        moved = sum(
            quantity if destination == count.location_id else -quantity
            for item, batch, destination, quantity, at in since
            if item == row.item_id and row.batch in ("", batch) and row.at is not None and at > row.at
        )
        if (rest := held - (row.book or 0) - moved) != 0:
            answers[row.id] = rest
    return answers


def currency() -> str:
    """The firm's currency. One statement."""
    return StoresPolicy.current().currency


def summary(count: StockCount) -> Summary:
    """The count in figures. Two statements."""
    value: Any = ExpressionWrapper((F("counted") - F("book")) * F("average"), output_field=_MONEY)
    found = CountLine.objects.filter(count=count).annotate(average=_cost("item")).aggregate(
        lines=Count("id"),
        done=Count("counted"),
        right=Count("id", filter=Q(counted__isnull=False) & ~DIFFERS),
        unpriced=Count("id", filter=DIFFERS & Q(counted__isnull=False, average=None)),
        net=Coalesce(Sum(value), Value(Decimal(0)), output_field=_MONEY),
        absolute=Coalesce(Sum(Abs(value)), Value(Decimal(0)), output_field=_MONEY),
    )
    cents = Decimal("0.01")
    return Summary(
        lines=found["lines"], counted=found["done"], right=found["right"], unpriced=found["unpriced"],
        net=found["net"].quantize(cents), absolute=found["absolute"].quantize(cents),
        currency=currency(),
    )


def count_page(
    user: User, *, location: int | None = None, cursor: str | None = None, size: int = 30
) -> KeysetPage[PastCount]:
    """Counts, newest first, with the accuracy and value of posted ones. Two statements."""
    found = page(counts(user, location=location), COUNT_ORDER, cursor=cursor, size=size)
    value: Any = ExpressionWrapper(
        F("difference_posted") * _cost_when("item", "count__posted_at"), output_field=_MONEY
    )
    differs = DIFFERS & Q(counted__isnull=False)
    figures: dict[int, dict[str, Any]] = {
        row["count"]: dict(row)
        for row in CountLine.objects.filter(count__in=[c.pk for c in found.rows]).values("count").annotate(
            lines=Count("id"), done=Count("counted"), wrong=Count("id", filter=differs),
            net=Sum(Case(When(differs, then=value), output_field=_MONEY)),
            absolute=Sum(Case(When(differs, then=Abs(value)), output_field=_MONEY)),
        ).order_by()
    }
    return KeysetPage([_past(c, figures.get(c.pk, {})) for c in found.rows], found.next_cursor, found.first)


def _past(count: StockCount, row: dict[str, Any]) -> PastCount:
    posted = count.state == StockCount.State.POSTED
    done = row.get("done", 0)
    net, absolute = (Decimal(row.get(name) or 0).quantize(Decimal("0.01")) for name in ("net", "absolute"))
    return PastCount(
        id=count.pk, number=count.number, location=count.location.name, state=count.state,
        state_words=count.get_state_display(), blind=count.blind, started_at=count.started_at,
        started_by=count.started_by.name if count.started_by else "", posted_at=count.posted_at,
        lines=row.get("lines", 0), counted=done,
        accuracy=accuracy_percent(done - row.get("wrong", 0), done) if posted else None,
        net=net, absolute=absolute,
    )
