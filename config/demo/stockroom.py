"""The ledger of three years: what was ordered, received, taken out in vans, fitted, taken down and scrapped."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from random import Random

from django.db import connection

from config.accounts.models import User
from config.accounts.rights import Role
from config.demo.catalogue import Catalogue
from config.demo.diary import first_of, month_number
from config.demo.firm import Crew, People, local
from config.demo.prices import price_lists, price_of
from config.demo.sites import HISTORY_YEARS, Built
from installs.models import Device
from stock.models import Item, Location, Movement, Order, OrderLine, Serial, Supplier

BATCH = 1000


@dataclass
class Ledger:
    """Movements to be, put in order of time before they are written, so that nothing leaves before it came."""

    today: date
    movements: list[Movement] = field(default_factory=list)

    def post(
        self, kind: str, item: Item, source: Location, destination: Location, at: datetime, by: User, *,
        quantity: int = 1, serial: Serial | None = None, reference: str = "", note: str = "", batch: str = "",
    ) -> None:
        cost = price_of(item, at, local(self.today, 12)) if kind == Movement.Kind.RECEIVE else None
        self.movements.append(
            Movement(
                unit_cost=cost,
                kind=kind, item=item, source=source, destination=destination, at=at, posted_by=by, quantity=quantity,
                serial=serial, reference=reference, note=note, batch=batch,
            )
        )

    def write(self) -> int:
        """Post everything in order of time; returns the number of movements.

        One statement holds a serial once: the database checks each row against where the serial was before
        the statement.
        """
        with connection.cursor() as cursor:
            # Left unset, each trigger would fail to read it in a subtransaction of its own, and each of those goes
            # through every constraint check that waits for the commit: minutes instead of seconds.
            cursor.execute("SET LOCAL pgtrigger.ignore = '{}'")
        batch: list[Movement] = []
        serials: set[int] = set()
        size = BATCH // 20
        for movement in sorted(self.movements, key=lambda movement: movement.at):
            serial = id(movement.serial) if movement.serial is not None else 0
            if serial in serials or len(batch) == size:
                Movement.objects.bulk_create(batch)
                if size < BATCH:
                    # The triggers' plans were made while the tables were empty; let them choose their index anew.
                    with connection.cursor() as cursor:
                        cursor.execute("ANALYZE stock_serial, stock_item, stock_location, stock_balance")
                    size = BATCH
                batch, serials = [], set()
            batch.append(movement)
            if serial:
                serials.add(serial)
        Movement.objects.bulk_create(batch)
        return len(self.movements)


@dataclass
class Fitting:
    """One day's fitting at one site."""

    crew: Crew
    reference: str
    serials: list[Serial] = field(default_factory=list)
    parts: Counter[int] = field(default_factory=Counter)  # by key of the item


