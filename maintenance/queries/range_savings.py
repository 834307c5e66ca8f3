"""What a smaller range saves: the safety stock of its covers before and after, from what was fitted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from maintenance.queries.range_positions import Worth, weekly_use, worth_of
from stock.models import StoresPolicy, Variant
from stock.queries.demand import monday_of
from stock.rules.pooling import Held, Terms, measured, pooling
from stock.rules.reorder import USUAL_SPREAD

# Fewer weeks say nothing about a spread.
LEAST_WEEKS = 8
USUAL_LEAD_TIME_DAYS = 7


def savings(
    lines: Sequence[Mapping[str, Any]], *, branch_id: int | None, asked: Mapping[str, Any], today: date
) -> dict[str, Any]:
    """Safety stock of every cover that was fitted in the weeks looked at, before and after its demand moved to what
    serves its positions, in the same proportions. Four statements."""
    policy = StoresPolicy.current()
    covers = {key: (code, cover) for key, code, cover in Variant.objects.values_list("id", "code", "cover_id")}
    used = weekly_use(
        [cover for _code, cover in covers.values()], branch_id=branch_id, until=monday_of(today),
        weeks=policy.history_weeks,
    )
    # Weeks before anything was recorded are not weeks without demand.
    first = min((next(at for at, count in enumerate(weeks) if count) for weeks in used.values() if any(weeks)),
                default=0)
    weeks = policy.history_weeks - first
    asked_for = {"service_percent": asked["service_percent"], "correlation": asked["correlation"],
                 "review_days": policy.review_days, "currency": policy.currency, "weeks": weeks}
    if not used or weeks < LEAST_WEEKS:
        return asked_for | {"lines": [], "least_weeks": LEAST_WEEKS}
    demands = {key: measured(used[cover][first:]) for key, (_code, cover) in covers.items() if cover in used}
    worth = worth_of([cover for _code, cover in covers.values()], currency=policy.currency, today=today)
    known = [
        (demand.mean, days) for key, demand in demands.items()
        if (days := worth[covers[key][1]].lead_time_days) is not None and demand.mean > 0
    ]
    total = sum(mean for mean, _days in known)
    lead_time = sum(mean * days for mean, days in known) / total if total else float(USUAL_LEAD_TIME_DAYS)
    terms = Terms(
        service=asked["service_percent"] / 100, lead_time_days=lead_time,
        lead_time_sd_days=USUAL_SPREAD * lead_time, review_days=policy.review_days, correlation=asked["correlation"],
    )
    pooled = pooling(demands, _moves(lines), terms)
    rows: list[dict[str, Any]] = [
        {"code": covers[key][0], "variant": key, "unit": worth[covers[key][1]].unit,
         "before": _held(pooled.before.get(key), worth[covers[key][1]]),
         "after": _held(pooled.after.get(key), worth[covers[key][1]])}
        for key in pooled.before.keys() | pooled.after.keys()
    ]
    rows.sort(key=lambda row: (row["after"] is None, str(row["code"])))
    return asked_for | {
        "lead_time_days": round(lead_time, 1), "lead_time_sd_days": round(terms.lead_time_sd_days, 1),
        "lines": rows, "before": _sum(row["before"] for row in rows), "after": _sum(row["after"] for row in rows),
        "unpriced": [row["code"] for row in rows if row["unit"] is None],
    }


def _moves(lines: Sequence[Mapping[str, Any]]) -> dict[int, dict[int, float]]:
    """From each variant to those that serve its positions, as shares; positions that nothing serves keep theirs."""
    counts: dict[int, Counter[int]] = {}
    for line in lines:
        by = line["by"]["variant"] if line["by"] else line["variant"]
        counts.setdefault(line["variant"], Counter())[by] += line["positions"]
    return {
        old: {other: count / sum(found.values()) for other, count in sorted(found.items())}
        for old, found in counts.items()
    }


def _held(held: Held | None, worth: Worth) -> dict[str, Any] | None:
    if held is None:
        return None
    return {
        "mean": round(held.demand.mean, 4), "sd": round(held.demand.sd, 4), "pieces": held.safety_stock,
        "value": None if worth.unit is None else round(held.safety_stock * worth.unit, 2),
    }


def _sum(held: Iterable[Mapping[str, Any] | None]) -> dict[str, Any]:
    found = [row for row in held if row is not None]
    return {
        "variants": len(found), "pieces": sum(row["pieces"] for row in found),
        "value": round(sum(row["value"] or 0.0 for row in found), 2),
    }
