"""What vans are topped up with: by examples, and by laws on random stores."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stock.rules.errors import RuleError
from stock.rules.top_up import (
    PickLine,
    Promise,
    Share,
    StoreItem,
    VanItem,
    VisitNeed,
    bin_key,
    last_day,
    pick_lines,
)

THURSDAY = date(2026, 11, 26)


def need(quantity: int, *, van: int = 1, day: int = 26, promise: Promise = Promise.NONE, work: str = "visit 5",
         reservation: int | None = None, item: int = 7) -> VisitNeed:
    return VisitNeed(van, item, quantity, date(2026, 11, day), work, promise, reservation)


def test_a_visit_is_served_and_then_the_vans_own_minimum() -> None:
    visit = need(2)
    lines = pick_lines([visit], [VanItem(1, 7, free=1, minimum=2, target=4)], [StoreItem(7, on_hand=20)])
    # The one in the van goes to the visit, one more comes for it; then the empty van is filled up to four.
    assert lines == [PickLine(1, 7, 5, (Share(1, visit), Share(4, None)), 0)]


def test_a_van_above_its_minimum_is_left_alone() -> None:
    assert pick_lines([], [VanItem(1, 7, free=2, minimum=2, target=6)], [StoreItem(7, on_hand=20)]) == []
    assert pick_lines([], [VanItem(1, 7, free=1, coming=1, minimum=2, target=6)], [StoreItem(7, on_hand=20)]) == []


def test_what_the_store_keeps_for_a_visit_is_taken_though_nothing_is_free() -> None:
    kept = need(3, promise=Promise.FIRM, reservation=4)
    store = [StoreItem(7, on_hand=3, reserved=3)]
    assert pick_lines([kept, need(1, van=2)], [VanItem(1, 7, free=9)], store) == [
        PickLine(1, 7, 3, (Share(3, kept),), 0), PickLine(2, 7, 0, (), 1)
    ]


def test_sooner_visits_go_first_and_minimums_before_targets() -> None:
    soon, late = need(2, van=2), need(2, van=1, day=27)
    vans = [VanItem(1, 7, free=0, minimum=1, target=3), VanItem(2, 7, free=0, minimum=1, target=3)]
    lines = pick_lines([late, soon], vans, [StoreItem(7, on_hand=5)])
    assert lines == [PickLine(1, 7, 3, (Share(2, late), Share(1, None)), 0), PickLine(2, 7, 2, (Share(2, soon),), 1)]


def test_a_promise_from_an_order_takes_what_came_in_and_others_leave_it_alone() -> None:
    ahead = need(2, promise=Promise.AHEAD, reservation=4)
    store = [StoreItem(7, on_hand=3, reserved_ahead=2)]
    assert pick_lines([need(3, van=2, day=25), ahead], [], store) == [
        PickLine(1, 7, 2, (Share(2, ahead),), 0), PickLine(2, 7, 1, (Share(1, need(3, van=2, day=25)),), 2)
    ]


def test_what_is_on_other_lists_is_not_promised_twice() -> None:
    assert pick_lines([need(2)], [], [StoreItem(7, on_hand=3, spoken_for=2)])[0].short == 1


@pytest.mark.parametrize("bad", [need(0), need(-1)])
def test_a_need_of_nothing_is_refused(bad: VisitNeed) -> None:
    with pytest.raises(RuleError, match="at least 1"):
        pick_lines([bad], [], [])


def test_a_minimum_above_the_target_is_refused() -> None:
    with pytest.raises(RuleError, match="minimum"):
        pick_lines([], [VanItem(1, 7, free=0, minimum=3, target=2)], [])


def test_working_days_skip_the_weekend() -> None:
    assert [last_day(date(2026, 11, 25), days) for days in (0, 1, 2, 3, 7)] == [
        date(2026, 11, 25), date(2026, 11, 26), date(2026, 11, 27), date(2026, 11, 30), date(2026, 12, 4)
    ]
    assert last_day(date(2026, 11, 28), 1) == date(2026, 11, 30)


def test_bins_sort_as_a_person_walks() -> None:
    codes = ["B-1", "A-10", "", "A-2", "a-2-b", "A-2-10", "A-2-9"]
    assert sorted(codes, key=bin_key) == ["A-2", "A-2-9", "A-2-10", "a-2-b", "A-10", "B-1", ""]


# --- laws ------------------------------------------------------------------------------------------------------------

few = st.integers(0, 6)


@st.composite
def stores(draw: st.DrawFn) -> StoreItem:
    on_hand = draw(st.integers(0, 15))
    reserved = draw(st.integers(0, on_hand))
    on_order = draw(few)
    return StoreItem(7, on_hand=on_hand, reserved=reserved, on_order=on_order,
                     reserved_ahead=draw(st.integers(0, on_hand + on_order - reserved)), spoken_for=draw(few))


@st.composite
def scenes(draw: st.DrawFn) -> tuple[list[VisitNeed], list[VanItem], StoreItem]:
    """One item, up to three vans; firm promises never exceed what the store keeps."""
    store = draw(stores())
    kept, ahead = store.reserved, store.reserved_ahead
    needs = []
    for number in range(draw(st.integers(0, 5))):
        promise = draw(st.sampled_from(list(Promise)))
        most = {Promise.FIRM: kept, Promise.AHEAD: ahead, Promise.NONE: 6}[promise]
        if most < 1:
            continue
        quantity = draw(st.integers(1, most))
        kept -= quantity if promise == Promise.FIRM else 0
        ahead -= quantity if promise == Promise.AHEAD else 0
        needs.append(need(quantity, van=draw(st.integers(1, 3)), day=draw(st.integers(24, 28)), promise=promise,
                          work=f"visit {number}"))
    vans = []
    for van in range(1, 4):
        minimum = draw(few)
        vans.append(VanItem(van, 7, free=draw(few), coming=draw(few), minimum=minimum, target=minimum + draw(few)))
    return needs, vans, store


@given(scenes())
def test_laws_of_the_top_up(scene: tuple[list[VisitNeed], list[VanItem], StoreItem]) -> None:
    needs, vans, store = scene
    lines = pick_lines(needs, vans, [store])
    given_in_all = sum(line.quantity for line in lines)
    shares = [share for line in lines for share in line.shares]
    # Never more than the store has, nor what it keeps for others.
    firm = sum(share.quantity for share in shares if share.need and share.need.promise == Promise.FIRM)
    ahead = sum(share.quantity for share in shares if share.need and share.need.promise == Promise.AHEAD)
    assert given_in_all <= store.on_hand
    assert given_in_all - firm <= max(0, store.on_hand - store.reserved - store.spoken_for)
    free_after = store.on_hand + store.on_order - given_in_all - (store.reserved - firm) - (
        store.reserved_ahead - ahead
    )
    assert given_in_all == firm + ahead or free_after >= store.spoken_for
    # What is kept for a visit is given in full; nobody gets more than needed.
    assert firm == sum(n.quantity for n in needs if n.promise == Promise.FIRM)
    per_need = Counter[str]()
    for share in shares:
        if share.need:
            per_need[share.need.work] += share.quantity
    assert all(per_need[n.work] <= n.quantity for n in needs)
    # Something is short only when the store has no more to give to anybody without a promise.
    level = {van.van_id: van for van in vans}
    for line in lines:
        assert line.quantity == sum(share.quantity for share in line.shares)
        refill = sum(share.quantity for share in line.shares if share.need is None)
        assert refill <= level[line.van_id].target
        if line.short:
            left = store.on_hand - store.reserved - store.spoken_for - (given_in_all - firm)
            beyond = free_after - store.spoken_for
            assert min(left, beyond) <= 0
    # The order of what is asked does not matter.
    assert pick_lines(needs[::-1], vans[::-1], [store]) == lines


@given(scenes())
def test_once_the_lists_are_out_nothing_more_is_wanted(
    scene: tuple[list[VisitNeed], list[VanItem], StoreItem]
) -> None:
    """Idempotent: needs that are on lists are met, refills are coming, and the store has less to give."""
    needs, vans, store = scene
    lines = {line.van_id: line for line in pick_lines(needs, vans, [store])}
    shares = [share for line in lines.values() for share in line.shares]
    taken: Counter[str] = Counter()
    for share in shares:
        if share.need:
            taken[share.need.work] += share.quantity
    # Unpromised visits come back whole; what was picked for them is coming to their van.
    coming = {
        van.van_id: sum(s.quantity for s in lines[van.van_id].shares if not s.need or s.need.promise == Promise.NONE)
        if van.van_id in lines else 0 for van in vans
    }
    again = [
        n if n.promise == Promise.NONE else replace(n, quantity=n.quantity - taken[n.work]) for n in needs
        if n.promise == Promise.NONE or n.quantity > taken[n.work]
    ]
    later = pick_lines(
        again, [replace(van, coming=van.coming + coming[van.van_id]) for van in vans],
        [replace(
            store, spoken_for=store.spoken_for + sum(coming.values()),
            on_hand=store.on_hand - sum(s.quantity for s in shares if s.need and s.need.promise != Promise.NONE),
            reserved=store.reserved - sum(s.quantity for s in shares if s.need and s.need.promise == Promise.FIRM),
            reserved_ahead=store.reserved_ahead - sum(
                s.quantity for s in shares if s.need and s.need.promise == Promise.AHEAD),
        )],
    )
    # A van that got less than its target because the store was empty may ask on, but there is nothing to give.
    assert [(line.van_id, line.quantity) for line in later if line.quantity] == []