class Stockroom:
    """Writes the movements of one part of the firm."""

    def __init__(
        self, catalogue: Catalogue, people: People, crews: Sequence[Crew], random: Random, today: date, chunk: int
    ) -> None:
        self.catalogue, self.people, self.crews, self.random = catalogue, people, crews, random
        self.today, self.chunk = today, chunk
        self.opening = today - timedelta(days=round(365.25 * HISTORY_YEARS))
        self.ledger = Ledger(today)
        self.items: dict[int, Item] = {}
        self.stores_user = people.office[Role.STORES]

    def fittings(self, built: Built) -> None:
        """Everything that was fitted: what hung before the record began enters in one movement each."""
        branch_of = {id(system): plan.branch for system, plan in zip(built.systems, built.plans, strict=True)}
        reference_of = {
            id(system): f"site {plan.reference}" for system, plan in zip(built.systems, built.plans, strict=True)
        }
        days: dict[tuple[date, str], Fitting] = {}
        for pair in built.earlier:
            if pair.old.fitted_on < self.opening:
                self._carry_over(pair.old)
            else:
                self._fit(pair.old, branch_of, reference_of, days, complete=True)
        renewed = {id(pair.new) for pair in built.earlier}
        for device in built.devices:
            if device.fitted_on < self.opening:
                self._carry_over(device)
            else:
                self._fit(device, branch_of, reference_of, days, complete=id(device) not in renewed)
        needs: dict[tuple[str, int], list[tuple[date, Fitting]]] = defaultdict(list)
        for (day, _), fitting in sorted(days.items(), key=lambda entry: entry[0]):
            self._take_out_and_fit(day, fitting)
            needs[fitting.crew.branch, month_number(day)].append((day, fitting))
        for (branch, number), fitted in sorted(needs.items()):
            self._receive(branch, number, [fitting for _, fitting in fitted])
        for pair in built.earlier:
            self._take_down(pair.old, branch_of[id(pair.old.system)], reference_of[id(pair.old.system)])

    def _carry_over(self, device: Device) -> None:
        assert device.serial is not None
        self.ledger.post(
            Movement.Kind.FIT, device.serial.item, self.supplier_of(device.serial.item).location,
            self.people.sites_place, local(self.opening, 7), self.stores_user, serial=device.serial,
            note="Taken over when the record began.",
        )

    def _fit(
        self, device: Device, branch_of: dict[int, str], reference_of: dict[int, str],
        days: dict[tuple[date, str], Fitting], *, complete: bool,
    ) -> None:
        """Note a device's parts for its day; `complete` with backplate and board, else the cover alone."""
        assert device.serial is not None
        key = (device.fitted_on, reference_of[id(device.system)])
        if key not in days:
            branch = branch_of[id(device.system)]
            crew = self.random.choice([crew for crew in self.crews if crew.branch == branch])
            days[key] = Fitting(crew, key[1])
        fitting = days[key]
        fitting.serials.append(device.serial)
        parts = [device.backplate.item, device.board.item if device.board else None] if complete else []
        for item in parts:
            if item is not None:
                self.items[item.pk] = item
                fitting.parts[item.pk] += 1

    def _take_out_and_fit(self, day: date, fitting: Fitting) -> None:
        crew, store = fitting.crew, self.people.stores[fitting.crew.branch]
        out, fit = local(day - timedelta(days=1), 16), local(day, 11)
        for serial in fitting.serials:
            item = serial.item
            self.ledger.post(Movement.Kind.TRANSFER, item, store, crew.van, out, self.stores_user, serial=serial,
                             reference=fitting.reference)
            self.ledger.post(Movement.Kind.FIT, item, crew.van, self.people.sites_place, fit, crew.user,
                             serial=serial, reference=fitting.reference)
        spare = self.random.random() < 0.1
        for key, quantity in sorted(fitting.parts.items()):
            item = self.items[key]
            self.ledger.post(Movement.Kind.TRANSFER, item, store, crew.van, out, self.stores_user,
                             quantity=quantity + spare, reference=fitting.reference)
            self.ledger.post(Movement.Kind.FIT, item, crew.van, self.people.sites_place, fit, crew.user,
                             quantity=quantity, reference=fitting.reference)
            if spare:
                self.ledger.post(Movement.Kind.TRANSFER, item, crew.van, store, local(day, 17), crew.user,
                                 reference=fitting.reference, note="Not needed, returned.")
                fitting.parts[key] += 1

    def _receive(self, branch: str, number: int, fitted: Sequence[Fitting]) -> None:
        """One order to each supplier for the month's fitting, received before the month begins."""
        serials = [serial for fitting in fitted for serial in fitting.serials]
        parts: Counter[int] = Counter()
        for fitting in fitted:
            parts.update(fitting.parts)
        wanted: Counter[int] = Counter(parts)
        for serial in serials:
            self.items[serial.item_id] = serial.item
            wanted[serial.item_id] += 1
        arrives = first_of(number) - timedelta(days=8)
        store = self.people.stores[branch]
        for position, supplier in enumerate(self.people.suppliers):
            mine = {k: count for k, count in sorted(wanted.items()) if self.supplier_of(self.items[k]) is supplier}
            if not mine:
                continue
            code = f"PO-{first_of(number):%y%m}-{branch[0]}{position}-{self.chunk}"
            self.order(code, supplier, store, Order.State.RECEIVED, arrives,
                       [(self.items[key], count, count) for key, count in mine.items()])
            for key in mine:
                if parts[key]:
                    self.ledger.post(Movement.Kind.RECEIVE, self.items[key], supplier.location, store,
                                     local(arrives, 9), self.stores_user, quantity=parts[key], reference=code)
            for serial in serials:
                if serial.item_id in mine:
                    self.ledger.post(Movement.Kind.RECEIVE, serial.item, supplier.location, store,
                                     local(arrives, 9), self.stores_user, serial=serial, reference=code)

    def _take_down(self, device: Device, branch: str, reference: str) -> None:
        """Old detectors go by van into quarantine and, after a look, to scrap."""
        assert device.removed_on is not None
        assert device.serial is not None
        crew = self.random.choice([crew for crew in self.crews if crew.branch == branch])
        item, day, quarantine = device.serial.item, device.removed_on, self.people.quarantine[branch]
        steps = (
            (Movement.Kind.REMOVE, self.people.sites_place, crew.van, day, 10, crew.user),
            (Movement.Kind.TRANSFER, crew.van, quarantine, day + timedelta(days=1), 8, crew.user),
            (Movement.Kind.SCRAP, quarantine, self.people.scrap, day + timedelta(days=15), 14, self.stores_user),
        )
        for kind, source, destination, when, hour, user in steps:
            if when < self.today:
                self.ledger.post(kind, item, source, destination, local(when, hour), user, serial=device.serial,
                                 reference=reference)

    def order(
        self, number: str, supplier: Supplier, store: Location, state: str, expected: date,
        lines: Sequence[tuple[Item, int, int]],
    ) -> Order:
        """An order with its lines: item, quantity, and how much of it was received."""
        ordered = expected - timedelta(days=supplier.lead_time_days)
        order = Order.objects.create(
            number=number, supplier=supplier, destination=store, state=state, ordered_on=ordered,
            expected_on=expected, made_by=self.stores_user, made_at=local(ordered, 10),
        )
        OrderLine.objects.bulk_create(
            OrderLine(
                order=order, item=item, quantity=count, received=received,
                unit_price=price_of(item, local(ordered, 12), local(self.today, 12)),
            )
            for item, count, received in lines
        )
        return order

    def price_lists(self) -> None:
        """What each supplier asks for what the firm buys of it."""
        items = list(Item.objects.exclude(variant__discontinued_on__isnull=False).order_by("pk"))
        price_lists(items, self.supplier_of, local(self.today, 12))

    def supplier_of(self, item: Item) -> Supplier:
        """Each item has one usual supplier: covers and backplates the first, boards and inserts the second."""
        kinds = {Item.Kind.COVER: 0, Item.Kind.BACKPLATE: 0, Item.Kind.BOARD: 1, Item.Kind.INSERT: 1}
        return self.people.suppliers[kinds.get(Item.Kind(item.kind), 2)]

