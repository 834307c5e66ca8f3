"""Timing and the table of ratios that the benches print."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence


def timed(work: Callable[[], object]) -> float:
    """Seconds that the work takes."""
    began = time.perf_counter()
    work()
    return elapsed(began)


def elapsed(began: float) -> float:
    return time.perf_counter() - began


def print_ratios(rows: Sequence[tuple[str, float]]) -> None:
    """Seconds of each row and its ratio to the first, the floor."""
    floor = rows[0][1]
    print(f"{'':52}{'seconds':>9}{'of floor':>10}")
    for label, seconds in rows:
        print(f"{label:52}{seconds:9.3f}{seconds / floor:10.2f}")
