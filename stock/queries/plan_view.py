"""What a person sees of the plan: the list, and one item at one place with every figure's reasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Case, F, FilteredRelation, Q, QuerySet, Value, When
from django.db.models.functions import Coalesce

from config.accounts.models import User
from config.keyset import KeysetPage, page
from stock.models import Balance, Item, Location, Order, OrderLine, Reservation, StockLevel, StockPlan
from stock.queries.plan_plot import DemandPlot, StockPlot, demand_plot, stock_plot
from stock.queries.plan_words import Figure, figures, method_word
from stock.rules import intermittent
from stock.rules.projection import Projection, project

PLAN_ORDER = ("rank", "item__name", "location__name", "id")
WEEKS_AHEAD = 13


@dataclass(frozen=True)
class PlanRow:
    """One item at one place; quantities in the item's unit. `below`: less is on hand and on order than the point."""

    item_id: int
    sku: str
    name: str
    kind: str
    unit: str
    location_id: int
    location: str
    abc: str
    xyz: str
    service: str
    rate: str
    method: str
    on_hand: int
    on_order: int
    known: int
    safety_stock: int
    reorder_point: int
    order_quantity: int
    by_hand: bool
    stocked: bool  # a store, or a van with a level
    below: bool


def plans(
    user: User, *, location: int | None = None, kind: str | None = None, abc: str | None = None,
    xyz: str | None = None, below_only: bool = False, search: str = "",
    stores_only: bool = False,
) -> QuerySet[Any, dict[str, Any]]:
    """Plans that the person sees: keyset pageable by PLAN_ORDER, one statement. A van without a level is not stocked
    up, so it is never below."""
    rows: QuerySet[Any, Any] = StockPlan.objects.visible_to(user).alias(
        held=FilteredRelation("item__balances", condition=Q(item__balances__location=F("location"))),
        level=FilteredRelation("item__levels", condition=Q(item__levels__location=F("location"))),
        cover=Coalesce(F("held__on_hand"), Value(0)) + Coalesce(F("held__on_order"), Value(0)),
    )
    for field, value in (("location_id", location), ("item__kind", kind), ("abc", abc), ("xyz", xyz)):
        if value:
            rows = rows.filter(**{field: value})
    if search:
        rows = rows.filter(Q(item__sku__istartswith=search) | Q(item__name__icontains=search))
    short = Q(cover__lt=F("reorder_point")) & (Q(location__kind=Location.Kind.STORE) | Q(level__isnull=False))
    if stores_only:
        rows = rows.filter(location__kind=Location.Kind.STORE)
    if below_only:
        rows = rows.filter(short)
    return rows.values(
        "id", "item_id", "item__sku", "item__name", "item__kind", "item__unit", "location_id", "location__name", "abc",
        "xyz", "service_percent", "rate_per_week", "method", "known_in_lead_time", "safety_stock", "reorder_point",
        "order_quantity",
        on_hand=Coalesce(F("held__on_hand"), Value(0)), on_order=Coalesce(F("held__on_order"), Value(0)),
        hand=Coalesce(F("level__by_hand"), Value(False)),
        stocked=Case(When(location__kind=Location.Kind.STORE, then=Value(True)),
                     When(level__isnull=False, then=Value(True)), default=Value(False)),
        rank=Case(When(short, then=Value(0)), default=Value(1)),
    )


def plan_page(user: User, *, cursor: str | None = None, size: int = 50, **wanted: Any) -> KeysetPage[PlanRow]:
    """One page of plans, below their point first. One statement. Raises InvalidInput for a foreign cursor."""
    found = page(plans(user, **wanted), PLAN_ORDER, cursor=cursor, size=size)
    rows = [
        PlanRow(
            item_id=row["item_id"], sku=row["item__sku"], name=row["item__name"],
            kind=Item.Kind(row["item__kind"]).label, unit=row["item__unit"], location_id=row["location_id"],
            location=row["location__name"], abc=row["abc"], xyz=row["xyz"],
            service=f"{float(row['service_percent']):g}", rate=f"{row['rate_per_week']:.2f}",
            method=method_word(row["method"]), on_hand=row["on_hand"], on_order=row["on_order"],
            known=row["known_in_lead_time"], safety_stock=row["safety_stock"], reorder_point=row["reorder_point"],
            order_quantity=row["order_quantity"], by_hand=row["hand"], stocked=row["stocked"],
            below=row["rank"] == 0,
        )
        for row in found.rows
    ]
    return KeysetPage(rows, found.next_cursor, found.first)


