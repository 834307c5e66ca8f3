"""Many hands at one balance: real threads, real transactions."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from itertools import cycle
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.models import Sum
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, Firm, User
from config.accounts.rights import Role
from config.again import Busy, again
from config.demo import factories as make
from config.errors import Conflict
from stock import services
from stock.models import Item, ItemCost, Location, Movement, Order, Reservation
from tests.conftest import api_client, person
from tests.stock.conftest import balance, on_hand

pytestmark = pytest.mark.django_db(transaction=True)

THREADS = 8


@pytest.fixture
def home(transactional_db: None) -> Branch:
    Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
    return Branch.objects.create(code="NB", name="Northbeck")


@pytest.fixture
def keeper(home: Branch) -> User:
    return person(Role.STORES, home)


@pytest.fixture
def supplier(home: Branch) -> Location:
    return make.SuppliersPlaceFactory.create()


@pytest.fixture
def store(home: Branch) -> Location:
    return make.LocationFactory.create(branch=home)


@pytest.fixture
def second(home: Branch, store: Location) -> Location:
    return make.LocationFactory.create(branch=home)


@pytest.fixture
def hot(store: Location, supplier: Location) -> Item:
    """One item, 50 on hand."""
    item = make.ItemFactory.create()
    make.MovementFactory.create(item=item, quantity=50, source=supplier, destination=store)
    return item


def at_once(jobs: list[Callable[[], Any]], *, threads: int = THREADS) -> list[Any]:
    """Run the jobs in threads that all start together; each answers with its value or its exception."""
    gate = threading.Barrier(threads)
    shares = [jobs[n::threads] for n in range(threads)]

    def work(share: list[Callable[[], Any]]) -> list[Any]:
        answers = []
        try:
            gate.wait(timeout=20)
            for job in share:
                try:
                    answers.append(job())
                except Exception as error:
                    answers.append(error)
        finally:
            connection.close()
        return answers

    with ThreadPoolExecutor(threads) as pool:
        return [answer for answers in pool.map(work, shares) for answer in answers]


@pytest.fixture
def many(transactional_db: None) -> Iterator[int]:
    """Connections for 32 posters; the pool has as many as a web process has threads."""
    pool = connection.settings_dict["OPTIONS"]["pool"]
    usual = pool["max_size"]
    connection.close()
    connection.close_pool()
    pool["max_size"] = 34
    yield 32
    connection.close()
    connection.close_pool()
    pool["max_size"] = usual


def test_posting_alone_is_one_statement(hot: Item, store: Location, second: Location, keeper: User) -> None:
    """Not even a BEGIN or SAVEPOINT beside the INSERT, nor for a promise."""
    with CaptureQueriesContext(connection) as seen:
        services.record_movement(
            hot, quantity=1, source=store, destination=second, kind=Movement.Kind.TRANSFER, by=keeper
        )
        services.reserve(hot, store, quantity=2, needed_on=timezone.localdate(), reference="visit 1", by=keeper)
    assert [query["sql"].split()[:3] for query in seen.captured_queries] == [
        ["INSERT", "INTO", '"stock_movement"'], ["INSERT", "INTO", '"stock_reservation"']
    ]


def test_refusal_alone_leaves_the_connection_usable(
    hot: Item, store: Location, second: Location, keeper: User
) -> None:
    with pytest.raises(Conflict, match="holds 50 pc"):
        services.record_movement(
            hot, quantity=51, source=store, destination=second, kind=Movement.Kind.TRANSFER, by=keeper
        )
    assert on_hand(hot, store) == 50


def test_everybody_at_one_item_at_once(
    hot: Item, supplier: Location, store: Location, second: Location, home: Branch, keeper: User, many: int
) -> None:
    """32 posters of receipts with costs, transfers both ways, scrap, corrections and promises, all of one item."""
    other_supplier = make.SuppliersPlaceFactory.create(code="supplier-2")
    scrap = make.ScrapPlaceFactory.create()
    van = make.LocationFactory.create(branch=home, kind="van")
    held = [store, van, second]
    before = set(Movement.objects.values_list("pk", flat=True))
    day = timezone.localdate()

    accepted: list[Movement] = []

    def receive(chance: random.Random) -> Movement:
        made = services.post_movement(
            hot, quantity=chance.randint(1, 4), source=chance.choice([supplier, other_supplier]),
            destination=chance.choice(held), kind="receive", by=keeper, unit_cost=Decimal(chance.randint(1, 900)) / 100,
        )
        accepted.append(made)
        return made

    def transfer(chance: random.Random) -> None:
        source, destination = chance.sample(held, 2)
        accepted.append(services.post_movement(
            hot, quantity=chance.randint(1, 6), source=source, destination=destination, kind="transfer", by=keeper
        ))

    def throw_away(chance: random.Random) -> None:
        accepted.append(services.post_movement(
            hot, quantity=chance.randint(1, 6), source=chance.choice(held), destination=scrap, kind="scrap", by=keeper
        ))

    def take_back(chance: random.Random) -> None:
        accepted.append(services.correct_movement(receive(chance), by=keeper, note="typed wrong"))

    def use(chance: random.Random) -> None:
        source, destination = chance.sample(held, 2)
        made = services.reserve(hot, source, quantity=chance.randint(1, 3), needed_on=day, reference="v", by=keeper)
        accepted.extend(services.use_reservation(made, destination=destination, by=keeper))

    def promise(chance: random.Random) -> None:
        made = services.reserve(hot, chance.choice(held), quantity=1, needed_on=day, reference="v", by=keeper)
        if chance.random() < 0.8:
            services.release_reservation(made, by=keeper)

    acts: list[Callable[[random.Random], object]] = [
        receive, transfer, transfer, throw_away, take_back, use, promise
    ]
    chances = [random.Random(n) for n in range(many * 14)]
    answers = at_once(
        [lambda act=act, chance=chance: act(chance) for act, chance in zip(cycle(acts), chances, strict=False)],
        threads=many,
    )

    refused = [answer for answer in answers if isinstance(answer, Exception)]
    assert [(type(e), e.field, bool(e.remedy)) for e in refused] == [(Conflict, "quantity", True)] * len(refused)
    made = set(Movement.objects.values_list("pk", flat=True)) - before
    assert sorted(movement.pk for movement in accepted) == sorted(made)
    for place in [*held, supplier, other_supplier, scrap]:
        came = Movement.objects.filter(item=hot, destination=place).aggregate(n=Sum("quantity"))["n"] or 0
        went = Movement.objects.filter(item=hot, source=place).aggregate(n=Sum("quantity"))["n"] or 0
        assert on_hand(hot, place) == came - went
        assert place not in held or came - went >= 0
    open_now = Reservation.objects.filter(state="open").values("location").annotate(n=Sum("quantity"))
    promised = {row["location"]: row["n"] for row in open_now}
    assert [balance(hot, place)[1] for place in held] == [promised.get(place.pk, 0) for place in held]
    check_averages(hot)


def check_averages(item: Item) -> None:
    """One step for each receipt and each one taken back, each from the one before it."""
    steps = list(ItemCost.objects.filter(item=item).order_by("id"))
    assert len(steps) == Movement.objects.filter(item=item, unit_cost__isnull=False).count()
    last = steps[0].unit_cost
    for step in steps:
        after = step.held_before + step.quantity
        if step is not steps[0] and after > 0:
            last = max((step.held_before * last + step.quantity * step.unit_cost) / after, Decimal(0))
        assert abs(step.average - last) <= Decimal("0.000001")
        last = step.average


def test_receipts_and_corrections_of_one_order_do_not_deadlock(
    supplier: Location, store: Location, keeper: User, many: int
) -> None:
    """A correction opens its order line again, which holds the balance, before it takes back the cost."""
    item = make.ItemFactory.create()
    firm = make.SupplierFactory.create(location=supplier)
    order = services.make_order(supplier=firm, destination=store, lines={item: 500}, by=keeper)
    services.place_order(order, by=keeper)
    received = [
        services.post_movement(item, quantity=1, source=supplier, destination=store, kind="receive", by=keeper,
                               reference=order.number, unit_cost=Decimal(2))
        for _ in range(60)
    ]
    order.lines.update(received=60)
    corrections = [lambda m=m: services.correct_movement(m, by=keeper, note="wrong") for m in received]
    receipts = [
        lambda: services.post_movement(item, quantity=1, source=supplier, destination=store, kind="receive",
                                       by=keeper, unit_cost=Decimal(3))
    ] * 60
    answers = at_once([job for pair in zip(corrections, receipts, strict=True) for job in pair], threads=many)
    assert [a for a in answers if isinstance(a, Exception)] == []
    assert (on_hand(item, store), order.lines.get().received) == (60, 0)
    check_averages(item)


class Crossing:
    """Two transactions that take two items' balances in opposite orders: one of them must give way."""

    def __init__(self, hot: Item, other: Item, store: Location, second: Location, keeper: User) -> None:
        self.gate = threading.Barrier(2)
        self.tried = 0

        def move(item: Item) -> Movement:
            return services.post_movement(item, quantity=1, source=store, destination=second, kind="transfer",
                                          by=keeper)

        def both(first: Item, then: Item) -> Callable[[], list[Movement]]:
            def act() -> list[Movement]:
                with transaction.atomic():
                    self.tried += 1
                    made = [move(first)]
                    if self.tried <= 2:
                        self.gate.wait(timeout=20)
                    return [*made, move(then)]

            return act

        self.jobs = [both(hot, other), both(other, hot)]


