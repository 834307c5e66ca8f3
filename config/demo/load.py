"""Loading the invented firm: the catalogue and people once, then part by part of 250 sites."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import nullcontext
from datetime import date
from random import Random

from django.db import connection, transaction

from config.accounts.models import Branch, Firm
from config.accounts.rights import Role
from config.demo.aside import load_aside
from config.demo.awkward import awkward_plans
from config.demo.catalogue import Catalogue, load_catalogue
from config.demo.counting import find_one_more, load_counts
from config.demo.diary import Diary
from config.demo.firm import FIRM_NAME, People, load_firm, more_crews
from config.demo.history import write_history
from config.demo.orders import load_orders
from config.demo.planning import plan_ahead
from config.demo.record import backdate, quiet
from config.demo.shelves import fill_shelves, reserve
from config.demo.sites import Builder, Built, ordinary_plan
from config.demo.stockroom import Stockroom
from config.demo.transfers import load_transfers
from config.errors import Conflict, InvalidInput
from installs.models import Circuit, CircuitPlace, Customer, Device, Panel, PowerFeed, Site, System
from installs.services.supply import install_standby_rules
from maintenance.models import Visit
from stock.models import Serial

SITES_AT_SCALE_ONE = 250
PART = 250
# Above this scale each part is a transaction of its own.
ONE_TRANSACTION_UP_TO = 5.0
BATCH = 1000

Progress = Callable[[int, int], None]


def is_loaded() -> bool:
    """Whether the demo firm is complete: its firm row is written last."""
    return Firm.objects.filter(pk=1).exists()


def load_demo(*, scale: float, seed: int, today: date, progress: Progress = lambda done, total: None) -> Counter[str]:
    """Write the invented firm; returns counts of what was written, by noun.

    The same seed and business date give the same firm. Up to scale 5 it is one transaction. `progress` is called
    with sites done and sites in all. Raises InvalidInput for a scale that is too small or too large, Conflict when
    the database holds another firm's data or a part of an earlier load.
    """
    if not 0.01 <= scale <= 1000:
        raise InvalidInput("The scale must be from 0.01 to 1000.", field="scale", value=scale,
                           remedy="1 is about 250 sites, 400 about 100,000.")
    if Branch.objects.exists():
        raise Conflict("The database already holds records, but not the whole demo firm.", field="database",
                       value=connection.settings_dict["NAME"],
                       remedy="Use an empty database, or start anew with: manage.py demo --fresh")
    whole = scale <= ONE_TRANSACTION_UP_TO
    total = max(round(SITES_AT_SCALE_ONE * scale), len(awkward_plans(today)) + 2)
    counts: Counter[str] = Counter()
    with transaction.atomic() if whole else nullcontext():
        with transaction.atomic():
            catalogue = load_catalogue(today)
            people = load_firm(today)
            install_standby_rules()
        for chunk, start in enumerate(range(0, total, PART)):
            size = min(PART, total - start)
            with transaction.atomic():
                counts += _part(catalogue, people, chunk=chunk, start=start, size=size, seed=seed, today=today)
            progress(start + size, total)
        Firm.objects.create(pk=1, name=FIRM_NAME)
    return counts


def _part(
    catalogue: Catalogue, people: People, *, chunk: int, start: int, size: int, seed: int, today: date
) -> Counter[str]:
    """Write one part of the firm, from its own random source: parts do not depend on one another."""
    random = Random(f"{seed}:{chunk}")  # noqa: S311 - invented data
    crews = people.crews if chunk == 0 else more_crews(people, chunk, random, today)
    builder = Builder(catalogue, people, random, today)
    plans = awkward_plans(today) if chunk == 0 else []
    while len(plans) < size:
        plans.append(ordinary_plan(start + len(plans) + 1, random, today))
    for plan in plans:
        builder.add(plan)
    built = builder.built
    diary = Diary(people, crews, random, today)
    diary.fill(built.plans, built.sites)
    stops = sorted(diary.stops, key=lambda stop: (stop.starts, stop.crew.van.code))
    visits = [stop.visit(people.office[Role.SCHEDULER]) for stop in stops]
    with quiet():
        _write(built)
        Visit.objects.bulk_create(visits, batch_size=BATCH)
    backdate(built, stops, visits)
    counts = Counter(write_history(built, stops, visits, seed=seed))
    room = Stockroom(catalogue, people, crews, random, today, chunk)
    room.fittings(built)
    if chunk == 0:
        room.price_lists()
        fill_shelves(room, crews)
        find_one_more(room)
    counts["movements"] = room.ledger.write()
    if chunk == 0:
        counts["reservations"] = reserve(room, visits, [stop.crew.branch for stop in stops])
        counts["weeks of past demand"] = plan_ahead(people.stores, seed=seed, today=today)
        counts["orders to look at"] = load_orders(catalogue, people, today)
        counts["transfers"] = load_transfers(people, today)
        counts["set aside"] = load_aside(people, today)
        counts["counts"] = load_counts(people, today)
    counts.update(
        sites=len(built.sites), circuits=len(built.circuits), devices=len(built.devices), visits=len(visits)
    )
    return counts


def _write(built: Built) -> None:
    """In the order in which the records point at one another."""
    Customer.objects.bulk_create(built.customers, batch_size=BATCH)
    Site.objects.bulk_create(built.sites, batch_size=BATCH)
    System.objects.bulk_create(built.systems, batch_size=BATCH)
    Panel.objects.bulk_create(built.panels, batch_size=BATCH)
    Serial.objects.bulk_create(built.serials, batch_size=BATCH)
    Device.objects.bulk_create([pair.old for pair in built.earlier], batch_size=BATCH)
    Device.objects.bulk_create(built.devices, batch_size=BATCH)
    Circuit.objects.bulk_create(built.circuits, batch_size=BATCH)
    CircuitPlace.objects.bulk_create(built.places, batch_size=BATCH)
    PowerFeed.objects.bulk_create(built.feeds, batch_size=BATCH)
