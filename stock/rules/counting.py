"""Counting stock: what differs, what is within tolerance, and when an item is counted again."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from stock.rules.errors import RuleError

# Days between two counts of an item, by class of value used. Common practice of cyclic counting, no source.
COUNT_EVERY_DAYS = {"A": 30, "B": 90, "C": 180}
LONGEST_NUMBER = 40


@dataclass(frozen=True)
class SerialDifference:
    """Numbers that the ledger has here and nobody found, and numbers found that it has not here."""

    missing: tuple[str, ...]
    unexpected: tuple[str, ...]

    @property
    def any(self) -> bool:
        return bool(self.missing or self.unexpected)


@dataclass(frozen=True)
class Tolerance:
    """How far a line may be off before it is counted again: a share of the book quantity, and a value."""

    percent: Decimal = Decimal(0)
    worth: Decimal = Decimal(0)


def every_days(abc: str) -> int:
    """Days from one count of an item to the next; an item without a class counts as class C."""
    return COUNT_EVERY_DAYS.get(abc, COUNT_EVERY_DAYS["C"])


def next_due(last_counted: date | None, abc: str) -> date | None:
    """The day on which an item is to be counted again; None: it never was, so at once."""
    return None if last_counted is None else last_counted + timedelta(days=every_days(abc))


def book_shown(*, blind: bool, counted: int | None) -> bool:
    """Whether anybody may be shown what the ledger holds, in a count that is under way."""
    return not blind or counted is not None


def serial_difference(book: Iterable[str], found: Iterable[str]) -> SerialDifference:
    """Both directions, each sorted."""
    here, there = set(book), set(found)
    return SerialDifference(tuple(sorted(here - there)), tuple(sorted(there - here)))


def clean_numbers(numbers: Iterable[str]) -> list[str]:
    """Numbers without the spaces round them, empty ones left out, sorted. Raises RuleError for one that is too
    long, comes twice or has signs that no label has."""
    cleaned = sorted(number.strip() for number in numbers if number.strip())
    for position, number in enumerate(cleaned):
        if len(number) > LONGEST_NUMBER:
            raise RuleError(f"A serial number has at most {LONGEST_NUMBER} characters.", field="serials",
                            value=number, remedy="Write the number that is on the label.")
        if not number.isprintable():
            raise RuleError("A serial number has letters, digits and signs only.", field="serials", value=repr(number),
                            remedy="Write the number that is on the label.")
        if position and number == cleaned[position - 1]:
            raise RuleError(f"Serial number {number} was given twice.", field="serials", value=number,
                            remedy="Give each number once; look whether two labels are the same.")
    return cleaned


def beyond(difference: int, book: int, value: Decimal | None, tolerance: Tolerance) -> bool:
    """Whether a line is further off than tolerated: by share of the book quantity and by value, both.

    A difference without a known value is judged by its share alone.
    """
    if difference == 0:
        return False
    by_share = abs(difference) * 100 > tolerance.percent * book
    return by_share and (value is None or abs(value) > tolerance.worth)


def accuracy_percent(right: int, counted: int) -> Decimal | None:
    """Share of counted lines that agreed with the ledger, in percent with one digit; None for none counted."""
    return None if counted == 0 else (Decimal(100 * right) / counted).quantize(Decimal("0.1"))


def walking_order(code: str) -> str:
    """A bin as a text that sorts the way a person walks: A-2 before A-10."""
    return re.sub(r"\d+", lambda number: number.group().zfill(8), code.strip().upper())


def bin_in_range(code: str, first: str, last: str) -> bool:
    """Whether a bin lies in a range; the last includes all that lie in it (B covers B-03-2, A1 not A10)."""
    place, start, end = walking_order(code), walking_order(first), walking_order(last)
    return bool(place) and place >= start and (not end or place <= end or place.startswith(end))


def shortened(names: Sequence[str], most: int = 5) -> str:
    """Some names for a sentence: the first ones, and how many more."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