def planned_places(user: User) -> list[tuple[int, str]]:
    """Stores and vans that the person sees, to filter by. One statement."""
    kinds = (Location.Kind.STORE, Location.Kind.VAN)
    return list(Location.objects.visible_to(user).filter(kind__in=kinds).order_by("name").values_list("id", "name"))


@dataclass(frozen=True)
class MethodRow:
    """A method in the back-test: its error in pieces, and in words whether it was taken."""

    name: str
    error: str
    chosen: bool


@dataclass(frozen=True)
class KnownRow:
    day: date
    dated: bool
    reference: str
    quantity: int
    reserved: bool
    in_window: bool


@dataclass(frozen=True)
class ArrivalRow:
    order_id: int
    number: str
    expected_on: date
    quantity: int
    late: bool


@dataclass(frozen=True)
class WeekRow:
    """What the plot shows of one day, for the table."""

    day: date
    certain: int
    expected: str
    low: int
    high: int
    below: str


@dataclass(frozen=True)
class PlanDetail:
    plan: StockPlan
    level: StockLevel | None
    on_hand: int
    on_order: int
    below: bool
    verdict: str
    figures: tuple[Figure, ...]
    methods: tuple[MethodRow, ...]
    method: str
    known: tuple[KnownRow, ...]
    arrivals: tuple[ArrivalRow, ...]
    lead_days: tuple[float, ...]
    weeks: tuple[WeekRow, ...]
    ahead: StockPlot
    behind: DemandPlot
    behind_rows: tuple[tuple[date, int, int], ...]
    first_week: date
    outlook: str
    free_point: int
    discontinued_on: date | None

    @property
    def reasons(self) -> dict[str, Any]:
        return dict(self.plan.reasons)


def plan_detail(user: User, item: int, location: int, *, today: date) -> PlanDetail:
    """All of one plan. Five statements. Raises StockPlan.DoesNotExist for one that the person may not see."""
    plan = (
        StockPlan.objects.visible_to(user).select_related("item__variant", "location", "supplier")
        .get(item_id=item, location_id=location)
    )
    balance = Balance.objects.filter(item_id=item, location_id=location).first() or Balance()
    level = StockLevel.objects.filter(item_id=item, location_id=location).first()
    reserved = Reservation.objects.filter(item_id=item, location_id=location, state=Reservation.State.OPEN)
    why = plan.reasons
    until = today + timedelta(days=why["window_days"])
    known = [
        KnownRow(max(row.needed_on, today), True, row.reference, row.quantity, True, row.needed_on <= until)
        for row in reserved
    ]
    # What is not reserved was found by the nightly work.
    for day, reference, quantity, dated, promised in why["known"]:
        if not promised:
            on = max(date.fromisoformat(day), today)
            known.append(KnownRow(on, dated, reference, quantity, False, on <= until))
    known.sort(key=lambda row: (row.day, row.reference))
    arrivals = _arrivals(item, location, today)
    found = project(
        balance.on_hand, days=7 * WEEKS_AHEAD, known=[((row.day - today).days, row.quantity) for row in known],
        arrivals=[((row.expected_on - today).days, row.quantity) for row in arrivals],
        rate_per_week=plan.rate_per_week, variance_per_week=plan.sd_per_week**2, rate_variance=why["rate_sd"] ** 2,
    )
    used, first = why["used"], date.fromisoformat(why["first_week"])
    planned = [all_use - by_chance for all_use, by_chance in zip(used, why["random"] or used, strict=True)]
    variant = getattr(plan.item, "variant", None)
    below = balance.on_hand + balance.on_order < plan.reorder_point and (
        plan.location.kind == Location.Kind.STORE or level is not None
    )
    return PlanDetail(
        plan=plan, level=level, on_hand=balance.on_hand, on_order=balance.on_order, below=below,
        verdict=_verdict(plan, balance, below), figures=figures(plan), methods=_methods(plan),
        method=method_word(plan.method), known=tuple(known), arrivals=arrivals,
        lead_days=tuple((why["late"] or {}).get("days", ())), weeks=_week_rows(found, plan, today),
        ahead=stock_plot(
            found, start=today, point=free_point(plan),
            known=[((r.day - today).days, r.quantity, f"{r.day:%-d %b}: {r.quantity} for {r.reference}")
                   for r in known],
            arrivals=[((r.expected_on - today).days, r.quantity, f"{r.expected_on:%-d %b}: {r.quantity} of {r.number}")
                      for r in arrivals],
        ),
        behind=demand_plot(used, planned, first=first, rate=plan.rate_per_week),
        behind_rows=tuple(
            (first + timedelta(weeks=week), quantity, planned[week]) for week, quantity in enumerate(used) if quantity
        )[::-1],
        first_week=first, outlook=_outlook(found, plan, today),
        free_point=free_point(plan),
        discontinued_on=variant.discontinued_on if variant else None,
    )


