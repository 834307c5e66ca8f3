"""Due months, windows and states, by hand-counted cases. Checks against outside sources: tests/published."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from maintenance.rules import due
from maintenance.rules.due import State

WINDOW = due.Window(due_month=date(2026, 7, 1), window_from=date(2026, 6, 1), window_to=date(2026, 8, 31))


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 1)),
        (date(2026, 12, 31), 1, date(2027, 1, 1)),
        (date(2026, 1, 15), -1, date(2025, 12, 1)),
        (date(2024, 2, 29), 12, date(2025, 2, 1)),
        (date(2026, 5, 1), 0, date(2026, 5, 1)),
    ],
)
def test_add_months_counts_calendar_months(day: date, months: int, expected: date) -> None:
    assert due.add_months(day, months) == expected


def test_add_months_refuses_a_month_beyond_the_calendar() -> None:
    with pytest.raises(ValueError, match="year 10000 is out of range"):
        due.add_months(date(9999, 12, 1), 1)


@pytest.mark.parametrize(
    ("month", "expected"),
    [(date(2024, 2, 1), 29), (date(2026, 2, 14), 28), (date(2100, 2, 1), 28), (date(2026, 12, 31), 31)],
)
def test_last_day_knows_leap_years(month: date, expected: int) -> None:
    assert due.last_day(month).day == expected


def test_window_without_tolerance_is_the_due_month() -> None:
    only = due.window(date(2028, 2, 1), early_months=0, late_months=0)
    assert (only.window_from, only.window_to) == (date(2028, 2, 1), date(2028, 2, 29))


@pytest.mark.parametrize(
    ("day", "state", "since"),
    [
        (date(2026, 5, 31), State.NOT_DUE, None),
        (date(2026, 6, 1), State.DUE_SOON, date(2026, 6, 1)),
        (date(2026, 6, 30), State.DUE_SOON, date(2026, 6, 1)),
        (date(2026, 7, 1), State.DUE, date(2026, 7, 1)),
        (date(2026, 8, 31), State.DUE, date(2026, 7, 1)),
        (date(2026, 9, 1), State.OVERDUE, date(2026, 9, 1)),
        (date(2026, 10, 30), State.OVERDUE, date(2026, 9, 1)),
        (date(2026, 10, 31), State.ESCALATED, date(2026, 10, 31)),
        (date(2027, 3, 1), State.ESCALATED, date(2026, 10, 31)),
    ],
)
def test_state_changes_on_the_day_it_should(day: date, state: State, since: date | None) -> None:
    assert due.state_since(day, WINDOW, due_soon_days=45, escalate_days=60) == (state, since)
    assert due.state_on(day, WINDOW, due_soon_days=45, escalate_days=60) == state


def test_due_soon_may_begin_before_the_window_opens() -> None:
    narrow = due.window(date(2026, 7, 1), early_months=0, late_months=0)
    assert due.state_since(date(2026, 6, 15), narrow, due_soon_days=45, escalate_days=60) == (State.NOT_DUE, None)
    assert due.state_since(date(2026, 6, 16), narrow, due_soon_days=45, escalate_days=60) == (
        State.DUE_SOON, date(2026, 6, 16),
    )


def test_a_state_holds_from_its_since_and_not_a_day_before() -> None:
    for offset in range(500):
        day = date(2026, 3, 1) + timedelta(days=offset)
        state, since = due.state_since(day, WINDOW, due_soon_days=45, escalate_days=60)
        if since is not None:
            assert since <= day
            assert due.state_on(since, WINDOW, due_soon_days=45, escalate_days=60) == state
            assert due.state_on(since - timedelta(days=1), WINDOW, due_soon_days=45, escalate_days=60) != state


@pytest.mark.parametrize(
    ("done_on", "expected"),
    [
        (date(2026, 5, 31), date(2026, 7, 1)),  # before the window: not met
        (date(2026, 6, 1), date(2027, 1, 1)),
        (date(2026, 8, 31), date(2027, 1, 1)),
        (date(2026, 9, 1), date(2027, 1, 1)),  # late, but the series stands
        (date(2026, 11, 30), date(2027, 1, 1)),
        (date(2026, 12, 1), date(2027, 7, 1)),  # within January's window: counts for it too
        (date(2029, 2, 28), date(2029, 7, 1)),  # years late
    ],
)
def test_next_due_month_keeps_the_series(done_on: date, expected: date) -> None:
    assert due.next_due_month(date(2026, 7, 1), done_on=done_on, interval_months=6) == expected


def test_next_due_month_with_touching_windows_skips_nothing_that_was_done_in_time() -> None:
    """Every second month, one month either way: the windows of July and September overlap in August."""
    assert due.next_due_month(date(2026, 7, 1), done_on=date(2026, 8, 31), interval_months=2) == date(2026, 9, 1)


def test_next_due_month_without_anniversary_counts_from_the_work() -> None:
    assert due.next_due_month(
        date(2026, 7, 1), done_on=date(2026, 8, 31), interval_months=6, keeps_anniversary=False
    ) == date(2027, 2, 1)
    assert due.next_due_month(
        date(2026, 7, 1), done_on=date(2026, 3, 9), interval_months=6, keeps_anniversary=False
    ) == date(2026, 9, 1)


@pytest.mark.parametrize(
    ("on", "known", "expected"),
    [
        (date(2026, 1, 20), False, date(2026, 7, 1)),  # just in use
        (date(2026, 9, 1), False, date(2026, 7, 1)),  # entered late: the July visit is owed, and overdue
        (date(2026, 9, 1), True, date(2027, 1, 1)),  # a rule added in September is not late from before
        (date(2026, 8, 31), True, date(2026, 7, 1)),  # July can still be met
        (date(2026, 12, 1), False, date(2027, 1, 1)),  # January's window has opened
        (date(2031, 10, 5), False, date(2031, 7, 1)),  # a system taken over with no history
    ],
)
def test_entry_due_month_holds_no_more_than_one_interval_against_a_site(
    on: date, known: bool, expected: date
) -> None:
    assert (
        due.entry_due_month(
            date(2026, 1, 15), on=on, first_after_months=6, interval_months=6, early_months=1, late_months=1,
            known=known,
        )
        == expected
    )
