"""Due months, windows, and the state of a requirement on a day.

The rules are those of NSI Technical Bulletin 0068 (6 November 2024), item 1: a visit is due in a calendar
month counted from the month in which the system came into use; the calendar month before or after it still
counts as on time; and the next due month is counted from the due month, not from the day of the visit. The
unit is therefore the month, and a system that came into use on the 31st needs no special case.

The nightly work applies the same rules to millions of rows in SQL (services/requirements.py and
services/flags.py); tests hold the two against each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum


class State(StrEnum):
    """How a requirement stands on a day, from early to late."""

    NOT_DUE = "not due"
    DUE_SOON = "due soon"
    DUE = "due"
    OVERDUE = "overdue"
    ESCALATED = "escalated"


@dataclass(frozen=True)
class Window:
    """A due month and the first and last day that count as on time."""

    due_month: date
    window_from: date
    window_to: date

    def holds(self, day: date) -> bool:
        """Whether work done on that day is on time (NSI TB 0068, item 1)."""
        return self.window_from <= day <= self.window_to


def month_of(day: date) -> date:
    """The first day of the day's month."""
    return day.replace(day=1)


def add_months(month: date, months: int) -> date:
    """The first day of the month that lies `months` calendar months after (or, if negative, before) the
    month of the given day.

    Raises ValueError when the result lies outside years 1 to 9999.
    """
    year, index = divmod(month.year * 12 + month.month - 1 + months, 12)
    return date(year, index + 1, 1)


def last_day(month: date) -> date:
    """The last day of the day's month."""
    return add_months(month, 1) - timedelta(days=1)


def first_due_month(in_use_since: date, *, first_after_months: int) -> date:
    """First due month of a system that came into use on that day: the sixth or twelfth (as the regime says)
    calendar month after the month of that day. NSI TB 0068, item 1."""
    return add_months(in_use_since, first_after_months)


def window(due_month: date, *, early_months: int = 1, late_months: int = 1) -> Window:
    """The days that count as on time: from the first day of the month `early_months` before the due month
    to the last day of the month `late_months` after it. NSI TB 0068, item 1 allows one month each way."""
    return Window(
        due_month=month_of(due_month),
        window_from=add_months(due_month, -early_months),
        window_to=last_day(add_months(due_month, late_months)),
    )


def entry_due_month(
    counts_from: date,
    *,
    on: date,
    first_after_months: int,
    interval_months: int,
    early_months: int,
    late_months: int,
    known: bool,
) -> date:
    """Due month of a requirement that enters the record on day `on`, with no history of its own.

    Due months form a fixed series from the month of `counts_from` (the day the system came into use, or the
    device was fitted). Before the first one's window opens, that first one is owed. Later, the last one whose
    window has opened is owed: nothing proves that it was met, and older ones could no longer be met anyway.
    When the site was already kept in the record (`known`), the requirement comes from a new rule or a changed
    regime; it cannot be late from before it existed, so a due month whose window has closed is passed over.
    """
    due = first_due_month(counts_from, first_after_months=first_after_months)
    open_until = add_months(on, early_months)
    if due <= open_until:
        months = (open_until.year - due.year) * 12 + open_until.month - due.month
        due = add_months(due, months // interval_months * interval_months)
    if known and window(due, early_months=early_months, late_months=late_months).window_to < on:
        due = add_months(due, interval_months)
    return due


def next_due_month(
    due_month: date,
    *,
    done_on: date,
    interval_months: int,
    early_months: int = 1,
    late_months: int = 1,
    keeps_anniversary: bool = True,
) -> date:
    """The due month that follows work done on `done_on`.

    With `keeps_anniversary` (NSI TB 0068, item 1) it is counted from the due month, whatever day within the
    window the work was done: due July and done on 20 August leaves January, not February. Work before the
    window opens does not meet the requirement, so the due month stands. Work after the window has closed
    also counts for a later due month of the series whose window had opened by then: nobody goes twice in a
    month to make up for a visit that was missed.
    Without it, it is counted from the month in which the work was done.
    """
    if not keeps_anniversary:
        return add_months(done_on, interval_months)
    due = month_of(due_month)
    if done_on < add_months(due, -early_months):
        return due
    following = add_months(due, interval_months)
    if done_on > window(due, early_months=early_months, late_months=late_months).window_to:
        while add_months(following, -early_months) <= done_on:
            following = add_months(following, interval_months)
    return following


def state_on(day: date, window: Window, *, due_soon_days: int, escalate_days: int) -> State:
    """The state on a day. See `state_since` for the day from which it holds."""
    return state_since(day, window, due_soon_days=due_soon_days, escalate_days=escalate_days)[0]


def state_since(
    day: date, window: Window, *, due_soon_days: int, escalate_days: int
) -> tuple[State, date | None]:
    """The state on a day, and the first day on which that state held (None for 'not due').

    - escalated: more than `escalate_days` days after the last day of the window;
    - overdue: after the last day of the window (NSI TB 0068, item 1: the month after the due month is on time);
    - due: the due month has begun;
    - due soon: the work may already be done on time, or the window ends within `due_soon_days` days.
    """
    overdue_from = window.window_to + timedelta(days=1)
    steps = (
        (State.ESCALATED, overdue_from + timedelta(days=escalate_days)),
        (State.OVERDUE, overdue_from),
        (State.DUE, window.due_month),
        (State.DUE_SOON, min(window.window_from, window.window_to - timedelta(days=due_soon_days))),
    )
    for state, since in steps:
        if day >= since:
            return state, since
    return State.NOT_DUE, None