@pytest.fixture
def crossing(hot: Item, supplier: Location, store: Location, second: Location, keeper: User) -> Crossing:
    other = make.ItemFactory.create()
    make.MovementFactory.create(item=other, quantity=50, source=supplier, destination=store)
    return Crossing(hot, other, store, second, keeper)


def test_deadlock_in_a_longer_transaction_is_a_clear_refusal(crossing: Crossing, hot: Item, store: Location) -> None:
    answers = at_once(crossing.jobs, threads=2)
    assert Counter(type(a) for a in answers) == {list: 1, Busy: 1}
    (busy,) = (a for a in answers if isinstance(a, Busy))
    assert str(busy) == (
        "Others are changing the same records at this moment, so nothing was done. "
        "Wait a few seconds and send it again."
    )
    assert busy.status == 409
    assert on_hand(hot, store) == 49


def test_service_that_loses_a_deadlock_tries_again(crossing: Crossing, hot: Item, store: Location) -> None:
    answers = at_once([again(job) for job in crossing.jobs], threads=2)
    assert [type(a) for a in answers] == [list, list]
    assert crossing.tried == 3
    assert on_hand(hot, store) == 48


def test_lock_that_is_held_too_long_is_a_clear_refusal(
    hot: Item, store: Location, second: Location, keeper: User
) -> None:
    def hurried() -> Movement:
        with connection.cursor() as cursor:
            cursor.execute("SET lock_timeout = '150ms'")
            try:
                return services.record_movement(
                    hot, quantity=1, source=store, destination=second, kind="transfer", by=keeper
                )
            finally:
                cursor.execute("RESET lock_timeout")

    with transaction.atomic():
        list(hot.balances.select_for_update())
        (answer,) = at_once([hurried], threads=1)
    assert type(answer) is Busy
    assert on_hand(hot, store) == 50


