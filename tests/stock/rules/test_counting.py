"""Rules of counting."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stock.rules.counting import (
    Tolerance,
    accuracy_percent,
    beyond,
    bin_in_range,
    book_shown,
    clean_numbers,
    every_days,
    next_due,
    serial_difference,
    shortened,
    walking_order,
)
from stock.rules.errors import RuleError
from stock.rules.top_up import bin_key

NUMBERS = st.sets(st.text("ABC123", min_size=1, max_size=4))


@given(book=NUMBERS, found=NUMBERS)
def test_missing_and_unexpected_turn_the_book_into_what_was_found(book: set[str], found: set[str]) -> None:
    difference = serial_difference(book, found)
    assert (book - set(difference.missing)) | set(difference.unexpected) == found
    assert len(found) - len(book) == len(difference.unexpected) - len(difference.missing)
    assert difference.any == (book != found)


@pytest.mark.parametrize(("difference", "book", "value", "percent", "worth", "expected"), [
    (0, 0, None, 0, 0, False), (1, 0, None, 100, 0, True), (-1, 100, None, 1, 0, False), (-2, 100, None, 1, 0, True),
    (-2, 100, "-5.00", 1, 5, False), (-2, 100, "-5.01", 1, 5, True), (2, 100, "900", 2, 5, False),
    (1, 100, "0.01", 0, 0, True),
])
def test_beyond_tolerance_is_beyond_both(
    difference: int, book: int, value: str | None, percent: int, worth: int, expected: bool
) -> None:
    tolerance = Tolerance(Decimal(percent), Decimal(worth))
    assert beyond(difference, book, Decimal(value) if value else None, tolerance) is expected


def test_class_decides_when_it_is_due() -> None:
    assert [every_days(abc) for abc in ("A", "B", "C", "")] == [30, 90, 180, 180]
    assert next_due(date(2026, 11, 1), "A") == date(2026, 12, 1)
    assert next_due(None, "A") is None


def test_the_book_is_hidden_until_a_blind_line_is_counted() -> None:
    shown = [book_shown(blind=b, counted=c) for b, c in ((True, None), (True, 0), (False, None), (False, 3))]
    assert shown == [False, True, True, True]


def test_numbers_are_cleaned() -> None:
    assert clean_numbers([" B2", "", "A1 ", "  "]) == ["A1", "B2"]
    assert clean_numbers([]) == []
    with pytest.raises(RuleError, match="given twice"):
        clean_numbers(["A1", "A1 "])
    with pytest.raises(RuleError, match="at most 40 characters"):
        clean_numbers(["x" * 41])
    with pytest.raises(RuleError, match="letters, digits and signs only"):
        clean_numbers(["A\x001"])


def test_accuracy_is_a_share_of_what_was_counted() -> None:
    assert accuracy_percent(0, 0) is None
    assert accuracy_percent(2, 3) == Decimal("66.7")


@pytest.mark.parametrize(("code", "first", "last", "inside"), [
    ("A-03-2", "A", "A", True), ("a-03", "A-03", "A-03", True), ("B-01", "A", "A", False), ("A-01", "A-02", "", False),
    ("", "", "", False), ("C-1", "B", "", True), ("C-1", "", "B", False),
    ("A1-3", "A1", "A1", True), ("A10-1", "A1", "A1", False), ("A10-1", "A2", "", True), ("A-10", "", "A-9", False),
])
def test_bins_in_a_range(code: str, first: str, last: str, inside: bool) -> None:
    assert bin_in_range(code, first, last) is inside


BINS = st.builds("{}{}-{}".format, st.sampled_from("ABab"), st.integers(0, 120), st.integers(0, 120))


@given(one=BINS, two=BINS)
def test_bins_are_walked_in_the_order_of_the_pick_lists(one: str, two: str) -> None:
    assert (walking_order(one) < walking_order(two)) == (bin_key(one) < bin_key(two))


def test_long_lists_are_shortened() -> None:
    assert shortened(["a", "b"]) == "a, b"
    assert shortened(list("abcdefg"), most=5) == "a, b, c, d, e and 2 more"
