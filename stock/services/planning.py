"""What to hold, computed each night: for every item at every store, and for what vans use."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.db import connection, transaction
from numpy.typing import NDArray

from config.again import again
from stock.models import ServiceLevel, StockPlan, StoresPolicy
from stock.queries.demand import KnownPart, PastUse, known_work, monday_of, past_use
from stock.queries.plan_inputs import Late, Pairs, late_deliveries, pairs
from stock.rules import classes, intermittent, lot_size, reorder
from stock.services.stores_policy import ensure_policy

Numbers = NDArray[np.float64]
Counts = NDArray[np.int64]
Uses = NDArray[np.int32]
Report = Callable[[str, int], None]

# So many series are held as matrices of floating point at once.
CHUNK = 10_000
NO_SUPPLIER_DAYS = 7.0
# A van is topped up every evening from its store.
VAN_LEAD_DAYS = 1.0
MOST_KNOWN_SHOWN = 60
YEAR_WEEKS = 52
LEAST_YEAR_WEEKS = 13


@dataclass(frozen=True)
class _Lead:
    """Lead time of each pair."""

    usual: Numbers
    mean: Numbers
    sd: Numbers


@dataclass(frozen=True)
class _Use:
    """What the weeks say of each pair; the matrices of whole pieces have a column for each."""

    used: Uses
    random: Uses
    estimate: intermittent.Estimate
    yearly: Numbers
    mean: Numbers
    sd: Numbers


def plan_stock(*, business_date: date, report: Report = lambda part, percent: None) -> dict[str, int]:
    """Compute for every item and place what to hold, and set the levels that are not set by hand.

    From the complete weeks before that day and the work ahead of it. One transaction for the plans, one for the
    levels; a repeat changes nothing. Returns how many plans there are, how many were changed and removed, and how many
    levels were changed.
    """
    policy = ensure_policy()
    known = known_work(business_date)
    places = pairs(known, currency=policy.currency, today=business_date)
    until, weeks = monday_of(business_date), max(policy.history_weeks, 1)
    late = late_deliveries(since=until - timedelta(weeks=weeks), today=business_date)
    lead = _lead_times(places, late)
    parts = []
    for low, high in _chunks(places.item):
        report("past demand", 60 * low // len(places))
        past = past_use(int(places.item[low]), int(places.item[high - 1]), until=until, weeks=weeks)
        horizon = np.ceil((lead.mean[low:high] + policy.review_days) / reorder.DAYS_PER_WEEK).astype(np.int64)
        parts.append(_use(past, places.item[low:high], places.location[low:high], weeks, np.maximum(horizon, 1)))
    counts = {"plans": 0, "changed": 0, "removed": 0}
    report("writing", 60)
    if parts:
        figures = _figures(places, lead, parts, known, policy, business_date)
        counts = _write(figures, parts, known, late, business_date, until, weeks)
    else:
        counts["removed"] = StockPlan.objects.all().delete()[0]
    counts["levels changed"] = _set_levels()
    return counts


def _chunks(item: Counts) -> Iterator[tuple[int, int]]:
    """Ranges of about CHUNK pairs that part no item."""
    low = 0
    while low < len(item):
        high = min(low + CHUNK, len(item))
        high = int(np.searchsorted(item, item[high - 1], side="right"))
        yield low, high
        low = high


def _lead_times(places: Pairs, late: Mapping[int, Late]) -> _Lead:
    usual = np.where(places.usual_days >= 0, places.usual_days, NO_SUPPLIER_DAYS).astype(np.float64)
    seen, mean, variance = (np.zeros(len(places)) for _ in range(3))
    for supplier, found in late.items():
        mine = places.supplier == supplier
        seen[mine], mean[mine], variance[mine] = found.seen, found.mean_days, found.variance
    days, sd = reorder.lead_time(usual, seen=seen, late_mean_days=mean, late_variance=variance)
    return _Lead(
        np.where(places.van, VAN_LEAD_DAYS, usual), np.where(places.van, VAN_LEAD_DAYS, days),
        np.where(places.van, 0.0, sd),
    )


def _key(item: Counts, location: Counts) -> Counts:
    return item * 2**31 + location


def _at(keys: Counts, wanted: Counts) -> tuple[Counts, NDArray[np.bool_]]:
    """Where each wanted key stands in the sorted keys, and whether it is there."""
    place = np.minimum(np.searchsorted(keys, wanted), max(len(keys) - 1, 0))
    return place, keys[place] == wanted


def _use(past: PastUse, item: Counts, location: Counts, weeks: int, horizon: Counts) -> _Use:
    keys = _key(item, location)
    net, planned = np.zeros((weeks, len(keys))), np.zeros((weeks, len(keys)))
    column, there = _at(keys, _key(past.item, past.location))
    net[past.week[there], column[there]] = past.used[there]
    planned[past.week[there], column[there]] = past.planned[there]
    first = np.full(len(keys), weeks, np.int64)
    column, there = _at(keys, _key(past.pair_item, past.pair_location))
    first[column[there]] = np.clip(past.first_week[there], 0, weeks)
    used = intermittent.without_returns(net)
    random = np.maximum(used - planned, 0.0)
    # A chance not judged by a week is one of its weeks without demand; so mean and spread run over the known weeks.
    known_weeks = np.maximum(weeks - first, 1)
    started = np.arange(weeks)[:, np.newaxis] >= first
    mean = used.sum(axis=0) / known_weeks
    squares = np.where(started, used - mean, 0.0) ** 2
    year = min(YEAR_WEEKS, weeks)
    divisor = np.clip(np.minimum(known_weeks, year), LEAST_YEAR_WEEKS, YEAR_WEEKS)
    return _Use(
        used=used.astype(np.int32), random=random.astype(np.int32),
        estimate=intermittent.estimate(random, horizon_weeks=horizon, first_week=first),
        yearly=used[-year:].sum(axis=0) / divisor * lot_size.WEEKS_PER_YEAR,
        mean=mean, sd=np.sqrt(squares.sum(axis=0) / np.maximum(known_weeks - 1, 1)),
    )


def _figures(
    places: Pairs, lead: _Lead, parts: Sequence[_Use], known: Sequence[KnownPart], policy: StoresPolicy,
    business_date: date,
) -> dict[str, NDArray[Any]]:
    """Every figure of the plans by name, one value for each pair; `keep` says which pairs have a plan."""

    def joined(name: str) -> Numbers:
        return np.concatenate([getattr(part.estimate, name) for part in parts])

    yearly = np.concatenate([part.yearly for part in parts])
    mean = np.concatenate([part.mean for part in parts])
    sd = np.concatenate([part.sd for part in parts])
    value = yearly * places.cost
    abc, share = classes.abc(
        value, places.location, a_share=policy.a_share_percent / 100, b_share=policy.b_share_percent / 100
    )
    xyz = classes.xyz(mean, sd, x_variation=float(policy.x_variation), y_variation=float(policy.y_variation))
    service = np.full(len(places), 95.0)
    for row in ServiceLevel.objects.all():
        service[(abc == row.abc) & (xyz == row.xyz)] = float(row.percent)
    window = np.ceil(
        lead.mean + policy.review_days + np.maximum(reorder.normal_quantile(service / 100), 0.0) * lead.sd - 1e-9
    ).astype(np.int64)
    promised, all_known = _promised(places, known, window, business_date)
    demand = reorder.protected_demand(
        rate_per_week=joined("rate_per_week"), variance_per_week=joined("variance_per_week"), lead_time_days=lead.mean,
        lead_time_sd_days=lead.sd, review_days=policy.review_days, rate_variance=joined("rate_variance"),
    )
    # No more is held against chance than a year is expected to take.
    most = np.floor(joined("rate_per_week") * lot_size.WEEKS_PER_YEAR + 0.5)
    point = reorder.reorder_point(demand, service=service / 100, most=most)
    # Where nothing was used for a year, what is still expected at random.
    a_year = np.maximum(yearly, joined("rate_per_week") * lot_size.WEEKS_PER_YEAR)
    quantity = lot_size.order_quantity(
        a_year,
        order_cost=float(policy.order_cost), unit_price=np.where(places.van, 0.0, places.cost),
        carrying_share=float(policy.carrying_percent) / 100, pack_size=np.where(places.van, 1, places.pack),
        minimum_order=np.where(places.van, 1, places.least_order), at_least=promised,
    )
    # What a van takes in a week, instead of the month that stands in for a missing price.
    week = np.ceil(joined("rate_per_week") - 1e-9).astype(np.int64)
    quantity = np.where(places.van, np.maximum(week, promised), quantity)
    # What is not worth a point is not worth an order, but for what is promised.
    idle = (point.point == 0) & (promised == 0)
    quantity = np.where(idle, 0, quantity)
    used = np.concatenate([part.used.any(axis=0) for part in parts])
    methods = np.array([*intermittent.METHODS, intermittent.NONE])
    return {
        "keep": used | all_known | places.level | (~places.van & (places.held > 0)),
        "item": places.item, "location": places.location, "supplier": np.where(places.van, 0, places.supplier),
        "van": places.van, "abc": abc, "xyz": xyz, "method": methods[joined("method").astype(np.int64)],
        "rate": joined("rate_per_week"), "variance": joined("variance_per_week"),
        "rate_sd": np.sqrt(joined("rate_variance")), "alpha": joined("alpha"), "weeks_known": joined("weeks"),
        "forecasts": joined("forecasts"), "known": promised, "usual": lead.usual, "lead": lead.mean,
        "lead_sd": lead.sd, "service": service, "safety": point.safety_stock,
        "point": point.point + promised, "quantity": quantity, "window": window,
        "mean": demand.mean, "spread": np.sqrt(demand.variance), "undershoot": demand.undershoot,
        "covered": point.covered, "distribution": np.array(reorder.DISTRIBUTIONS)[point.distribution],
        "fill": reorder.fill_rate(demand, point, quantity),
        "reached": point.reached, "limited": point.limited, "yearly": a_year, "value": value, "share": share,
        "week_mean": mean, "week_sd": sd, "cost": places.cost, "pack": places.pack, "least_order": places.least_order,
        "ideal": lot_size.economic_order_quantity(
            a_year, order_cost=float(policy.order_cost),
            holding_cost=np.where(places.cost > 0, places.cost, 1) * float(policy.carrying_percent) / 100,
        ),
        "horizon": np.maximum(np.ceil((lead.mean + policy.review_days) / reorder.DAYS_PER_WEEK), 1).astype(np.int64),
        "order_cost": np.full(len(places), float(policy.order_cost)),
        "carrying": np.full(len(places), float(policy.carrying_percent)),
        "review": np.full(len(places), policy.review_days),
        "errors": np.concatenate([part.estimate.errors for part in parts], axis=1).T,
    }



def _promised(
    places: Pairs, known: Sequence[KnownPart], window: Counts, business_date: date
) -> tuple[Counts, NDArray[np.bool_]]:
    """What known work takes within each pair's window, and whether there is known work at all."""
    promised, some = np.zeros(len(places), np.int64), np.zeros(len(places), bool)
    if known:
        column, there = _at(
            _key(places.item, places.location),
            _key(np.array([part.item_id for part in known]), np.array([part.location_id for part in known])),
        )
        days = np.array([(part.day - business_date).days for part in known])
        soon = there & (days <= window[column])
        some[column[there]] = True
        np.add.at(promised, column[soon], np.array([part.quantity for part in known])[soon])
    return promised, some


