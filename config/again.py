"""Transactions that lost to others at the same rows: tried again while that can help, then said in words."""

from __future__ import annotations

import functools
import random
import time
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from django.db import OperationalError, connection

from config.errors import Conflict

P = ParamSpec("P")
Answer = TypeVar("Answer")

TRIES = 4
_PAUSE_S = 0.02
# SQLSTATE, by PostgreSQL's documentation, appendix A. A deadlock or a serialization failure is over at once and
# may well not come again; who has waited for a lock as long as the server allows has waited long enough.
_PASSING = frozenset({"40P01", "40001"})
_LOST = _PASSING | {"55P03"}


class Busy(Conflict):
    """Others were changing the same rows; nothing was changed by this request."""

    def __init__(self, *, passing: bool) -> None:
        self.passing = passing
        super().__init__(
            "Others are changing the same records at this moment, so nothing was done.",
            remedy="Wait a few seconds and send it again.",
        )


def as_busy(error: OperationalError) -> Busy | None:
    """The refusal that a database error stands for, if it says that the transaction lost to others."""
    state = getattr(error.__cause__, "sqlstate", None)
    return Busy(passing=state in _PASSING) if state in _LOST else None


def again(act: Callable[P, Answer]) -> Callable[P, Answer]:
    """Repeat a service that lost to others, a few times; then raise Busy.

    Only where it is the whole transaction: within a caller's it raises Busy at once, since what the caller did before
    is undone with it.
    """

    @functools.wraps(act)
    def tried(*args: P.args, **kwargs: P.kwargs) -> Answer:
        tries = 1 if connection.in_atomic_block else TRIES
        while True:
            tries -= 1
            try:
                return act(*args, **kwargs)
            except Busy as busy:
                if not (busy.passing and tries):
                    raise
            except OperationalError as error:
                lost = as_busy(error)
                if lost is None:
                    raise
                if not (lost.passing and tries):
                    raise lost from error
            time.sleep(random.uniform(0, _PAUSE_S * (TRIES - tries)))  # noqa: S311 - only spreads them out

    return tried
