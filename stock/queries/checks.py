"""The checks of the ledger and what they found."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Q, QuerySet

from config.accounts.models import User
from config.accounts.rights import Right
from config.keyset import KeysetPage, page
from stock.models import LedgerCheck, LedgerDifference, Location

CHECK_ORDER = ("-id",)
DIFFERENCE_ORDER = ("id",)
# What makes two differences of two checks the same one.
_SAME = ("kind", "item", "location", "serial", "reservation", "about", "gap")


@dataclass(frozen=True)
class CheckSummary:
    """The last finished check, and how many differences nobody has looked into yet."""

    last: LedgerCheck | None
    open: int


def differences(user: User) -> QuerySet[LedgerDifference]:
    """Differences at places that the person sees, for those who move stock. One statement."""
    if not user.has_right(Right.MOVE_STOCK):
        return LedgerDifference.objects.none()
    return LedgerDifference.objects.filter(Q(location=None) | Q(location__in=Location.objects.visible_to(user)))


def open_alarm(user: User) -> int:
    """How many differences nobody has looked into; one that several checks found counts once. One statement, none for
    those who do not move stock."""
    if not user.has_right(Right.MOVE_STOCK):
        return 0
    found: int = differences(user).filter(seen_at=None).values(*_SAME).distinct().count()
    return found


def check_summary(user: User) -> CheckSummary:
    """Two statements."""
    last = LedgerCheck.objects.exclude(finished_at=None).order_by("-id").first()
    return CheckSummary(last, open_alarm(user))


def check_page(user: User, *, cursor: str | None = None, size: int = 30) -> KeysetPage[LedgerCheck]:
    """Checks, the newest first; none for those who do not move stock. One statement."""
    runs = LedgerCheck.objects.all() if user.has_right(Right.MOVE_STOCK) else LedgerCheck.objects.none()
    return page(runs, CHECK_ORDER, cursor=cursor, size=size)


def difference_page(
    user: User, check: LedgerCheck | None, *, cursor: str | None = None, size: int = 50
) -> KeysetPage[LedgerDifference]:
    """What a check found at places that the person sees; without a check, what nobody has looked into yet, each only
    from the last check that found it. One statement."""
    found = differences(user).select_related("item", "location", "serial", "reservation", "seen_by", "check_run")
    if check is not None:
        found = found.filter(check_run=check)
    else:
        latest = (
            differences(user).filter(seen_at=None).order_by(*_SAME, "-id").distinct(*_SAME).values("id")
        )
        found = found.filter(pk__in=latest)
    return page(found, DIFFERENCE_ORDER, cursor=cursor, size=size)