# Columns of the plan, then what its reasons hold by name; both with the type that the value has in SQL.
_COLUMNS = {
    "item": "bigint", "location": "bigint", "abc": "text", "xyz": "text", "method": "text", "rate": "float8",
    "week_spread": "float8", "known": "int", "lead": "float8", "lead_sd": "float8", "service": "float8",
    "safety": "int", "point": "int", "quantity": "int", "supplier": "bigint",
}
_REASONS = {
    "alpha": "float8", "weeks_known": "int", "forecasts": "int", "rate_sd": "float8", "usual": "float8",
    "window": "int", "mean": "float8", "spread": "float8", "undershoot": "float8", "covered": "int",
    "distribution": "text", "fill": "float8", "reached": "float8", "limited": "boolean",
    "yearly": "float8", "value": "float8", "share": "float8",
    "week_mean": "float8", "week_sd": "float8", "cost": "float8", "pack": "int", "least_order": "int",
    "ideal": "float8", "horizon": "int", "order_cost": "float8", "carrying": "float8", "review": "int",
    "van": "boolean",
}
_SHOWN_AS = {"window": "window_days"}
_PLAN_FIELDS = (
    "item_id", "location_id", "computed_on", "abc", "xyz", "method", "rate_per_week", "sd_per_week",
    "known_in_lead_time", "lead_time_days", "lead_time_sd_days", "service_percent", "safety_stock", "reorder_point",
    "order_quantity", "supplier_id", "reasons",
)


