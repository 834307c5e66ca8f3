"""Random postings by several people against a ledger of a few lines of plain Python, with attempts in between to break
the invariants through raw SQL: both must agree after every step."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
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
from stock.models import Balance, BatchBalance, Item, ItemCost, Location, Movement, Order, Reservation, Serial

STORE, VAN, QUARANTINE, TRANSIT, SUPPLIER, SITES, SCRAP = range(7)
COUNTED = (STORE, VAN, QUARANTINE)
HELD = (*COUNTED, TRANSIT)
ALL = tuple(range(7))
# kind -> where it may start and end
ENDS: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
    "receive": ((SUPPLIER,), COUNTED),
    "transfer": (HELD, HELD),
    "pick": ((STORE, VAN), (VAN, TRANSIT)),
    "release": ((QUARANTINE,), (STORE, VAN)),
    "write-off": (HELD, (SCRAP,)),
    "return": (COUNTED, (SUPPLIER,)),
    "fit": (ALL, (SITES,)),
    "remove": ((SITES,), ALL),
    "scrap": (ALL, (SCRAP,)),
}
SENSIBLE = [
    (kind, source, end) for kind, (starts, ends) in ENDS.items() for source in starts for end in ends if source != end
    # From quarantine into use only by a release.
    if not (kind == "transfer" and source == QUARANTINE and end in (STORE, VAN))
] + [
    ("count", source, end) for source in ALL for end in ALL
    if ((source in COUNTED) != (end in COUNTED)) and {source, end} & {SUPPLIER, SCRAP}
]
PLACE = st.integers(0, 6)
# What may be, and what happens most: something leaves or reaches a place of the firm's.
USUAL = st.sampled_from([posting for posting in SENSIBLE if posting[1] in HELD or posting[2] in HELD])
ANY = st.one_of(USUAL, st.tuples(st.sampled_from([*ENDS, "count", "correct", "gift"]), PLACE, PLACE))
QUANTITY = st.integers(1, 8)
ITEM = st.integers(0, 2)
BATCHED = 2
BATCH = st.sampled_from(["X", "X", "Y", ""])
COST = st.none() | st.integers(0, 99_999).map(lambda pence: Decimal(pence) / 100)
# So low that no order needs an approval.
PRICE = st.none() | st.integers(0, 2_000).map(lambda pence: Decimal(pence) / 100)
WHO = st.integers(0, 2)
Change = tuple[dict[Any, int], Any, int]

# Each must be refused, or find nothing to change.
ATTACKS = [
    "UPDATE stock_movement SET quantity = quantity + 1",
    "UPDATE stock_movement SET destination_id = source_id, source_id = destination_id",
    "UPDATE stock_movement SET unit_cost = 1",
    "DELETE FROM stock_movement",
    "UPDATE stock_balance SET on_hand = on_hand + 1",
    "UPDATE stock_balance SET reserved = 0, physical = FALSE",
    "DELETE FROM stock_balance",
    "INSERT INTO stock_balance (item_id, location_id, physical, on_hand, reserved, reserved_ahead, on_order)"
    " VALUES ({item}, {place}, FALSE, 5, 0, 0, 0)",
    "UPDATE stock_batchbalance SET on_hand = on_hand + 1",
    "DELETE FROM stock_batchbalance",
    "INSERT INTO stock_batchbalance (item_id, location_id, batch, physical, on_hand)"
    " VALUES ({item}, {place}, 'Z', FALSE, 5)",
    "UPDATE stock_itemcost SET average = 0",
    "DELETE FROM stock_itemcost",
    "UPDATE stock_serial SET location_id = {place} WHERE location_id IS DISTINCT FROM {place}",
    "DELETE FROM stock_serial WHERE location_id IS NOT NULL",
    "UPDATE stock_reservation SET quantity = 1000000 WHERE state = 'open'",
    "UPDATE stock_orderline SET received = quantity + 1",
    "UPDATE stock_item SET tracking = 'batch' WHERE id IN (SELECT item_id FROM stock_movement) AND tracking = 'none'",
    "UPDATE stock_location SET kind = 'scrap', branch_id = NULL, engineer_id = NULL WHERE kind <> 'scrap'",
    # A movement of nothing, of less than nothing, to itself, of more than there is, of a batch that is not there.
    *(
        "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note)"
        f" VALUES ({{item}}, {quantity}, {{place}}, {end}, 'X', 'scrap', now(), '', '')"
        for quantity, end in (("0", "{scrap}"), ("-3", "{scrap}"), ("1", "{place}"), ("100000", "{scrap}"))
    ),
    "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note)"
    " VALUES ({batched}, 1, {place}, {scrap}, 'Z', 'scrap', now(), '', '')",
    # A serial that jumps, a batch left out, half a correction, a correction of a correction.
    "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, serial_id, batch, kind, at, reference,"
    " note) SELECT item_id, 1, {scrap}, {place}, id, '', 'transfer', now(), '', '' FROM stock_serial"
    " WHERE location_id <> {scrap}",
    "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, batch, kind, at, reference, note)"
    " VALUES ({batched}, 1, {supplier}, {place}, '', 'receive', now(), '', '')",
    "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, serial_id, batch, kind, at, reference,"
    " note, corrects_id) SELECT item_id, quantity + 1, destination_id, source_id, serial_id, batch, 'correct', now(),"
    " '', '', id FROM stock_movement WHERE serial_id IS NULL",
    "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, serial_id, batch, kind, at, reference,"
    " note, unit_cost, corrects_id) SELECT item_id, quantity, destination_id, source_id, serial_id, batch, 'correct',"
    " now(), '', '', unit_cost, id FROM stock_movement WHERE kind = 'correct'",
    # Switching the triggers off for the session first.
    "SELECT set_config('pgtrigger.ignore', (SELECT array_agg(tgname)::text FROM pg_trigger), TRUE);"
    "UPDATE stock_balance SET on_hand = on_hand + 1",
]


class Ledger(RuleBasedStateMachine):
    """Two items kept by quantity, one by batch and one by serial; every kind of place; three people."""

    branch: Branch
    people: list[User]
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
            make.LocationFactory.create(branch=self.branch, kind="van"),
            make.LocationFactory.create(branch=self.branch, kind="quarantine"),
            make.LocationFactory.create(branch=None, kind="transit"),
            make.SuppliersPlaceFactory.create(),
            make.SitesPlaceFactory.create(),
            make.ScrapPlaceFactory.create(),
        ]
        self.supplier = make.SupplierFactory.create(location=self.places[SUPPLIER])
        self.items: list[Item] = [
            make.ItemFactory.create(), make.ItemFactory.create(), make.ItemFactory.create(tracking="batch")
        ]
        self.held = {(i, p): 0 for i in range(3) for p in ALL}
        self.batches = {(batch, p): 0 for batch in "XY" for p in ALL}
        self.reserved = {(i, p): 0 for i in range(3) for p in COUNTED}
        self.ahead = dict(self.reserved)
        self.ordered = dict(self.reserved)
        # item -> each step of its average cost: quantity, held before, average
        self.costs: dict[int, list[tuple[int, int, Decimal]]] = {i: [] for i in range(3)}
        cover = make.CoverFactory.create()
        self.serials: list[Serial] = [make.SerialFactory.create(item=cover) for _ in range(2)]
        self.at: list[int | None] = [None, None]
        for i in range(3):
            for place, batch, quantity in ((STORE, "X", 9), (STORE, "Y", 5), (VAN, "X", 6), (QUARANTINE, "Y", 4)):
                self.post(i, ("receive", SUPPLIER, place), quantity, batch, Decimal(i * 3 + place) / 2, 0)
            self.post(i, ("transfer", STORE, TRANSIT), 2, "X", None, 0)
        self.move_serial(0, ("receive", SUPPLIER, STORE), 0)

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undo.__exit__(None, None, None)

    # --- the plain ledger -----------------------------------------------------------------------

    def fits(self) -> bool:
        """Whether the plain ledger would still be allowed."""
        return (
            all(
                self.reserved[key] <= self.held[key]
                and self.ahead[key] <= self.held[key] + self.ordered[key] - self.reserved[key]
                for key in self.reserved
            )
            and all(held >= 0 for (_, p), held in self.held.items() if p in HELD)
            and all(held >= 0 for (_, p), held in self.batches.items() if p in HELD)
        )

    def moved(self, i: int, source: int, end: int, quantity: int, batch: str) -> list[Change]:
        changes: list[Change] = [(self.held, (i, source), -quantity), (self.held, (i, end), quantity)]
        if i == BATCHED and batch:
            changes += [(self.batches, (batch, source), -quantity), (self.batches, (batch, end), quantity)]
        return changes

    def cost(self, i: int, came: int, unit_cost: Decimal | None) -> None:
        """A step of the moving average, once the quantity is in."""
        if unit_cost is None:
            return
        after = sum(self.held[i, p] for p in HELD)
        before = after - came
        steps = self.costs[i]
        average = unit_cost
        if steps:
            average = steps[-1][2]
            if after > 0:
                average = max((before * average + came * unit_cost) / after, Decimal(0))
        steps.append((came, before, average.quantize(Decimal("0.000001"), ROUND_HALF_UP)))

    def attempt(self, act: Any, *changes: Change, when: bool = True) -> Any:
        """Do it in both ledgers: the service must refuse exactly when the plain one would break."""
        for table, key, amount in changes:
            table[key] += amount
        allowed = when and self.fits()
        if not allowed:
            for table, key, amount in changes:
                table[key] -= amount
        answer, error = None, None
        try:
            answer = act()
        except ZonewrightError as refusal:
            error = refusal
        assert (error is None) is allowed, error or answer
        assert error is None or (error.field and error.remedy), error
        return answer

    # --- movements ------------------------------------------------------------------------------

    def post(
        self, i: int, posting: tuple[str, int, int], quantity: int, batch: str, cost: Decimal | None, who: int
    ) -> Any:
        kind, source, end = posting
        unit_cost = cost if kind == "receive" else None
        made = self.attempt(
            lambda: services.post_movement(
                self.items[i], quantity=quantity, source=self.places[source], destination=self.places[end], kind=kind,
                by=self.people[who], batch=batch, unit_cost=unit_cost,
            ),
            *self.moved(i, source, end, quantity, batch),
            when=posting in SENSIBLE and (i != BATCHED or batch != ""),
        )
        if made is None:
            return multiple()
        self.cost(i, quantity, unit_cost)
        return (made, i, source, end, quantity, batch)

    @rule(target=movements, i=ITEM, posting=USUAL, quantity=QUANTITY, batch=BATCH, cost=COST, who=WHO)
    def post_the_usual(
        self, i: int, posting: tuple[str, int, int], quantity: int, batch: str, cost: Decimal | None, who: int
    ) -> Any:
        return self.post(i, posting, quantity, batch, cost, who)

    @rule(target=movements, posting=USUAL, quantity=QUANTITY, batch=BATCH, cost=COST)
    def post_of_a_batch(
        self, posting: tuple[str, int, int], quantity: int, batch: str, cost: Decimal | None
    ) -> Any:
        return self.post(BATCHED, posting, quantity, batch, cost, 0)

    @rule(target=movements, i=ITEM, posting=ANY, quantity=QUANTITY, batch=BATCH, cost=COST, who=WHO)
    def post_anything(
        self, i: int, posting: tuple[str, int, int], quantity: int, batch: str, cost: Decimal | None, who: int
    ) -> Any:
        return self.post(i, posting, quantity, batch, cost, who)

    @rule(target=movements, i=ITEM, posting=USUAL, quantity=QUANTITY, batch=BATCH, who=WHO)
    def record(self, i: int, posting: tuple[str, int, int], quantity: int, batch: str, who: int) -> Any:
        """As a person types it: what is on its way is not theirs to move."""
        kind, source, end = posting
        made = self.attempt(
            lambda: services.record_movement(
                self.items[i], quantity=quantity, source=self.places[source], destination=self.places[end], kind=kind,
                by=self.people[who], batch=batch,
            ),
            *self.moved(i, source, end, quantity, batch),
            when=posting in SENSIBLE and (i != BATCHED or batch != "") and TRANSIT not in (source, end),
        )
        return multiple() if made is None else (made, i, source, end, quantity, batch)

    @rule(moved=consumes(movements), who=WHO)
    def correct(self, moved: tuple[Movement, int, int, int, int, str], who: int) -> None:
        movement, i, source, end, quantity, batch = moved
        made = self.attempt(
            lambda: services.correct_movement(movement, by=self.people[who], note="typed wrong"),
            *self.moved(i, end, source, quantity, batch),
            when=TRANSIT not in (source, end),
        )
        if made:
            self.cost(i, -quantity, movement.unit_cost)
            self.attempt(lambda: services.correct_movement(movement, by=self.people[who], note="again"), when=False)

    @rule(which=st.integers(0, 1), posting=USUAL, who=WHO)
    def move_serial(self, which: int, posting: tuple[str, int, int], who: int) -> None:
        kind, source, end = posting
        here = self.at[which]
        found = here == source or (here is None and source not in HELD)
        made = self.attempt(
            lambda: services.record_movement(
                self.serials[which].item, quantity=1, source=self.places[source], destination=self.places[end],
                kind=kind, by=self.people[who], serial=self.serials[which],
            ),
            when=posting in SENSIBLE and found and not {SITES, TRANSIT} & {source, end},
        )
        if made:
            self.at[which] = end

    # --- promises -------------------------------------------------------------------------------

    @rule(
        target=reservations, i=ITEM, place=st.sampled_from((STORE, STORE, VAN, VAN, SITES)), quantity=st.integers(1, 3),
        ahead=st.booleans(), who=WHO,
    )
    def promise(self, i: int, place: int, quantity: int, ahead: bool, who: int) -> Any:
        counted = place in COUNTED
        made = self.attempt(
            lambda: services.reserve(self.items[i], self.places[place], quantity=quantity, ahead=ahead,
                                     needed_on=timezone.localdate(), reference="visit 1", by=self.people[who]),
            *([(self.ahead if ahead else self.reserved, (i, place), quantity)] if counted else []),
            when=counted,
        )
        return multiple() if made is None else (made, i, place)

    @rule(promised=consumes(reservations), use=st.booleans(), end=st.sampled_from((STORE, VAN, SITES)), batch=BATCH,
          who=WHO)
    def close(self, promised: tuple[Reservation, int, int], use: bool, end: int, batch: str, who: int) -> None:
        made, i, place = promised
        table = self.ahead if made.ahead else self.reserved
        given_back: Change = (table, (i, place), -made.quantity)
        if use:
            self.attempt(
                lambda: services.use_reservation(
                    made, destination=self.places[end], by=self.people[who], batch=batch
                ),
                given_back, *self.moved(i, place, end, made.quantity, batch),
                when=end != place and (i != BATCHED or batch != ""),
            )
        else:
            self.attempt(lambda: services.release_reservation(made, by=self.people[who]), given_back)

    # --- orders ---------------------------------------------------------------------------------

    @rule(target=orders, i=ITEM, place=st.sampled_from((STORE, VAN)), quantity=QUANTITY, price=PRICE, who=WHO)
    def order(self, i: int, place: int, quantity: int, price: Decimal | None, who: int) -> Any:
        made = services.make_order(
            supplier=self.supplier, destination=self.places[place], lines={self.items[i]: quantity},
            by=self.people[who],
        )
        made.lines.update(unit_price=price)
        self.attempt(
            lambda: services.place_order(made, by=self.people[who]), (self.ordered, (i, place), quantity)
        )
        return (made, i, place)

    @rule(placed=orders, quantity=QUANTITY, batch=BATCH, who=WHO)
    def receive(self, placed: tuple[Order, int, int], quantity: int, batch: str, who: int) -> None:
        order, i, place = placed
        line = order.lines.select_related("item", "order").get()
        open_now = line.quantity - line.received if line.order.state == "placed" else 0
        made = self.attempt(
            lambda: services.receive_order_line(line, quantity=quantity, by=self.people[who], batch=batch),
            (self.ordered, (i, place), -quantity), *self.moved(i, SUPPLIER, place, quantity, batch),
            when=quantity <= open_now and (i != BATCHED or batch != ""),
        )
        if made:
            self.cost(i, quantity, made[0].unit_cost)

    @rule(placed=consumes(orders), who=WHO)
    def cancel(self, placed: tuple[Order, int, int], who: int) -> None:
        order, i, place = placed
        order.refresh_from_db()
        line = order.lines.get()
        self.attempt(
            lambda: services.cancel_order(order, by=self.people[who]),
            (self.ordered, (i, place), line.received - line.quantity if order.state == "placed" else 0),
            when=order.state == "placed",
        )

    # --- attacks --------------------------------------------------------------------------------

    @rule(attack=st.sampled_from(ATTACKS), i=ITEM, place=st.sampled_from(HELD))
    def attack(self, attack: str, i: int, place: int) -> None:
        sql = attack.format(
            item=self.items[i].pk, batched=self.items[BATCHED].pk, place=self.places[place].pk,
            scrap=self.places[SCRAP].pk, supplier=self.places[SUPPLIER].pk,
        )
        changed = 0
        try:
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute(sql)
                while cursor.nextset():
                    pass
                changed = cursor.rowcount
        except DatabaseError:
            return
        assert changed == 0, sql

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
        keys = {place.pk: p for p, place in enumerate(self.places)}
        batches = BatchBalance.objects.values_list("item", "batch", "location", "on_hand")
        assert {(item, batch, keys[p]): held for item, batch, p, held in batches if held} == {
            (self.items[BATCHED].pk, batch, p): held for (batch, p), held in self.batches.items() if held
        }
        steps = list(ItemCost.objects.order_by("id").values_list("item", "quantity", "held_before", "average"))
        for i, item in enumerate(self.items):
            assert [step[1:] for step in steps if step[0] == item.pk] == self.costs[i]
        places = dict(Serial.objects.values_list("pk", "location"))
        assert [places[serial.pk] for serial in self.serials] == [
            None if at is None else self.places[at].pk for at in self.at
        ]


@pytest.mark.django_db
def test_ledger_agrees_with_a_plain_one(
    branch: Branch, stores: User, engineer: User, service_manager: User
) -> None:
    machine = type("LedgerOfFirm", (Ledger,), {"branch": branch, "people": [stores, engineer, service_manager]})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=80, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )
