"""Which resistances a panel input reads as which state."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from installs.rules.errors import RuleError


@dataclass(frozen=True)
class Band:
    """Resistances from `low_ohm` up to but not including `high_ohm` read as `state`; None: no upper end, an open
    circuit included. Resistances in no band are undefined: the panel may read anything."""

    state: str
    low_ohm: float
    high_ohm: float | None


def check_bands(bands: Iterable[Band]) -> tuple[Band, ...]:
    """The bands from low to high. Raises RuleError for one that is empty, negative or overlaps another."""
    ordered = tuple(sorted(bands, key=lambda band: band.low_ohm))
    for band in ordered:
        if not 0 <= band.low_ohm < math.inf:
            raise RuleError(
                f"the {band.state} band starts below 0 Ω or nowhere",
                field="low_ohm",
                value=band.low_ohm,
                remedy="Give 0 Ω or more.",
            )
        if band.high_ohm is not None and not band.high_ohm > band.low_ohm:
            raise RuleError(
                f"the {band.state} band ends where it starts or before",
                field="high_ohm",
                value=band.high_ohm,
                remedy="Give more than the lower edge, or nothing for no upper end.",
            )
    for below, above in pairwise(ordered):
        if below.high_ohm is None or below.high_ohm > above.low_ohm:
            raise RuleError(
                f"the {below.state} and {above.state} bands overlap",
                field="low_ohm",
                value=above.low_ohm,
                remedy="Let each band start where the one below ends, or higher.",
            )
    return ordered


def reading(bands: Sequence[Band], ohm: float) -> str | None:
    """The state that the panel reads for one resistance; None: undefined."""
    for band in bands:
        if band.low_ohm <= ohm and (band.high_ohm is None or ohm < band.high_ohm):
            return band.state
    return None


def readings(bands: Sequence[Band], least_ohm: float, greatest_ohm: float) -> tuple[str | None, ...]:
    """Every state that the panel may read between two resistances, from low to high; None stands for a gap."""
    found: list[str | None] = []
    position = least_ohm
    for band in check_bands(bands):
        if band.high_ohm is not None and band.high_ohm <= position:
            continue
        if band.low_ohm > position:
            found.append(None)
            position = band.low_ohm
        if band.low_ohm > greatest_ohm:
            return tuple(dict.fromkeys(found))
        found.append(band.state)
        if band.high_ohm is None or band.high_ohm > greatest_ohm:
            return tuple(dict.fromkeys(found))
        position = band.high_ohm
    found.append(None)
    return tuple(dict.fromkeys(found))


def margin_ohm(bands: Sequence[Band], states: Sequence[str], least_ohm: float, greatest_ohm: float) -> float | None:
    """Distance in ohms from the interval to the nearest edge of the bands that read as one of `states`.

    Negative: the interval leaves the band by so much. None: the panel has no band for these states. Infinite: there
    is no edge to cross (an open circuit in a band without upper end). The edge at 0 Ω is none, for nothing lies below.
    """
    best: float | None = None
    for low, high in accepted_spans(bands, states):
        below = least_ohm - low if low > 0 else math.inf
        above = math.inf if high is None else high - greatest_ohm
        margin = min(below, above)
        best = margin if best is None else max(best, margin)
    return best


def accepted_spans(bands: Sequence[Band], states: Sequence[str]) -> list[tuple[float, float | None]]:
    """The ranges in ohms that read as one of `states`, bands that touch joined to one. Raises RuleError."""
    spans: list[tuple[float, float | None]] = []
    for band in check_bands(band for band in bands if band.state in states):
        if spans and spans[-1][1] == band.low_ohm:
            spans[-1] = (spans[-1][0], band.high_ohm)
        else:
            spans.append((band.low_ohm, band.high_ohm))
    return spans