def _write_sql() -> str:
    """One statement that inserts the plans or changes those that differ."""
    names = ", ".join(f'"{name}"' for name in (*_COLUMNS, *_REASONS))
    arrays = ", ".join(f"%({name})s::{kind}[]" for name, kind in (_COLUMNS | _REASONS).items())
    kept = ", ".join(
        f"'{_SHOWN_AS.get(name, name)}', " + (f'round(r."{name}"::numeric, 4)' if kind == "float8" else f'r."{name}"')
        for name, kind in _REASONS.items()
    )
    errors = ", ".join(f"'{method}', round(r.error_{method}::numeric, 4)" for method in intermittent.METHODS)
    error_arrays = ", ".join(f"%(error_{method})s::float8[]" for method in intermittent.METHODS)
    error_names = ", ".join(f"error_{method}" for method in intermittent.METHODS)
    changed = ", ".join(f"{name} = EXCLUDED.{name}" for name in _PLAN_FIELDS[2:])
    own = ", ".join(f"p.{name}" for name in _PLAN_FIELDS[2:])
    new = ", ".join(f"EXCLUDED.{name}" for name in _PLAN_FIELDS[2:])
    return f"""
        INSERT INTO stock_stockplan AS p ({", ".join(_PLAN_FIELDS)})
        SELECT r.item, r.location, %(today)s, r.abc, r.xyz, r.method, round(r.rate::numeric, 6)::float8,
            round(r.week_spread::numeric, 6)::float8, r.known, round(r.lead::numeric, 3)::float8,
            round(r.lead_sd::numeric, 3)::float8, r.service::numeric(5, 2), r.safety, r.point, r.quantity,
            NULLIF(r.supplier, 0),
            jsonb_build_object({kept},
                'first_week', %(first)s::date, 'errors', jsonb_strip_nulls(jsonb_build_object({errors})),
                'used', to_jsonb((%(used)s::int[])[(r.n - 1) * %(weeks)s + 1 : r.n * %(weeks)s]),
                'random', CASE WHEN r.has_planned THEN
                    to_jsonb((%(random)s::int[])[(r.n - 1) * %(weeks)s + 1 : r.n * %(weeks)s]) END,
                'known', r.known_work::jsonb,
                'late', (%(late)s::jsonb) -> r.supplier::text)
        FROM unnest({arrays}, {error_arrays}, %(has_planned)s::boolean[], %(known_work)s::text[])
            WITH ORDINALITY AS r ({names}, {error_names}, has_planned, known_work, n)
        ON CONFLICT (item_id, location_id) DO UPDATE SET {changed}
        WHERE ({own}) IS DISTINCT FROM ({new})
    """  # noqa: S608 - put together from the names above only