def test_fifty_on_hand_leave_exactly_fifty_times(hot: Item, store: Location, second: Location, keeper: User) -> None:
    def take() -> Movement:
        return services.record_movement(
            hot, quantity=1, source=store, destination=second, kind=Movement.Kind.TRANSFER, by=keeper
        )

    answers = at_once([take] * 80)

    assert Counter(type(answer) for answer in answers) == {Movement: 50, Conflict: 30}
    assert (on_hand(hot, store), on_hand(hot, second)) == (0, 50)
    assert Movement.objects.filter(kind=Movement.Kind.TRANSFER).count() == 50


def test_opposite_transfers_do_not_deadlock(hot: Item, store: Location, second: Location, keeper: User) -> None:
    make.MovementFactory.create(item=hot, quantity=50, source=store, destination=second, kind="transfer")
    make.MovementFactory.create(item=hot, quantity=50, source=make.SuppliersPlaceFactory.create(), destination=store)

    def between(source: Location, destination: Location) -> Callable[[], Movement]:
        return lambda: services.post_movement(
            hot, quantity=1, source=source, destination=destination, kind=Movement.Kind.TRANSFER, by=keeper
        )

    started = time.monotonic()
    answers = at_once([between(store, second), between(second, store)] * 120)

    assert [a for a in answers if isinstance(a, Exception)] == []
    assert (on_hand(hot, store), on_hand(hot, second)) == (50, 50)
    # PostgreSQL looks for a deadlock only after a second of waiting; nobody waited that long.
    assert time.monotonic() - started < 60


