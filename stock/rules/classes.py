"""Classes of items: ABC by the value used a year, XYZ by how regular the weekly demand is.

H. F. Dickie, Factory Management and Maintenance 109 (1951) 92-94, for ABC. The shares and limits are the firm's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Letters = NDArray[np.str_]


def abc(
    value: ArrayLike, place: ArrayLike, *, a_share: float, b_share: float
) -> tuple[Letters, NDArray[np.float64]]:
    """Class of each item among those of its place, and the share of the value that dearer ones have used before it.

    Dearest first; while the items before it make up less than `a_share` of the value an item is A, up to `b_share`
    B, else C. Without any value: C. `place` groups (a number for each location).
    """
    worth = np.asarray(value, np.float64)
    group = np.asarray(place)
    order = np.lexsort((np.arange(len(worth)), -worth, group))
    sorted_worth, sorted_group = worth[order], group[order]
    running = np.cumsum(sorted_worth)
    begins = np.flatnonzero(np.r_[True, sorted_group[1:] != sorted_group[:-1]]) if len(worth) else np.zeros(0, int)
    length = np.diff(np.r_[begins, len(worth)])
    offset = np.repeat(running[begins] - sorted_worth[begins], length)
    total = np.repeat(np.add.reduceat(sorted_worth, begins), length) if len(worth) else np.zeros(0)
    with np.errstate(divide="ignore", invalid="ignore"):
        before = np.where(total > 0, (running - sorted_worth - offset) / total, 1.0)
    # Sums in floating point: what is below 0 by rounding is 0.
    share = np.empty(len(worth))
    share[order] = np.clip(before, 0.0, 1.0)
    letter = np.where(share < a_share - 1e-12, "A", np.where(share < b_share - 1e-12, "B", "C"))
    return np.where(worth > 0, letter, "C"), share


def xyz(mean: ArrayLike, sd: ArrayLike, *, x_variation: float, y_variation: float) -> Letters:
    """Class by the coefficient of variation, standard deviation over mean of the weekly demand; Z without demand."""
    m = np.asarray(mean, np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        variation = np.where(m > 0, np.asarray(sd, np.float64) / m, np.inf)
    return np.where(variation <= x_variation, "X", np.where(variation <= y_variation, "Y", "Z"))
