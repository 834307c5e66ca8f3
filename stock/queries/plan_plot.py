"""Where to draw each thing: a place's stock over the coming weeks, and its demand in the weeks behind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from stock.rules.projection import Projection

# The drawings' own units; on a phone they are about as wide as this in pixels, so their letters stay legible.
WIDTH, HEIGHT = 340.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 10.0, 12.0, 26.0
BARS_HEIGHT = 120.0
LABEL_GAP = 14.0


@dataclass(frozen=True)
class Label:
    x: str
    y: str
    words: str


@dataclass(frozen=True)
class Mark:
    """Something that happens on a day: `points` of a triangle, pointing up for arrivals and down for work."""

    points: str
    shape: str  # 'arrival' or 'known'
    words: str


@dataclass(frozen=True)
class StockPlot:
    """Numbers as text, so that no template can localise them."""

    view_box: str
    frame: tuple[str, str, str, str]
    band: str
    certain: str
    expected: str
    zero_y: str
    point_y: str
    right: str
    labels: tuple[Label, ...]
    ticks: tuple[Label, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Bar:
    x: str
    y: str
    width: str
    height: str
    shape: str  # 'random' or 'planned'
    words: str


@dataclass(frozen=True)
class DemandPlot:
    view_box: str
    frame: tuple[str, str, str, str]
    bars: tuple[Bar, ...]
    mean_y: str
    right: str
    labels: tuple[Label, ...]
    ticks: tuple[Label, ...]


def _text(value: float) -> str:
    return f"{value:.1f}"


def _day(day: date) -> str:
    return f"{day:%-d %b}"


def stock_plot(
    found: Projection, *, start: date, point: int, known: Sequence[tuple[int, int, str]],
    arrivals: Sequence[tuple[int, int, str]],
) -> StockPlot:
    """The projection against the reorder point and 0. `known` and `arrivals`: day from the start, quantity, words."""
    last = len(found.expected) - 1
    low = min(0.0, float(found.low.min()))
    high = max(float(found.high.max()), float(point), 1.0)
    room = (high - low) * 0.08
    low, high = (low - room if low < 0 else 0.0), high + room

    def x(day: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * day / last

    def y(quantity: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (high - quantity) / (high - low)

    def course(values: Sequence[float], days: Sequence[int]) -> list[str]:
        return [f"{_text(x(day))},{_text(y(values[day]))}" for day in days]

    days = list(range(last + 1))
    steps: list[str] = []
    for day in days:
        if day:
            steps.append(f"{_text(x(day))},{_text(y(float(found.certain[day - 1])))}")
        steps.append(f"{_text(x(day))},{_text(y(float(found.certain[day])))}")
    top = [float(value) for value in found.high]
    bottom = [float(value) for value in found.low]
    marks = []
    for shape, events, sign in (("arrival", arrivals, 1), ("known", known, -1)):
        for day, _, words in events:
            if 0 <= day <= last:
                middle, edge = x(day), y(float(found.certain[day])) + 5 * sign
                marks.append(
                    Mark(f"{_text(middle - 4)},{_text(edge + 7 * sign)} {_text(middle + 4)},{_text(edge + 7 * sign)} "
                         f"{_text(middle)},{_text(edge)}", shape, words)
                )
    labels = [Label(_text(LEFT - 5), _text(y(0) + 4), "0")]
    for quantity in (point, round(high - room)):
        if all(abs(y(quantity) + 4 - float(label.y)) >= LABEL_GAP for label in labels):
            labels.append(Label(_text(LEFT - 5), _text(y(quantity) + 4), f"{quantity:,}"))
    return StockPlot(
        view_box=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}",
        frame=(_text(LEFT), _text(TOP), _text(WIDTH - LEFT - RIGHT), _text(HEIGHT - TOP - BOTTOM)),
        band=" ".join(course(top, days) + course(bottom, days[::-1])),
        certain=" ".join(steps), expected=" ".join(course([float(value) for value in found.expected], days)),
        zero_y=_text(y(0)), point_y=_text(y(point)), right=_text(WIDTH - RIGHT), labels=tuple(labels),
        ticks=tuple(
            Label(_text(x(day)), _text(HEIGHT - 8), _day(start + timedelta(days=day)))
            for day in range(0, last - 10, max(7 * ((last // 7 + 3) // 4), 7))
        ),
        marks=tuple(marks),
    )


def demand_plot(used: Sequence[int], planned: Sequence[int], *, first: date, rate: float) -> DemandPlot:
    """One bar for each week; what had been planned stands on top of what came at random."""
    most = max([*used, rate, 1])
    bottom = BARS_HEIGHT - BOTTOM
    step = (WIDTH - LEFT - RIGHT) / max(len(used), 1)

    def y(quantity: float) -> float:
        return TOP + (bottom - TOP) * (1 - quantity / most)

    bars = []
    for week, quantity in enumerate(used):
        monday = first + timedelta(weeks=week)
        base = 0
        for shape, part in (("random", quantity - planned[week]), ("planned", planned[week])):
            if part > 0:
                words = f"week of {monday:%-d %b %Y}: {part}" + (" planned" if shape == "planned" else "")
                bars.append(
                    Bar(_text(LEFT + step * week + step * 0.1), _text(y(base + part)), _text(step * 0.8),
                        _text(y(base) - y(base + part)), shape, words)
                )
            base += max(part, 0)
    return DemandPlot(
        view_box=f"0 0 {WIDTH:.0f} {BARS_HEIGHT:.0f}",
        frame=(_text(LEFT), _text(TOP), _text(WIDTH - LEFT - RIGHT), _text(bottom - TOP)), bars=tuple(bars),
        mean_y=_text(y(rate)), right=_text(WIDTH - RIGHT),
        labels=(Label(_text(LEFT - 5), _text(y(0) + 4), "0"),
                Label(_text(LEFT - 5), _text(y(most) + 4), f"{most:,.0f}")),
        ticks=tuple(
            Label(_text(LEFT + step * week), _text(BARS_HEIGHT - 8), f"{first + timedelta(weeks=week):%b %y}")
            for week in range(0, max(len(used) - 8, 1), max((len(used) + 3) // 4, 1))
        ),
    )
