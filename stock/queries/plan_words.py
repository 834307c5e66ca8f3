"""The figures of a plan, each with its formula, the numbers put in, and the source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from stock.models import StockPlan

_METHODS = {
    StockPlan.Method.NONE: "no demand in the weeks looked at",
    StockPlan.Method.MEAN: "mean of the weeks",
    StockPlan.Method.SES: "simple exponential smoothing",
    StockPlan.Method.CROSTON: "Croston",
    StockPlan.Method.SBA: "Croston, corrected by Syntetos and Boylan",
    StockPlan.Method.TSB: "Teunter, Syntetos and Babai",
}


def method_word(method: str) -> str:
    return _METHODS[StockPlan.Method(method)]


@dataclass(frozen=True)
class Figure:
    """One figure: `value` with its unit, `how` it was computed in words and numbers, and where the formula is from."""

    name: str
    value: str
    how: str
    source: str


def _n(value: float, places: int = 1) -> str:
    """A number as short as it can be said."""
    text = f"{value:,.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _looked_at(days: float) -> str:
    return "stock is looked at every day" if days == 1 else f"stock is looked at every {_n(days)} days"


def figures(plan: StockPlan) -> tuple[Figure, ...]:
    """Every figure of the plan in the order in which one stands on another. No statements."""
    why: dict[str, Any] = plan.reasons
    unit = plan.item.unit
    found = [_rate(plan, why, unit), _spread(why, plan, unit), _lead(plan, why), _service(plan, why)]
    if plan.reorder_point > plan.known_in_lead_time:
        found += [_covered(plan, why, unit), _safety(plan, why, unit)]
    return (*found, _known(plan, why, unit), _point(plan, why, unit), _quantity(plan, why, unit))


def _rate(plan: StockPlan, why: dict[str, Any], unit: str) -> Figure:
    smoothing = f" with smoothing constant {_n(why['alpha'], 2)}" if why["alpha"] else ""
    if plan.method == StockPlan.Method.NONE:
        how = f"No demand that was not planned in {why['weeks_known']} weeks."
    elif why["forecasts"] < 8:
        how = f"Mean of {why['weeks_known']} weeks: too few to compare methods."
    else:
        how = (f"By {method_word(plan.method)}{smoothing}, from {why['weeks_known']} weeks; the simplest method whose "
               f"error no other betters by 5 % over {why['forecasts']} forecasts.")
    return Figure("Random demand expected", f"{_n(plan.rate_per_week, 2)} {unit} a week", how,
                  "Croston 1972; Syntetos and Boylan 2005; Teunter, Syntetos and Babai 2011")


def _spread(why: dict[str, Any], plan: StockPlan, unit: str) -> Figure:
    how = ("Variance of a week's demand: its ratio to the mean in those weeks, with an allowance for being an "
           "estimate, times the demand expected.")
    return Figure("Its spread", f"{_n(plan.sd_per_week, 2)} {unit} a week", how,
                  "standard deviation; variance of a sample variance, any textbook of statistics")


def _lead(plan: StockPlan, why: dict[str, Any]) -> Figure:
    value = f"{_n(plan.lead_time_days)} days, give or take {_n(plan.lead_time_sd_days)}"
    if why["van"]:
        return Figure("Lead time", "1 day", "A van is topped up every evening from its store.",
                      "the firm's own routine")
    if plan.supplier is None:
        return Figure("Lead time", value, "Nobody is named as the preferred supplier, so seven days are taken, and a "
                      "fifth of them as spread.", "common practice, no source")
    late = why["late"]
    usual = f"{plan.supplier} usually takes {_n(why['usual'])} days"
    if not late:
        how = f"{usual}; no delivery has been seen yet, so a fifth of it is taken as spread."
        return Figure("Lead time", value, how, "common practice, no source")
    seen, off = late["seen"], late["mean"]
    how = (f"{usual}. {seen} orders came {_n(abs(off))} days {'later' if off >= 0 else 'earlier'} on average, spread "
           f"{_n(late['sd'])}. These count {seen}/({seen} + 5), the usual time the rest: "
           f"{_n(why['usual'])} {'+' if off >= 0 else '-'} {_n(abs(off))} x {_n(seen / (seen + 5), 2)} = "
           f"{_n(plan.lead_time_days)}.")
    return Figure("Lead time", value, how, "credibility weights, Buhlmann 1967")


def _service(plan: StockPlan, why: dict[str, Any]) -> Figure:
    share = f"{_n(why['share'] * 100)} % of the place's yearly value is used by dearer items"
    variation = (
        f"the weekly demand varies by {_n(why['week_sd'] / why['week_mean'], 2)} times its mean" if why["week_mean"]
        else "there was no demand to vary"
    )
    how = (f"Class {plan.abc}{plan.xyz}: {share}; {variation}. So often stock should last from an order to its "
           "arrival.")
    return Figure("Service level", f"{_n(float(plan.service_percent), 2)} %", how,
                  "the firm's policy; ABC after Dickie 1951")


def _covered(plan: StockPlan, why: dict[str, Any], unit: str) -> Figure:
    weeks = plan.lead_time_days / 7
    in_lead = plan.rate_per_week * weeks
    how = (
        f"Expected: {_n(plan.rate_per_week, 2)} x {_n(weeks, 2)} weeks = {_n(in_lead, 2)}, and "
        f"{_n(why['undershoot'], 2)} that are missing already when the order is made (parts go in lots, and "
        f"{_looked_at(why['review'])}): {_n(why['mean'], 2)} in all, spread {_n(why['spread'], 2)} = root of v L + "
        f"m² s² + L² x variance of the rate + variance of what is missing. The {why['distribution']} distribution "
        f"stays at or below {why['covered']} in {_n(why['reached'] * 100)} % of cases."
    )
    if why["limited"]:
        how += (" More is not held against chance than a year is expected to take, so this is less than the service "
                "level asks for (common practice, no source).")
    return Figure("Random demand to cover", f"{why['covered']:,} {unit}", how,
                  "Silver, Pyke and Thomas; Tijms and Groenevelt 1984; Syntetos, Babai and Altay 2012; "
                  "Prak, Teunter and Syntetos 2017")


def _safety(plan: StockPlan, why: dict[str, Any], unit: str) -> Figure:
    how = (f"{why['covered']} to cover less {_n(why['mean'], 2)} expected, rounded up. Of pieces wanted, "
           f"{_n(why['fill'] * 100)} % should be there at once (fill rate).")
    return Figure("Safety stock", f"{plan.safety_stock:,} {unit}", how, "Silver, Pyke and Thomas")


def _known(plan: StockPlan, why: dict[str, Any], unit: str) -> Figure:
    how = (f"Parts of planned visits and accepted proposals for the next {why['window_days']} days: lead time, the "
           "days between two looks, and the lead time's spread at the service level. Parts that were promised this "
           "early are left out of the random demand, so they do not count twice.")
    return Figure("Known demand", f"{plan.known_in_lead_time:,} {unit}", how, "reservations and accepted proposals")


def _point(plan: StockPlan, why: dict[str, Any], unit: str) -> Figure:
    if plan.reorder_point > plan.known_in_lead_time:
        how = (f"{why['covered']} to cover + 1 + {plan.known_in_lead_time} known = {plan.reorder_point}. An order is "
               "made as soon as on hand and on order together are fewer than this: then "
               f"{plan.reorder_point - 1} must last.")
    else:
        rarely = "Less than one is expected to be wanted in a year" if plan.rate_per_week > 0 else "No random demand"
        how = f"{rarely}: only what is known, {plan.known_in_lead_time}."
    return Figure("Reorder point", f"{plan.reorder_point:,} {unit}", how, "sum of the above")


def _quantity(plan: StockPlan, why: dict[str, Any], unit: str) -> Figure:
    value = f"{plan.order_quantity:,} {unit}"
    if plan.order_quantity == 0:
        return Figure("Order quantity", value, "Nothing needs to be held, so nothing is ordered for stock.",
                      "the above")
    if why["van"]:
        return Figure("Filled up by", value, "What the van takes in a week, at least what is promised from it.",
                      "common practice, no source")
    if not why["cost"]:
        how = "No price is known, so four weeks' demand"
        source = "common practice, no source"
    else:
        keep = why["cost"] * why["carrying"] / 100
        how = (f"Root of 2 x {_n(why['yearly'])} a year x {_n(why['order_cost'], 2)} for an order / {_n(keep, 2)} "
               f"for keeping one a year ({_n(why['carrying'], 2)} % of {_n(why['cost'], 2)}) = {_n(why['ideal'])}, at "
               "most a year's demand")
        source = "economic order quantity, Harris 1913"
    how += f"; in packs of {why['pack']}, at least {why['least_order']}, and at least what is known."
    return Figure("Order quantity", value, how, source)
