"""Series-parallel networks: extremes, arrays, and limits that hold every sample."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from installs.rules.network import (
    CableSegment,
    Contact,
    Node,
    Open,
    Parallel,
    Resistor,
    Series,
    Short,
    bounds,
    resistance_ohm,
)

ohms = st.floats(0.0, 1e6, allow_nan=False)
leaves: st.SearchStrategy[Node] = st.one_of(
    st.builds(Resistor, ohms, st.floats(0.0, 20.0)),
    st.builds(Contact, st.booleans(), st.floats(0.0, 2.0)),
    st.builds(lambda ohm, spread: CableSegment(ohm, ohm * (1 - spread), ohm * (1 + spread)), ohms, st.floats(0, 0.3)),
    st.just(Open()),
    st.just(Short()),
)
trees: st.SearchStrategy[Node] = st.recursive(
    leaves,
    lambda parts: st.one_of(
        st.builds(Series, st.lists(parts, max_size=4).map(tuple)),
        st.builds(Parallel, st.lists(parts, max_size=4).map(tuple)),
    ),
    max_leaves=12,
)


def test_edges() -> None:
    assert resistance_ohm(Series(())) == 0
    assert resistance_ohm(Parallel(())) == math.inf
    assert resistance_ohm(Series((Resistor(10), Open()))) == math.inf
    assert resistance_ohm(Parallel((Resistor(10), Open()))) == 10
    assert resistance_ohm(Parallel((Resistor(10), Short()))) == 0
    assert resistance_ohm(Parallel((Resistor(10), Resistor(0)))) == 0
    assert resistance_ohm(Parallel((Resistor(30), Resistor(60)))) == 20


def test_arrays_compute_each_entry_alone() -> None:
    first, second = np.array([10.0, 0.0, 100.0]), np.array([40.0, 5.0, 300.0])
    node = Series((Resistor(1.0), Parallel((Resistor(first), Resistor(second), Contact(closed=False)))))
    assert np.array_equal(np.asarray(resistance_ohm(node)), [9.0, 1.0, 76.0])
    singles = [
        resistance_ohm(Series((Resistor(1.0), Parallel((Resistor(float(a)), Resistor(float(b)))))))
        for a, b in zip(first, second, strict=True)
    ]
    assert singles == [9.0, 1.0, 76.0]


def sampled(node: Node, rng: random.Random) -> Node:
    """The same network with every element somewhere inside its own limits."""
    match node:
        case Resistor():
            spread = float(node.tolerance_percent) / 100
            return Resistor(float(node.ohm) * (1 + rng.uniform(-spread, spread)))
        case Contact(closed=True):
            return Resistor(rng.uniform(0, float(node.closed_ohm_max)))
        case CableSegment():
            least, greatest = bounds(node)
            return CableSegment(rng.uniform(float(least), float(greatest)))
        case Series():
            return Series(tuple(sampled(part, rng) for part in node.parts))
        case Parallel():
            return Parallel(tuple(sampled(part, rng) for part in node.parts))
        case _:
            return node


@settings(max_examples=60, deadline=None)
@given(trees, st.integers(0, 2**32))
def test_limits_hold_two_hundred_samples(node: Node, seed: int) -> None:
    least, greatest = (float(value) for value in bounds(node))
    rng = random.Random(seed)
    for _ in range(200):
        value = float(resistance_ohm(sampled(node, rng)))
        assert least - abs(least) * 1e-12 <= value <= greatest + abs(greatest) * 1e-12 or value == least == math.inf


@given(st.lists(st.floats(1, 1e5), min_size=1, max_size=6), st.floats(0, 50), st.floats(0, 40))
def test_wider_tolerance_never_narrows(values: list[float], tolerance: float, more: float) -> None:
    def limits(percent: float) -> tuple[float, float]:
        chain = Series(tuple(Resistor(value, percent) for value in values))
        least, greatest = bounds(Parallel((chain, Resistor(500, percent))))
        return float(least), float(greatest)

    (inner_low, inner_high), (outer_low, outer_high) = limits(tolerance), limits(tolerance + more)
    assert outer_low <= inner_low * (1 + 1e-12)
    assert inner_high <= outer_high * (1 + 1e-12)


@given(trees)
def test_nominal_lies_within_its_limits(node: Node) -> None:
    least, greatest = (float(value) for value in bounds(node))
    assert least == pytest.approx(greatest) or least <= float(resistance_ohm(node)) * (1 + 1e-12)
    assert float(resistance_ohm(node)) <= greatest * (1 + 1e-12)