def _arrivals(item: int, location: int, today: date) -> tuple[ArrivalRow, ...]:
    lines = OrderLine.objects.filter(
        item_id=item, order__destination_id=location, order__state=Order.State.PLACED, received__lt=F("quantity")
    ).select_related("order").order_by("order__expected_on", "id")
    return tuple(
        ArrivalRow(
            line.order_id, line.order.number, max(line.order.expected_on or today, today),
            line.quantity - line.received, (line.order.expected_on or today) < today,
        )
        for line in lines
    )


def _verdict(plan: StockPlan, balance: Balance, below: bool) -> str:
    have = f"{balance.on_hand:,} on hand and {balance.on_order:,} on order"
    unit = plan.item.unit
    if plan.reorder_point == 0:
        return f"Nothing needs to be held: no demand is expected, and no work is promised any of it. {have}."
    if not below and balance.on_hand + balance.on_order < plan.reorder_point:
        return f"No level is set, so this van is not stocked up: {have}. The plan would hold {plan.reorder_point:,}."
    if below:
        return f"Below the reorder point of {plan.reorder_point:,} {unit}: {have}."
    return f"Enough: {have}, the reorder point is {plan.reorder_point:,} {unit}."


def _methods(plan: StockPlan) -> tuple[MethodRow, ...]:
    errors = plan.reasons["errors"]
    return tuple(
        MethodRow(method_word(name), f"{errors[name]:.2f}" if name in errors else "not judged", name == plan.method)
        for name in intermittent.METHODS
    )


def _week_rows(found: Projection, plan: StockPlan, today: date) -> tuple[WeekRow, ...]:
    rows = []
    for day in range(0, len(found.expected), 7):
        expected = float(found.expected[day])
        below = "missing" if expected < -1e-9 else "below the point" if expected < free_point(plan) else ""
        rows.append(
            WeekRow(today + timedelta(days=day), int(found.certain[day]), f"{expected:.1f}", int(found.low[day]),
                    int(found.high[day]), below)
        )
    return tuple(rows)


def _outlook(found: Projection, plan: StockPlan, today: date) -> str:
    """The plot in words."""
    missing, short = found.first_below(0), found.first_below(free_point(plan))
    words = []
    if short is not None and free_point(plan) > 0:
        on = today + timedelta(days=short)
        words.append("What is left of the stock on hand is below the reorder point now." if short == 0 else
                     f"Without a further order, stock is expected to fall below the reorder point on {on:%-d %b %Y}.")
    if missing is not None:
        on = today + timedelta(days=missing)
        words.append(f"On {on:%-d %b %Y} it is expected to run out.")
    return " ".join(words) or f"Stock is expected to stay at the reorder point or above for {WEEKS_AHEAD} weeks."


def free_point(plan: StockPlan) -> int:
    """The reorder point without what is promised: for stock that has promised parts taken off already."""
    return plan.reorder_point - plan.known_in_lead_time