def _array(values: NDArray[Any]) -> str:
    """Numbers as PostgreSQL reads an array: much faster than number by number."""
    return "{" + ",".join(map(str, values.ravel().tolist())) + "}"


@again
@transaction.atomic
def _write(
    figures: dict[str, NDArray[Any]], parts: Sequence[_Use], known: Sequence[KnownPart], late: Mapping[int, Late],
    business_date: date, until: date, weeks: int,
) -> dict[str, int]:
    """Bring the plans to these figures; in chunks, in one transaction."""
    keep = figures["keep"]
    work = _known_words(known)
    suppliers = json.dumps(
        {key: {"seen": found.seen, "mean": round(found.mean_days, 2), "sd": round(found.variance**0.5, 2),
               "days": found.days} for key, found in late.items()}
    )
    sql, changed, low = _write_sql(), 0, 0
    with connection.cursor() as cursor:
        for part in parts:
            high = low + part.used.shape[1]
            mine: Counts = np.flatnonzero(keep[low:high])
            rows = mine + low
            low = high
            values: dict[str, Any] = {
                name: figures[name][rows].tolist() if kind == "text" else _array(figures[name][rows])
                for name, kind in (_COLUMNS | _REASONS).items() if name != "week_spread"
            }
            pairs_here = zip(figures["item"][rows].tolist(), figures["location"][rows].tolist(), strict=True)
            used, random = part.used[:, mine].T, part.random[:, mine].T
            values |= {
                "week_spread": _array(np.sqrt(figures["variance"][rows])), "used": _array(used),
                "random": _array(random), "has_planned": _array((used != random).any(axis=1)),
                "known_work": [work.get(pair, "[]") for pair in pairs_here],
                "late": suppliers, "today": business_date, "first": until - timedelta(weeks=weeks), "weeks": weeks,
            }
            for number, method in enumerate(intermittent.METHODS):
                # What was not judged is not a number.
                values[f"error_{method}"] = _array(figures["errors"][rows, number]).replace("nan", "NULL")
            cursor.execute(sql, values)
            changed += cursor.rowcount
        cursor.execute(
            "DELETE FROM stock_stockplan p WHERE NOT EXISTS (SELECT FROM unnest(%(item)s::bigint[], "
            "%(location)s::bigint[]) AS k (item, location) WHERE k.item = p.item_id AND k.location = p.location_id)",
            {"item": _array(figures["item"][keep]), "location": _array(figures["location"][keep])},
        )
        removed = cursor.rowcount
    return {"plans": int(keep.sum()), "changed": changed, "removed": removed}


