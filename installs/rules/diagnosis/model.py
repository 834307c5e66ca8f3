"""What a diagnosis is asked and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum


class Where(Enum):
    """Where the meter's leads were. Except for `PANEL_CONNECTED`, the pair is off the panel."""

    PANEL = "at the panel, pair disconnected"
    PANEL_CONNECTED = "at the panel, pair left connected, panel without power"
    FAR_END_OPEN = "at the far end, pair open at the panel"
    FAR_END_JOINED = "at the far end, both cores joined at the panel"
    TOWARDS_END = "from a device towards the end, line opened before it"


@dataclass(frozen=True)
class Measurement:
    """One reading of an ohmmeter (or a terminal voltage turned into ohms beforehand).

    `ohm` inf: the meter showed an open circuit. `first` is the place (0 is nearest to the panel) before which the line
    was opened, for `TOWARDS_END`. `known` holds, by place, the functions that were operated on devices whose state was
    known (an empty set: known to be at rest); devices that are not in it may have been in any state. The meter is right
    to within `meter_percent` of the reading plus `meter_ohm`.
    """

    ohm: float
    where: Where = Where.PANEL
    first: int = 0
    known: Mapping[int, frozenset[str]] = field(default_factory=dict)
    meter_percent: float = 1.0
    meter_ohm: float = 1.0


@dataclass(frozen=True)
class OtherBoard:
    """A board of the firm's catalogue that may have been fitted by mistake: values by role, in ohms."""

    name: str
    resistor_ohm: Mapping[str, float]
    tolerance_percent: float = 1.0


@dataclass(frozen=True)
class Prediction:
    """What the meter would read: nominal, least and greatest in ohms (inf: open circuit)."""

    nominal_ohm: float
    least_ohm: float
    greatest_ohm: float


@dataclass(frozen=True)
class NextStep:
    """The measurement that would separate a cause from its rivals best.

    `known` says which devices to put into which state for it (the rest at rest). `answers` pairs each group of causes
    (their `number`s) with the reading that would speak for them.
    """

    words: str
    where: Where
    first: int
    known: Mapping[int, frozenset[str]]
    answers: tuple[tuple[tuple[int, ...], Prediction], ...]


@dataclass(frozen=True)
class Cause:
    """One cause that the numbers allow.

    `number` counts from 1 in order of rank. `kind` is a short name for sorting and statistics, such as healthy, active,
    two-active, eol-missing, eol-shorted, eol-doubled, wrong-board, preferred-value, joint, short, cut. `places` are the
    devices concerned (0 is nearest to the panel). `size` is the ohms or metres of it, where it has a size.
    `fit` is its share of the probability among all causes considered, 0 to 1. `predicted` is what each measurement
    would have read. `same_as` are further causes, in words, that no measurement offered here tells from this one.
    """

    number: int
    kind: str
    places: tuple[int, ...]
    words: str
    size: float | None
    size_unit: str
    fit: float
    predicted: tuple[Prediction, ...]
    same_as: tuple[str, ...] = ()
    next_step: NextStep | None = None


@dataclass(frozen=True)
class Diagnosis:
    """Causes from the likeliest to the least likely; none when the numbers rule out all that was considered.

    `considered` counts the suppositions that were computed, `left_out` says in words what was not considered.
    """

    causes: tuple[Cause, ...]
    next_step: NextStep | None
    considered: int
    left_out: tuple[str, ...]
