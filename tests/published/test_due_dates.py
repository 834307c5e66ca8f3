"""Due dates against NSI Technical Bulletin 0068 and against a general recurrence library."""

from __future__ import annotations

from datetime import date, datetime, time
from itertools import islice

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import MONTHLY, rrule
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules import due
from maintenance.rules.due import State

# NSI Technical Bulletin 0068 (6 Nov 2024), item 1: first due in the 6th or 12th calendar month after the month
# in which the system came into use; the month before or after is on time; next due months are counted from
# the due month, not from the day of the visit.


@pytest.mark.parametrize(
    ("in_use_since", "months", "expected"),
    [
        (date(2026, 1, 15), 6, date(2026, 7, 1)),
        (date(2026, 8, 31), 6, date(2027, 2, 1)),  # the unit is the month: there is no 31 February to mend
        (date(2026, 1, 15), 12, date(2027, 1, 1)),
    ],
)
def test_first_due_month(in_use_since: date, months: int, expected: date) -> None:
    assert due.first_due_month(in_use_since, first_after_months=months) == expected


def test_month_before_and_after_count_as_on_time() -> None:
    window = due.window(date(2026, 7, 1))
    assert (window.window_from, window.window_to) == (date(2026, 6, 1), date(2026, 8, 31))
    held = [window.holds(day) for day in (date(2026, 5, 31), date(2026, 6, 1), date(2026, 8, 31), date(2026, 9, 1))]
    assert held == [False, True, True, False]
    assert due.state_on(date(2026, 8, 31), window, due_soon_days=45, escalate_days=60) == State.DUE
    assert due.state_on(date(2026, 9, 1), window, due_soon_days=45, escalate_days=60) == State.OVERDUE


def test_late_visit_leaves_the_next_due_month_where_it_was() -> None:
    assert due.next_due_month(date(2026, 7, 1), done_on=date(2026, 8, 20), interval_months=6) == date(2027, 1, 1)


# The general library: dateutil's rrule (RFC 5545, RRULE:FREQ=MONTHLY;INTERVAL=n;BYMONTHDAY=1).

DAYS = st.dates(min_value=date(1990, 1, 1), max_value=date(2190, 12, 31)) | st.sampled_from(
    [date(2024, 2, 29), date(2100, 2, 28), date(2026, 1, 31), date(2026, 8, 31), date(2000, 2, 29), date(2027, 12, 31)]
)
INTERVALS = st.sampled_from([1, 2, 3, 6, 12, 24, 36])


def recurrence(start: date, interval: int, count: int) -> list[date]:
    """`count` firsts of months, every `interval` months after the month of `start`, by the library."""
    first = datetime.combine(start.replace(day=1), time.min)
    rule = rrule(MONTHLY, interval=interval, dtstart=first, bymonthday=1)
    return [moment.date() for moment in islice(rule, 1, count + 1)]


@given(start=DAYS, interval=INTERVALS)
def test_series_of_due_months_is_the_librarys(start: date, interval: int) -> None:
    month = due.first_due_month(start, first_after_months=interval)
    series = [month]
    for _ in range(11):
        month = due.next_due_month(month, done_on=month, interval_months=interval, early_months=0, late_months=0)
        series.append(month)
    assert series == recurrence(start, interval, 12)


@given(start=DAYS, late_days=st.integers(min_value=-31, max_value=62))
def test_series_does_not_drift_with_the_day_of_the_visit(start: date, late_days: int) -> None:
    """Whatever day within the window each visit takes place, the series stays that of the library."""
    month = due.first_due_month(start, first_after_months=6)
    series = [month]
    for _ in range(7):
        window = due.window(month)
        done_on = min(max(month + relativedelta(days=late_days), window.window_from), window.window_to)
        month = due.next_due_month(month, done_on=done_on, interval_months=6)
        series.append(month)
    assert series == recurrence(start, 6, 8)


@given(month=DAYS, early=st.integers(0, 11), late=st.integers(0, 11))
def test_window_ends_are_the_librarys(month: date, early: int, late: int) -> None:
    first = month.replace(day=1)
    window = due.window(month, early_months=early, late_months=late)
    assert window.window_from == first - relativedelta(months=early)
    assert window.window_to == first + relativedelta(months=late, day=31)


@given(start=DAYS, on=DAYS, interval=INTERVALS, first_after=st.integers(1, 36), early=st.integers(0, 1))
def test_entry_due_month_is_the_last_of_the_librarys_series_whose_window_has_opened(
    start: date, on: date, interval: int, first_after: int, early: int
) -> None:
    first = datetime.combine(start.replace(day=1) + relativedelta(months=first_after), time.min)
    rule = rrule(MONTHLY, interval=interval, dtstart=first, bymonthday=1)
    opened = rule.before(datetime.combine(on, time.min) + relativedelta(months=early), inc=True)
    expected = opened.date() if opened else first.date()
    assert (
        due.entry_due_month(
            start, on=on, first_after_months=first_after, interval_months=interval, early_months=early,
            late_months=1, known=False,
        )
        == expected
    )
