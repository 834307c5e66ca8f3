"""ABC and XYZ classes."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stock.rules.classes import abc, xyz


def test_classes_by_share_of_the_value_of_each_place() -> None:
    # Place 1: 70, 20, 8, 2 of 100. Place 2: one item alone. Place 3: nothing is used.
    letters, share = abc([8, 70, 5, 2, 20, 0], [1, 1, 2, 1, 1, 3], a_share=0.8, b_share=0.95)
    assert letters.tolist() == ["B", "A", "A", "C", "A", "C"]
    assert share.round(6).tolist() == [0.9, 0, 0, 0.98, 0.7, 1]


@given(st.lists(st.tuples(st.integers(0, 1000), st.integers(1, 3)), min_size=1, max_size=40))
def test_a_is_what_makes_up_its_share(rows: list[tuple[int, int]]) -> None:
    value, place = (np.array(column) for column in zip(*rows, strict=True))
    letters, _ = abc(value, place, a_share=0.8, b_share=0.95)
    for one in set(place.tolist()):
        here = place == one
        total = value[here].sum()
        if not total:
            assert set(letters[here].tolist()) == {"C"}
            continue
        most = value[here & (letters == "A")]
        assert most.sum() >= 0.8 * total - 1e-6
        assert most.sum() - most.min() < 0.8 * total + 1e-6
        # No item is of a better class than one of more value.
        assert most.min() >= value[here & (letters != "A")].max(initial=0)


def test_regularity() -> None:
    letters = xyz([10, 10, 10, 10, 0], [5, 5.1, 10, 10.1, 0], x_variation=0.5, y_variation=1.0)
    assert letters.tolist() == ["X", "Y", "Y", "Z", "Z"]
