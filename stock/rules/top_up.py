"""What each van is topped up with: the parts of its next visits, and its own minimum, from what the store has.

All vans of one store are computed together, since they share its stock. In this order, so that a promise is never
broken for a refill: what the store keeps for a visit (a firm reservation), what is promised from an order but lies on
the shelf by now, visits that nothing is promised to (soonest first), then each van up to its minimum, and last each
van that was below its minimum up to its target.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from stock.rules.errors import RuleError

_SATURDAY = 5


class Promise(StrEnum):
    """How the store has promised a part to its visit."""

    NONE = "none"
    FIRM = "firm"
    AHEAD = "ahead"


@dataclass(frozen=True)
class VisitNeed:
    """Parts that one visit needs and that are not promised to it in its van; quantity in the item's unit."""

    van_id: int
    item_id: int
    quantity: int
    day: date
    work: str
    promise: Promise = Promise.NONE
    reservation_id: int | None = None


@dataclass(frozen=True)
class VanItem:
    """An item in a van. `free`: there and not promised; `coming`: on the way to it and not promised."""

    van_id: int
    item_id: int
    free: int
    coming: int = 0
    minimum: int = 0
    target: int = 0


@dataclass(frozen=True)
class StoreItem:
    """An item in the store. `spoken_for`: on pick lists that are not sent yet, and not promised to anybody."""

    item_id: int
    on_hand: int
    reserved: int = 0
    reserved_ahead: int = 0
    on_order: int = 0
    spoken_for: int = 0


@dataclass(frozen=True)
class Share:
    """Why a part of a line's quantity is wanted: a visit, or (need None) the van's own minimum."""

    quantity: int
    need: VisitNeed | None


@dataclass(frozen=True)
class PickLine:
    """What to pick for a van of one item; `short`: what is needed beyond it, and the store cannot give."""

    van_id: int
    item_id: int
    quantity: int
    shares: tuple[Share, ...]
    short: int


class _Shelf:
    """What is left to give of one item while the lines are put together."""

    def __init__(self, item: StoreItem) -> None:
        self.kept = item.reserved
        self.free = max(0, item.on_hand - item.reserved - item.spoken_for)
        self.beyond_promises = max(
            0, item.on_hand + item.on_order - item.reserved - item.reserved_ahead - item.spoken_for
        )

    def give(self, wanted: int, promise: Promise) -> int:
        if promise == Promise.FIRM:
            given = min(wanted, self.kept)
            self.kept -= given
        elif promise == Promise.AHEAD:
            given = min(wanted, self.free)
            self.free -= given
        else:
            given = min(wanted, self.free, self.beyond_promises)
            self.free -= given
            self.beyond_promises -= given
        return given


def pick_lines(
    needs: Iterable[VisitNeed], van_items: Iterable[VanItem], store_items: Iterable[StoreItem]
) -> list[PickLine]:
    """The pick lines of all vans of one store, by van and item.

    A visit that nothing is promised to first uses what is free in its van or coming to it. A van is filled up to its
    target when what is left free falls below its minimum. Never more in all than the store has on hand, and a need is
    left short only when the store has no more to give. Raises RuleError for a quantity below 1, or a minimum above
    its target.
    """
    shelves = {item.item_id: _Shelf(item) for item in store_items}
    vans = {(van.van_id, van.item_id): van for van in van_items}
    for van in vans.values():
        if not 0 <= van.minimum <= van.target:
            raise RuleError("The minimum must be from 0 to the target.", field="minimum", value=van.minimum,
                            remedy="Lower the minimum or raise the target.")
    free = {key: max(0, van.free) + max(0, van.coming) for key, van in vans.items()}
    shares: dict[tuple[int, int], list[Share]] = defaultdict(list)
    short: dict[tuple[int, int], int] = defaultdict(int)
    nothing = _Shelf(StoreItem(item_id=0, on_hand=0))
    rank = {Promise.FIRM: 0, Promise.AHEAD: 1, Promise.NONE: 2}
    for need in sorted(needs, key=lambda n: (rank[n.promise], n.day, n.work, n.van_id, n.item_id)):
        if need.quantity < 1:
            raise RuleError("A visit needs at least 1.", field="quantity", value=need.quantity,
                            remedy="Leave out what is not needed.")
        key = (need.van_id, need.item_id)
        missing = need.quantity
        if need.promise == Promise.NONE:
            own = min(missing, free.get(key, 0))
            free[key] = free.get(key, 0) - own
            missing -= own
        given = shelves.get(need.item_id, nothing).give(missing, need.promise)
        if given:
            shares[key].append(Share(given, need))
        short[key] += missing - given
    _refill(vans, free, shelves, shares, short)
    return [
        PickLine(key[0], key[1], sum(share.quantity for share in shares[key]), tuple(shares[key]), short[key])
        for key in sorted({key for key in (*shares, *short) if shares[key] or short[key]})
    ]


def _refill(
    vans: dict[tuple[int, int], VanItem],
    free: dict[tuple[int, int], int],
    shelves: dict[int, _Shelf],
    shares: dict[tuple[int, int], list[Share]],
    short: dict[tuple[int, int], int],
) -> None:
    """Every van up to its minimum before any is filled to its target."""
    below = [key for key in sorted(vans) if free[key] < vans[key].minimum and key[1] in shelves]
    given = dict.fromkeys(below, 0)
    for key in below:
        given[key] = shelves[key[1]].give(vans[key].minimum - free[key], Promise.NONE)
        short[key] += vans[key].minimum - free[key] - given[key]
    for key in below:
        given[key] += shelves[key[1]].give(vans[key].target - free[key] - given[key], Promise.NONE)
        if given[key]:
            shares[key].append(Share(given[key], None))
    for key in sorted(vans):
        if key[1] not in shelves and free[key] < vans[key].minimum:
            short[key] += vans[key].minimum - free[key]


def last_day(today: date, working_days: int) -> date:
    """The last of so many working days (Monday to Friday) after today; today itself for 0."""
    day = today
    while working_days > 0:
        day += timedelta(days=1)
        working_days -= day.weekday() < _SATURDAY
    return day


def bin_key(code: str) -> tuple[bool, tuple[tuple[int, str], ...]]:
    """Sorts bins as a person walks: "A-2" before "A-10"; items without a bin come last."""
    parts = re.findall(r"\d+|\D+", code.strip().upper())
    return (not parts, tuple((int(part), "") if part.isdecimal() else (-1, part) for part in parts))