def test_first_stock_of_an_item_arrives_from_all_sides(keeper: User, supplier: Location, store: Location) -> None:
    item = make.ItemFactory.create()
    answers = at_once(
        [lambda: services.post_movement(item, quantity=1, source=supplier, destination=store,
                                        kind=Movement.Kind.RECEIVE, by=keeper)] * 16
    )
    assert [a for a in answers if isinstance(a, Exception)] == []
    assert balance(item, store) == (16, 0, 0, 0)


def test_serial_goes_to_one_of_many(home: Branch, keeper: User, supplier: Location, store: Location) -> None:
    serial = make.SerialFactory.create()
    make.MovementFactory.create(item=serial.item, source=supplier, destination=store, serial=serial)
    vans = [make.LocationFactory.create(branch=home) for _ in range(THREADS)]

    def take(van: Location) -> Callable[[], Movement]:
        return lambda: services.record_movement(
            serial.item, quantity=1, source=store, destination=van, kind=Movement.Kind.TRANSFER, by=keeper,
            serial=serial,
        )

    answers = at_once([take(van) for van in vans])

    assert Counter(type(answer) for answer in answers) == {Movement: 1, Conflict: THREADS - 1}
    (moved,) = (a for a in answers if isinstance(a, Movement))
    serial.refresh_from_db()
    assert serial.location_id == moved.destination_id


def test_reservations_and_movements_share_what_is_there(
    hot: Item, store: Location, second: Location, keeper: User
) -> None:
    def promise() -> Reservation:
        return services.reserve(hot, store, quantity=2, needed_on=timezone.localdate(), reference="visit 1", by=keeper)

    def take() -> Movement:
        return services.record_movement(
            hot, quantity=2, source=store, destination=second, kind=Movement.Kind.TRANSFER, by=keeper
        )

    answers = at_once([promise, take] * 24)

    # 48 wishes of 2 for 50 pieces: 25 are met, whoever comes first.
    assert Counter(isinstance(answer, Conflict) for answer in answers) == {False: 25, True: 23}
    left, reserved, _, _ = balance(hot, store)
    assert left == reserved == 2 * sum(isinstance(a, Reservation) for a in answers)


def test_reservation_is_used_or_released_once(hot: Item, store: Location, second: Location, keeper: User) -> None:
    made = services.reserve(hot, store, quantity=4, needed_on=timezone.localdate(), reference="visit 1", by=keeper)

    answers = at_once([
        lambda: services.use_reservation(made, destination=second, by=keeper),
        lambda: services.release_reservation(Reservation.objects.get(pk=made.pk), by=keeper),
    ] * 4)

    assert sum(isinstance(a, Conflict) for a in answers) == 7
    used = Reservation.objects.get(pk=made.pk).state == "used"
    assert balance(hot, store) == ((46 if used else 50), 0, 0, 0)


def test_using_reservations_against_returns_does_not_deadlock(
    hot: Item, store: Location, second: Location, keeper: User
) -> None:
    """The reservation's row locks the store's balance; a transfer towards the store comes from the other side."""
    make.MovementFactory.create(item=hot, quantity=20, source=make.SuppliersPlaceFactory.create(), destination=second)
    day = timezone.localdate()
    for here, there in ((store, second), (second, store)):
        made = [services.reserve(hot, here, quantity=1, needed_on=day, reference="v", by=keeper) for _ in range(12)]
        uses = [lambda r=r, there=there: services.use_reservation(r, destination=there, by=keeper) for r in made]
        returns = [
            lambda here=here, there=there: services.post_movement(
                hot, quantity=1, source=there, destination=here, kind=Movement.Kind.TRANSFER, by=keeper
            )
        ] * 12
        answers = at_once([job for pair in zip(uses, returns, strict=True) for job in pair])
        assert [a for a in answers if isinstance(a, Exception)] == []
    assert (on_hand(hot, store), on_hand(hot, second)) == (50, 20)


