"""A two-terminal network of resistors and contacts joined in series and in parallel.

Every value may be a float or a numpy array, so that one tree computes a thousand circuits of the same shape.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Ohms: TypeAlias = float | NDArray[np.float64]


class Pick(Enum):
    """Which end of the elements' tolerances to compute with."""

    NOMINAL = "nominal"
    LEAST = "least"
    GREATEST = "greatest"


@dataclass(frozen=True)
class Open:
    """No connection: infinite resistance."""


@dataclass(frozen=True)
class Short:
    """A plain link: 0 ohm."""


@dataclass(frozen=True)
class Resistor:
    """A resistor of `ohm`, right to within plus or minus `tolerance_percent`."""

    ohm: Ohms
    tolerance_percent: Ohms = 0.0


@dataclass(frozen=True)
class Contact:
    """A relay or reed contact: open, or closed with anything from 0 to `closed_ohm_max` ohm."""

    closed: bool
    closed_ohm_max: Ohms = 0.0


@dataclass(frozen=True)
class CableSegment:
    """Both conductors of a run of cable, in ohms; the limits default to the nominal value."""

    ohm: Ohms
    least_ohm: Ohms | None = None
    greatest_ohm: Ohms | None = None


@dataclass(frozen=True)
class Series:
    """Parts one after another; no part at all is a link."""

    parts: tuple[Node, ...]


@dataclass(frozen=True)
class Parallel:
    """Parts side by side; no part at all is open."""

    parts: tuple[Node, ...]


Node: TypeAlias = Open | Short | Resistor | Contact | CableSegment | Series | Parallel


def resistance_ohm(node: Node, pick: Pick = Pick.NOMINAL) -> Ohms:
    """Resistance between the two ends in ohms: inf when open, 0 when shorted.

    Series values add, parallel conductances add (Ohm's and Kirchhoff's laws).
    """
    match node:
        case Open():
            return math.inf
        case Short():
            return 0.0
        case Resistor():
            return _resistor_ohm(node, pick)
        case Contact():
            if not node.closed:
                return math.inf
            return node.closed_ohm_max if pick is Pick.GREATEST else 0.0
        case CableSegment():
            if pick is Pick.LEAST and node.least_ohm is not None:
                return node.least_ohm
            if pick is Pick.GREATEST and node.greatest_ohm is not None:
                return node.greatest_ohm
            return node.ohm
        case Series():
            total: Ohms = 0.0
            for part in node.parts:
                total = total + resistance_ohm(part, pick)
                if isinstance(total, float) and math.isinf(total):
                    return math.inf
            return total
        case Parallel():
            return parallel_ohm([resistance_ohm(part, pick) for part in node.parts])


def bounds(node: Node) -> tuple[Ohms, Ohms]:
    """Least and greatest resistance in ohms that the tolerances allow.

    The resistance of such a network never falls when one element's resistance rises (Rayleigh's monotonicity law),
    so the extremes are reached with every element at its own extreme.
    """
    return resistance_ohm(node, Pick.LEAST), resistance_ohm(node, Pick.GREATEST)


def parallel_ohm(values: Sequence[Ohms]) -> Ohms:
    """Resistance of branches side by side in ohms; open branches drop out, one shorted branch shorts them all."""
    branches: list[Ohms] = []
    for value in values:
        if isinstance(value, np.ndarray):
            branches.append(value)
        elif value == 0.0:
            return 0.0
        elif not math.isinf(value):
            branches.append(value)
    if not branches:
        return math.inf
    if len(branches) == 1:
        # Not 1 / (1 / x): a lone branch keeps its value to the last digit.
        return branches[0]
    if all(isinstance(branch, float | int) for branch in branches):
        return float(1.0 / sum(1.0 / branch for branch in branches))
    with np.errstate(divide="ignore"):
        conductance = np.sum(np.broadcast_arrays(*(1.0 / np.asarray(branch) for branch in branches)), axis=0)
        combined: NDArray[np.float64] = 1.0 / conductance
    return combined


def _resistor_ohm(resistor: Resistor, pick: Pick) -> Ohms:
    if pick is Pick.LEAST:
        return resistor.ohm * (1.0 - resistor.tolerance_percent / 100.0)
    if pick is Pick.GREATEST:
        return resistor.ohm * (1.0 + resistor.tolerance_percent / 100.0)
    return resistor.ohm
