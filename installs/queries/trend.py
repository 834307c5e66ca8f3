"""A circuit's measured values over the years: the line through them, and where to draw each thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from installs.models import LoopMeasurement, LoopTable
from installs.queries import scope
from installs.queries.measurements import band_words, span_words
from installs.rules.resistors import spoken_ohm
from installs.rules.trend import LEAST_SPAN_DAYS, LEAST_VALUES, Trend, Value, trend_of

if TYPE_CHECKING:
    from config.accounts.models import User

MOST_SHOWN = 200
# The drawing's own units; on a phone it is about as wide as this in pixels, so its letters stay legible.
WIDTH, HEIGHT = 340.0, 230.0
LEFT, RIGHT, TOP, BOTTOM = 70.0, 12.0, 14.0, 30.0
LABEL_GAP = 15.0
AHEAD_DAYS = 3 * 365


@dataclass(frozen=True)
class Mark:
    """One point of the drawing; `shape` says more than colour does."""

    x: str
    y: str
    shape: str  # 'used', 'other', 'above' or 'below' (off the scale)
    words: str


@dataclass(frozen=True)
class Line:
    """A line with the words beside it."""

    x1: str
    y1: str
    x2: str
    y2: str
    words: str = ""


@dataclass(frozen=True)
class Area:
    x: str
    y: str
    width: str
    height: str


@dataclass(frozen=True)
class Plot:
    """The drawing in its own units, numbers as text so that no template can localise them."""

    view_box: str
    frame: Area
    expected: Area | None
    edges: tuple[Line, ...]
    labels: tuple[Line, ...]
    ticks: tuple[Line, ...]
    marks: tuple[Mark, ...]
    trend: Line | None
    leaves: Line | None


@dataclass(frozen=True)
class Reading:
    """One measured value for people to read."""

    day: date
    words: str
    place: str
    at_rest: bool
    source: str
    note: str
    used: bool  # the line rests on it


@dataclass(frozen=True)
class CircuitTrend:
    circuit_id: int
    number: int
    zone: str
    site_id: int
    site: str
    stale: bool
    expected: str  # empty: nothing is computed
    band: str
    since: date | None
    readings: tuple[Reading, ...]
    more: bool
    trend: Trend | None
    verdict: str
    tone: str
    plot: Plot | None


def circuit_trend(user: User, pk: int, *, today: date) -> CircuitTrend | None:
    """The circuit's values, latest first, with their line; None for a circuit that the person may not see.

    2 statements. A table that is missing or not computed gives values without band or line; a stale one is used, and
    said to be so.
    """
    circuit = (
        scope.circuits(user).select_related("loop_table", "panel__system__site")
        .defer("panel__system__site__access_notes", "panel__system__site__search").filter(pk=pk).first()
    )
    if circuit is None:
        return None
    table: LoopTable | None = getattr(circuit, "loop_table", None)
    if table is not None and table.computed_at is None:
        table = None
    rows = list(LoopMeasurement.objects.filter(circuit_id=pk).order_by("-measured_on", "-id")[: MOST_SHOWN + 1])
    shown = rows[:MOST_SHOWN]
    since = table.values_since if table is not None else None
    low, high = (table.band_low_ohm, table.band_high_ohm) if table is not None else (None, None)
    values = [Value(row.measured_on, row.ohm) for row in shown if _used(row, since) and row.ohm is not None]
    trend = trend_of(values, band_low_ohm=low, band_high_ohm=high)
    verdict, tone = _verdict(values, trend, today)
    site = circuit.panel.system.site
    return CircuitTrend(
        circuit_id=pk, number=circuit.number, zone=circuit.zone, site_id=site.pk, site=str(site),
        stale=table is not None and table.stale, expected=_expected(table),
        band="" if low is None else band_words(low, high), since=since,
        readings=tuple(_reading(row, since) for row in shown), more=len(rows) > MOST_SHOWN, trend=trend,
        verdict=verdict, tone=tone, plot=_plot(shown, table, trend, today),
    )


def _used(row: LoopMeasurement, since: date | None) -> bool:
    """What the nightly work takes as well: at the panel, at rest, of the circuit as it is wired now."""
    return (row.at_rest and row.place == LoopMeasurement.Place.PANEL and row.ohm is not None
            and (since is None or row.measured_on >= since))


def _expected(table: LoopTable | None) -> str:
    if table is None or table.normal_least_ohm is None or table.normal_greatest_ohm is None:
        return ""
    return span_words(table.normal_least_ohm, table.normal_greatest_ohm)


def _reading(row: LoopMeasurement, since: date | None) -> Reading:
    return Reading(
        day=row.measured_on, words="open circuit" if row.ohm is None else spoken_ohm(row.ohm),
        place=row.get_place_display(), at_rest=row.at_rest, source=row.get_source_display(), note=row.note,
        used=_used(row, since),
    )


def _verdict(values: Sequence[Value], trend: Trend | None, today: date) -> tuple[str, str]:
    if trend is None:
        return (f"Too few values for a trend: {len(values)} at rest at the panel. It takes {LEAST_VALUES} over "
                f"{LEAST_SPAN_DAYS} days.", "info")
    if not trend.drifts:
        return f"No drift shows in {trend.values} values (t-test of the slope, 5 % level).", "ok"
    rate = f"{'Rises' if trend.ohm_per_year > 0 else 'Falls'} by {spoken_ohm(abs(trend.ohm_per_year))} a year"
    if trend.leaves_on is None:
        return f"{rate}; no edge of the panel's band lies ahead within sight.", "info"
    if trend.leaves_on <= today:
        return f"{rate}: the line left the panel's band on {_day(trend.leaves_on)}.", "bad"
    between = ""
    if trend.earliest_on is not None and trend.latest_on is not None and trend.earliest_on < trend.latest_on:
        between = f", with 95 % confidence between {_day(trend.earliest_on)} and {_day(trend.latest_on)}"
    return f"{rate}: leaves the panel's band about {_day(trend.leaves_on)}{between}.", "warn"


def _day(day: date) -> str:
    return f"{day:%-d %b %Y}"


@dataclass(frozen=True)
class _Scale:
    first: date
    last: date
    low: float
    high: float

    def x(self, day: date) -> float:
        share = (day - self.first).days / max(1, (self.last - self.first).days)
        return LEFT + (WIDTH - LEFT - RIGHT) * min(max(share, 0.0), 1.0)

    def y(self, ohm: float) -> float:
        share = (ohm - self.low) / (self.high - self.low)
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(max(share, 0.0), 1.0)


def _plot(rows: Sequence[LoopMeasurement], table: LoopTable | None, trend: Trend | None, today: date) -> Plot | None:
    drawn = [row for row in rows if row.ohm is not None]
    if not drawn:
        return None
    scale = _scale(drawn, table, trend, today)
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
    expected, edges = None, list[Line]()
    labels: list[tuple[float, str]] = []
    if table is not None and table.normal_least_ohm is not None and table.normal_greatest_ohm is not None:
        upper, lower = scale.y(table.normal_greatest_ohm), scale.y(table.normal_least_ohm)
        expected = _area(LEFT, upper, right - LEFT, max(lower - upper, 1.5))
        labels.append(((upper + lower) / 2, spoken_ohm((table.normal_least_ohm + table.normal_greatest_ohm) / 2)))
    for edge in (table.band_low_ohm, table.band_high_ohm) if table is not None else ():
        if edge:
            y = scale.y(edge)
            edges.append(_line(LEFT, y, right, y, f"edge of the panel's band, {spoken_ohm(edge)}"))
            labels.insert(0, (y, spoken_ohm(edge)))
    if not labels:
        labels = [(scale.y(row.ohm), spoken_ohm(row.ohm)) for row in (drawn[0], drawn[-1]) if row.ohm is not None]
    line = leaves = None
    if trend is not None:
        until = trend.leaves_on if trend.leaves_on and trend.leaves_on > trend.last_on else scale.last
        until = min(until, scale.last)
        line = _line(scale.x(trend.first_on), scale.y(trend.ohm_on(trend.first_on)), scale.x(until),
                     scale.y(trend.ohm_on(until)), "trend")
        if trend.leaves_on is not None and trend.first_on <= trend.leaves_on <= scale.last:
            at = scale.x(trend.leaves_on)
            leaves = _line(at, TOP, at, bottom, f"leaves {_day(trend.leaves_on)}")
    since = table.values_since if table is not None else None
    return Plot(
        view_box=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}", frame=_area(LEFT, TOP, right - LEFT, bottom - TOP),
        expected=expected, edges=tuple(edges), labels=_apart(labels), ticks=_ticks(scale),
        marks=tuple(_mark(row, scale, since) for row in reversed(drawn)), trend=line, leaves=leaves,
    )


def _scale(
    drawn: Sequence[LoopMeasurement], table: LoopTable | None, trend: Trend | None, today: date
) -> _Scale:
    """The years from the first value to today or the day of leaving. A value far out does not squash the rest: it
    stands at the edge of the drawing, and says so."""
    first = min(row.measured_on for row in drawn)
    last = max(today, *(row.measured_on for row in drawn))
    if trend is not None and trend.leaves_on is not None:
        last = max(last, min(trend.leaves_on + timedelta(days=30), today + timedelta(days=AHEAD_DAYS)))
    ohms = sorted(row.ohm for row in drawn if row.ohm is not None)
    fixed: list[float] = []
    if table is not None:
        edges = (table.band_low_ohm, table.band_high_ohm, table.normal_least_ohm, table.normal_greatest_ohm)
        fixed = [edge for edge in edges if edge is not None]
    low, high = (min(fixed), max(fixed)) if fixed else (ohms[0], ohms[-1])
    reach = 0.6 * (high - low) or max(high, 1.0)
    low, high = max(min(low, ohms[0]), low - reach), min(max(high, ohms[-1]), high + reach)
    spare = 0.08 * (high - low) or 0.1 * max(high, 1.0)
    return _Scale(first, last, max(0.0, low - spare) if low >= 0 else low, high + spare)


def _mark(row: LoopMeasurement, scale: _Scale, since: date | None) -> Mark:
    assert row.ohm is not None
    shape = "used" if _used(row, since) else "other"
    if row.ohm > scale.high or row.ohm < scale.low:
        shape = "above" if row.ohm > scale.high else "below"
    words = f"{_day(row.measured_on)}: {spoken_ohm(row.ohm)}"
    if shape in ("above", "below"):
        words += ", off the scale"
    return Mark(f"{scale.x(row.measured_on):.1f}", f"{scale.y(row.ohm):.1f}", shape, words)


def _apart(labels: Sequence[tuple[float, str]]) -> tuple[Line, ...]:
    """The labels of the upright axis, those first in the list winning where two would touch."""
    kept: list[tuple[float, str]] = []
    for y, words in labels:
        if all(abs(y - other) >= LABEL_GAP for other, _ in kept):
            kept.append((y, words))
    return tuple(_line(LEFT - 5, y + 4, LEFT, y, words) for y, words in kept)


def _ticks(scale: _Scale) -> tuple[Line, ...]:
    """New Year's days, as many as have room; failing those, the first day and the last."""
    years = [date(year, 1, 1) for year in range(scale.first.year + 1, scale.last.year + 1)]
    step = max(1, -(-len(years) // 6))
    ticks = [(scale.x(day), str(day.year)) for day in years[::step]]
    if len(ticks) < 2:
        ticks = [(scale.x(day), f"{day:%b %Y}") for day in dict.fromkeys((scale.first, scale.last))]
    ends = (LEFT + 26, WIDTH - RIGHT - 26)
    return tuple(_line(x, HEIGHT - BOTTOM, min(max(x, ends[0]), ends[1]), HEIGHT - 10, words) for x, words in ticks)


def _line(x1: float, y1: float, x2: float, y2: float, words: str = "") -> Line:
    return Line(f"{x1:.1f}", f"{y1:.1f}", f"{x2:.1f}", f"{y2:.1f}", words)


def _area(x: float, y: float, width: float, height: float) -> Area:
    return Area(f"{x:.1f}", f"{y:.1f}", f"{width:.1f}", f"{height:.1f}")