def test_order_line_is_received_no_more_than_ordered(keeper: User, store: Location) -> None:
    item = make.ItemFactory.create()
    order = make.OrderFactory.create(destination=store)
    line = make.OrderLineFactory.create(order=order, item=item, quantity=10)

    answers = at_once([lambda: services.receive_order_line(line, quantity=2, by=keeper)] * 8)

    assert Counter(type(a) for a in answers) == {list: 5, Conflict: 3}
    assert balance(item, store) == (10, 0, 0, 0)
    order.refresh_from_db()
    assert order.state == Order.State.RECEIVED


def test_line_added_while_the_order_is_placed_is_counted(keeper: User, store: Location) -> None:
    """Whichever comes first, on order is what the lines say."""
    for _ in range(6):
        items = [make.ItemFactory.create() for _ in range(THREADS)]
        order = make.OrderFactory.create(destination=store, state="draft", ordered_on=None, expected_on=None)
        make.OrderLineFactory.create(order=order, item=items[0], quantity=3)
        answers = at_once(
            [lambda order=order: services.place_order(order, by=keeper)]
            + [lambda order=order, item=item: order.lines.create(item=item, quantity=3) for item in items[1:]]
        )
        assert [a for a in answers if isinstance(a, Exception)] == []
        assert [balance(item, store)[3] for item in items] == [3] * THREADS


def post(user: User, body: dict[str, Any], key: str) -> Callable[[], tuple[int, Any, bool]]:
    def send() -> tuple[int, Any, bool]:
        answer = api_client(user).post("/api/movements/", body, headers={"Idempotency-Key": key})
        return answer.status_code, answer.json(), answer.get("Idempotency-Replayed") == "true"

    return send


@pytest.fixture
def move(hot: Item, store: Location, second: Location) -> dict[str, Any]:
    return {"item": hot.pk, "quantity": 3, "source": store.pk, "destination": second.pk, "kind": "transfer"}


def test_same_key_at_once_posts_once_and_answers_alike(
    move: dict[str, Any], hot: Item, store: Location, keeper: User
) -> None:
    answers = at_once([post(keeper, move, "key-1")] * THREADS)

    assert Counter(code for code, _, _ in answers) == {201: THREADS}
    assert [body for _, body, _ in answers] == [answers[0][1]] * THREADS
    assert Counter(replayed for _, _, replayed in answers) == {False: 1, True: THREADS - 1}
    assert Movement.objects.filter(kind="transfer").count() == 1
    assert on_hand(hot, store) == 47


def test_different_body_under_one_key_is_refused(move: dict[str, Any], keeper: User) -> None:
    bodies = [move | {"quantity": n % 2 + 1} for n in range(THREADS)]
    answers = at_once([post(keeper, body, "key-1") for body in bodies])

    assert Counter(code for code, _, _ in answers) == {201: THREADS // 2, 422: THREADS // 2}
    assert Movement.objects.filter(kind="transfer").count() == 1


def test_page_form_sent_twice_at_once_posts_once(hot: Item, store: Location, second: Location, keeper: User) -> None:
    content = {"source": store.pk, "destination": second.pk, "quantity": 3}

    def click() -> tuple[Movement, bool]:
        return services.post_once(
            lambda: services.record_movement(
                hot, quantity=3, source=store, destination=second, kind=Movement.Kind.TRANSFER, by=keeper
            ),
            by=keeper, token="t-1", content=content,
        )

    answers = at_once([click] * THREADS)

    assert Counter(fresh for _, fresh in answers) == {True: 1, False: THREADS - 1}
    assert len({movement.pk for movement, _ in answers}) == 1
    assert on_hand(hot, store) == 47