def _known_words(known: Sequence[KnownPart]) -> dict[tuple[int, int], str]:
    """Known work by item and location, as the reasons keep it."""
    found: dict[tuple[int, int], list[list[object]]] = {}
    for part in known:
        rows = found.setdefault((part.item_id, part.location_id), [])
        if len(rows) < MOST_KNOWN_SHOWN:
            rows.append([part.day.isoformat(), part.reference, part.quantity, part.dated, part.reserved])
    return {pair: json.dumps(rows) for pair, rows in found.items()}


@again
@transaction.atomic
def _set_levels() -> int:
    """Bring the levels that are not set by hand to their plan. Levels are compared with what is not promised, so what
    is promised is not part of them. Returns how many changed."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            WITH wanted AS (
                SELECT v.id, n.reorder_point - n.known_in_lead_time AS minimum,
                    n.reorder_point - n.known_in_lead_time
                        + CASE WHEN n.reorder_point > n.known_in_lead_time THEN n.order_quantity ELSE 0 END AS target
                FROM stock_stocklevel v
                JOIN stock_stockplan n ON n.item_id = v.item_id AND n.location_id = v.location_id
                WHERE NOT v.by_hand
                ORDER BY v.item_id, v.location_id FOR UPDATE OF v
            )
            UPDATE stock_stocklevel v SET minimum = w.minimum, target = w.target FROM wanted w
            WHERE v.id = w.id AND (v.minimum, v.target) IS DISTINCT FROM (w.minimum, w.target)
            """
        )
        return int(cursor.rowcount)
