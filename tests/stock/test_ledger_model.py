"""Random postings against a ledger of a few lines of plain Python: both must agree after every step."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import ZonewrightError
from stock import services
from stock.models import Balance, Item, Location, Movement, Order, Reservation, Serial

QUANTITY = st.integers(1, 8)
PLACE = st.integers(0, 3)
ITEM = st.integers(0, 1)
Change = tuple[dict[tuple[int, int], int], tuple[int, int], int]


class Ledger(RuleBasedStateMachine):
    """Two items kept by quantity and one by serial; two stores, a supplier, scrap."""

    branch: Branch
    user: User
    movements = Bundle("movements")
    reservations = Bundle("reservations")
    orders = Bundle("orders")

    def __init__(self) -> None:
        super().__init__()
        # All of one run is undone at its end: runs do not see each other.
        self.undo = transaction.atomic()
        self.undo.__enter__()

    @initialize()
    def open_the_stores(self) -> None:
        self.places: list[Location] = [
            make.LocationFactory.create(branch=self.branch),
            make.LocationFactory.create(branch=self.branch),
            make.SuppliersPlaceFactory.create(),
            make.ScrapPlaceFactory.create(),
        ]
        self.supplier = make.SupplierFactory.create(location=self.places[2])
        self.items: list[Item] = [make.ItemFactory.create(), make.ItemFactory.create()]
        self.held = {(i, p): 0 for i in range(2) for p in range(4)}
        self.reserved = {(i, p): 0 for i in range(2) for p in range(2)}
        self.ahead = dict(self.reserved)
        self.ordered = dict(self.reserved)
        cover = make.CoverFactory.create()
        self.serials: list[Serial] = [make.SerialFactory.create(item=cover) for _ in range(2)]
        self.at: list[int | None] = [None, None]

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undo.__exit__(None, None, None)

    def fits(self) -> bool:
        """Whether the plain ledger would still be allowed."""
        return all(
            self.reserved[key] <= self.held[key]
            and self.ahead[key] <= self.held[key] + self.ordered[key] - self.reserved[key]
            and self.held[key] >= 0
            for key in self.reserved
        )

    def attempt(self, act: Any, *changes: Change, when: bool = True) -> Any:
        """Do it in both ledgers: the service must refuse exactly when the plain one would break."""
        for table, key, amount in changes:
            table[key] += amount
        allowed = when and self.fits()
        if not allowed:
            for table, key, amount in changes:
                table[key] -= amount
        try:
            answer = act()
        except ZonewrightError:
            assert not allowed
            return None
        assert allowed
        return answer

    @rule(target=movements, i=ITEM, source=PLACE, end=PLACE, quantity=QUANTITY)
    def move(self, i: int, source: int, end: int, quantity: int) -> Any:
        kind = "receive" if source == 2 else "scrap" if end == 3 else "count" if source == 3 else "transfer"
        sensible = source != end and (
            (kind == "receive" and end < 2) or (kind == "scrap") or (kind == "count" and end < 2)
            or (kind == "transfer" and end < 2)
        )
        made = self.attempt(
            lambda: services.post_movement(
                self.items[i], quantity=quantity, source=self.places[source], destination=self.places[end], kind=kind,
                by=self.user,
            ),
            (self.held, (i, source), -quantity), (self.held, (i, end), quantity),
            when=sensible,
        )
        return multiple() if made is None else (made, i, source, end, quantity)

    @rule(moved=consumes(movements))
    def correct(self, moved: tuple[Movement, int, int, int, int]) -> None:
        movement, i, source, end, quantity = moved
        made = self.attempt(
            lambda: services.correct_movement(movement, by=self.user, note="typed wrong"),
            (self.held, (i, source), quantity), (self.held, (i, end), -quantity),
        )
        if made:
            self.attempt(lambda: services.correct_movement(movement, by=self.user, note="again"), when=False)

    @rule(target=reservations, i=ITEM, place=st.integers(0, 1), quantity=QUANTITY, ahead=st.booleans())
    def promise(self, i: int, place: int, quantity: int, ahead: bool) -> Any:
        made = self.attempt(
            lambda: services.reserve(self.items[i], self.places[place], quantity=quantity, ahead=ahead,
                                     needed_on=timezone.localdate(), reference="visit 1", by=self.user),
            (self.ahead if ahead else self.reserved, (i, place), quantity),
        )
        return multiple() if made is None else (made, i, place)

    @rule(promised=consumes(reservations), use=st.booleans())
    def close(self, promised: tuple[Reservation, int, int], use: bool) -> None:
        made, i, place = promised
        table = self.ahead if made.ahead else self.reserved
        if use:
            self.attempt(
                lambda: services.use_reservation(made, destination=self.places[1 - place], by=self.user),
                (table, (i, place), -made.quantity),
                (self.held, (i, place), -made.quantity),
                (self.held, (i, 1 - place), made.quantity),
            )
        else:
            self.attempt(lambda: services.release_reservation(made, by=self.user), (table, (i, place), -made.quantity))

    @rule(target=orders, i=ITEM, place=st.integers(0, 1), quantity=QUANTITY)
    def order(self, i: int, place: int, quantity: int) -> Any:
        made = services.make_order(
            supplier=self.supplier, destination=self.places[place], lines={self.items[i]: quantity}, by=self.user
        )
        self.attempt(lambda: services.place_order(made, by=self.user), (self.ordered, (i, place), quantity))
        return (made, i, place)

    @rule(placed=orders, quantity=QUANTITY)
    def receive(self, placed: tuple[Order, int, int], quantity: int) -> None:
        order, i, place = placed
        line = order.lines.select_related("item", "order").get()
        open_now = line.quantity - line.received if line.order.state == "placed" else 0
        self.attempt(
            lambda: services.receive_order_line(line, quantity=quantity, by=self.user),
            (self.ordered, (i, place), -quantity), (self.held, (i, place), quantity), (self.held, (i, 2), -quantity),
            when=quantity <= open_now,
        )

    @rule(placed=consumes(orders))
    def cancel(self, placed: tuple[Order, int, int]) -> None:
        order, i, place = placed
        order.refresh_from_db()
        line = order.lines.get()
        self.attempt(
            lambda: services.cancel_order(order, by=self.user),
            (self.ordered, (i, place), line.received - line.quantity if order.state == "placed" else 0),
            when=order.state == "placed",
        )

    @rule(which=ITEM, source=PLACE, end=PLACE)
    def move_serial(self, which: int, source: int, end: int) -> None:
        kind = "receive" if source == 2 else "scrap" if end == 3 else "count" if source == 3 else "transfer"
        here = self.at[which]
        sensible = source != end and (end < 2 or kind == "scrap")
        found = here == source or (here is None and source > 1)
        made = self.attempt(
            lambda: services.record_movement(
                self.serials[which].item, quantity=1, source=self.places[source], destination=self.places[end],
                kind=kind, by=self.user, serial=self.serials[which],
            ),
            when=sensible and found,
        )
        if made:
            self.at[which] = end

    @invariant()
    def both_agree(self) -> None:
        if not hasattr(self, "held"):
            return
        rows = {
            (b.item_id, b.location_id): (b.on_hand, b.reserved, b.reserved_ahead, b.on_order)
            for b in Balance.objects.filter(item__in=self.items)
        }
        for i, item in enumerate(self.items):
            for p, place in enumerate(self.places):
                key = (i, p)
                plain = (self.held[key], self.reserved.get(key, 0), self.ahead.get(key, 0), self.ordered.get(key, 0))
                assert rows.get((item.pk, place.pk), (0, 0, 0, 0)) == plain
        for serial, at in zip(self.serials, self.at, strict=True):
            serial.refresh_from_db()
            assert serial.location_id == (None if at is None else self.places[at].pk)


@pytest.mark.django_db
def test_ledger_agrees_with_a_plain_one(branch: Branch, stores: User) -> None:
    machine = type("LedgerOfFirm", (Ledger,), {"branch": branch, "user": stores})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=25, stateful_step_count=30, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )
