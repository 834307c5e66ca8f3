"""What of a location is to be counted: by choice, and when it is due again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import (
    DateTimeField,
    Exists,
    F,
    FilteredRelation,
    Max,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
)
from django.db.models.functions import Coalesce
from django.utils import timezone

from config.accounts.models import User
from stock.models import (
    Balance,
    BatchBalance,
    CountLine,
    Item,
    Location,
    Movement,
    StockCount,
    StockLevel,
    StockPlan,
)
from stock.queries.counting import countable
from stock.rules.counting import bin_in_range, every_days, next_due


@dataclass(frozen=True)
class Choice:
    """Which items of a location are counted. `which`: all, due, days (not counted for that long), moved."""

    which: str = "all"
    days: int = 90
    kind: str = ""
    family: int | None = None
    bin_from: str = ""
    bin_to: str = ""

    @property
    def everything(self) -> bool:
        return self == Choice(days=self.days)


@dataclass(frozen=True)
class PlaceRow:
    """A location and when it is to be counted next."""

    id: int
    name: str
    kind: str
    open_count: int | None
    open_number: str
    last_at: datetime | None
    items: int
    due: int
    next_on: date | None
    mine: bool


def _last_counted(item: str, location: str) -> Subquery:
    """When an item was last counted at a location in a count that was posted."""
    found = CountLine.objects.filter(
        item=OuterRef(item), count__location=OuterRef(location), count__state=StockCount.State.POSTED,
        counted_at__isnull=False,
    )
    return Subquery(found.order_by("-counted_at").values("counted_at")[:1], output_field=DateTimeField())


def _kept_here(location: Location) -> QuerySet[Any, dict[str, Any]]:
    """Items with stock or a level at a location, with bin, class and last count."""
    rows: QuerySet[Any, Any] = (
        Balance.objects.filter(location=location)
        .filter(Q(on_hand__gt=0) | Exists(StockLevel.objects.filter(location=location, item=OuterRef("item"))))
        .alias(place=FilteredRelation("item__bins", condition=Q(item__bins__location=location)))
        .annotate(
            last=_last_counted("item", "location"),
            abc=Coalesce(
                Subquery(StockPlan.objects.filter(location=location, item=OuterRef("item")).values("abc")[:1]),
                Value(""),
            ),
            bin=Coalesce(F("place__code"), Value("")),
        )
    )
    return rows.values("item_id", "item__tracking", "last", "abc", "bin").order_by("item_id")


def items_to_count(location: Location, choice: Choice) -> list[tuple[int, str]]:
    """Item and batch of each line of a new count, by item. Two statements, however many items."""
    rows = _kept_here(location)
    if choice.kind:
        rows = rows.filter(item__kind=choice.kind)
    if choice.family is not None:
        rows = rows.filter(item__family_id=choice.family)
    if choice.which == "moved":
        moved = Movement.objects.filter(item=OuterRef("item"), at__gt=OuterRef("last"))
        rows = rows.filter(
            Q(last=None) | Exists(moved.filter(source=location)) | Exists(moved.filter(destination=location))
        )
    now = timezone.now()
    wanted: list[tuple[int, str]] = []
    for row in rows:
        if (choice.bin_from or choice.bin_to) and not bin_in_range(row["bin"], choice.bin_from, choice.bin_to):
            continue
        days = every_days(row["abc"]) if choice.which == "due" else choice.days
        recently = row["last"] is not None and row["last"] > now - timedelta(days=days)
        if choice.which in {"due", "days"} and recently:
            continue
        wanted.append((row["item_id"], row["item__tracking"]))
    batches: dict[int, list[str]] = {}
    for item_id, batch in (
        BatchBalance.objects.filter(location=location, on_hand__gt=0).order_by("item_id", "batch")
        .values_list("item_id", "batch")
    ):
        batches.setdefault(item_id, []).append(batch)
    return [
        (item_id, batch)
        for item_id, tracking in wanted
        for batch in (batches.get(item_id, [""]) if tracking == Item.Tracking.BATCH else [""])
    ]


def count_places(user: User) -> list[PlaceRow]:
    """Counted locations that the person sees, with when each is to be counted next. Four statements."""
    today = timezone.localdate()
    seen = Location.objects.visible_to(user).counted()
    mine = set(countable(user).values_list("id", flat=True))
    open_counts = {c.location_id: c for c in StockCount.objects.filter(location__in=seen, state__in=StockCount.OPEN)}
    places = list(
        seen.annotate(last=Max("counts__posted_at", filter=Q(counts__state=StockCount.State.POSTED))).order_by("name")
    )
    days: dict[int, list[date | None]] = {}
    for location_id, last, abc in (
        Balance.objects.filter(location__in=seen, on_hand__gt=0)
        .annotate(
            last=_last_counted("item", "location"),
            abc=Coalesce(
                Subquery(
                    StockPlan.objects.filter(location=OuterRef("location"), item=OuterRef("item")).values("abc")[:1]
                ),
                Value(""),
            ),
        )
        .values_list("location_id", "last", "abc")
    ):
        days.setdefault(location_id, []).append(next_due(timezone.localdate(last) if last else None, abc))
    rows = []
    for place in places:
        due_days = [day or today for day in days.get(place.pk, [])]
        under_way = open_counts.get(place.pk)
        rows.append(PlaceRow(
            id=place.pk, name=place.name, kind=place.get_kind_display(),
            open_count=under_way.pk if under_way else None, open_number=under_way.number if under_way else "",
            last_at=place.last,  # type: ignore[attr-defined]
            items=len(due_days), due=sum(day <= today for day in due_days),
            next_on=min(due_days, default=None), mine=place.pk in mine,
        ))
    return rows
