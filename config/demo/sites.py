"""Sites of the invented firm as records not yet written: who, where, which detectors, how set and wired."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random
from typing import Any

from config.demo.catalogue import Catalogue
from config.demo.firm import BRANCH_TOWNS, People
from config.demo.names import (
    ACCESS,
    CAUTIONS,
    CORNERS,
    FIRST_NAMES,
    LAST_NAMES,
    ROOMS,
    STREETS,
    TOWNS,
    TRADES,
    place_of,
    postcode,
)
from config.demo.ranges import VariantRow
from config.demo.schemas import PET_KG, RANGE_M, Features, factory_settings
from config.demo.wiring import (
    SCHEMES,
    Circuits,
    Scheme,
    cable_for,
    land,
    mask_terminals,
    needs_mask_terminals,
    resistors,
)
from installs.models import Circuit, CircuitPlace, Customer, Device, Panel, PowerFeed, Site, System
from stock.models import CableType, Item, Serial

HISTORY_YEARS = 3
# What stays on the wall when a detector is changed for one of the same kind.
_KEPT = (
    "system", "mark", "position", "variant", "backplate", "board", "hand_wired", "signalling_wires", "cable_type",
    "core_landings",
)


@dataclass
class Group:
    """Devices of one site that are wired alike. None leaves the choice to the generator."""

    scheme: Scheme
    count: int
    style: str | None = None
    board: str | None = None
    variant: str | None = None
    cable: str | None = None
    backplate: int | None = None
    fitted_on: date | None = None
    settings: dict[str, Any] = field(default_factory=dict)


@dataclass
class Plan:
    """A site to be. `lapsed` leaves its last full visit undone; `failing` lets its devices' last walk tests fail."""

    reference: str
    name: str
    branch: str
    town: int
    grade: int
    panel: str
    contract: str
    in_use_since: date
    groups: list[Group]
    environmental_class: int = 2
    cautions: str = ""
    lapsed: bool = False
    failing: int = 0
    # mark, fed from (empty: the panel), metres, cable, cores per pole
    feeds: tuple[tuple[str, str, float, str, int], ...] = ()
    battery_ah: int | None = None
    drift_ohm_per_year: float = 0.0  # of the first circuit


@dataclass
class Earlier:
    """A detector that was taken down, and the one that took its place."""

    old: Device
    new: Device


@dataclass
class Built:
    """Records of one part of the firm, in the order in which they are written."""

    plans: list[Plan] = field(default_factory=list)
    customers: list[Customer] = field(default_factory=list)
    sites: list[Site] = field(default_factory=list)
    systems: list[System] = field(default_factory=list)
    panels: list[Panel] = field(default_factory=list)
    serials: list[Serial] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)
    circuits: list[Circuit] = field(default_factory=list)
    places: list[CircuitPlace] = field(default_factory=list)
    feeds: list[PowerFeed] = field(default_factory=list)
    ohm: dict[int, float] = field(default_factory=dict)  # by id() of the circuit
    wrong: set[int] = field(default_factory=set)  # id() of circuits with a board for another panel
    earlier: list[Earlier] = field(default_factory=list)
    changes: list[tuple[Device, dict[str, Any], date]] = field(default_factory=list)  # settings before that day


def ordinary_plan(index: int, random: Random, today: date) -> Plan:
    """A site like most: the grade, panel, age and size of a usual customer."""
    grade = random.choices((1, 2, 3), (10, 63, 27))[0]
    panel = {
        1: ("KH-8", "DM-12"), 2: ("KH-8", "KH-24", "HS-32", "DM-12"), 3: ("KH-24", "HS-32", "KH-24"),
    }[grade]
    chosen = random.choice(panel)
    schemes = SCHEMES[chosen, grade >= 3]
    count = {1: random.randint(3, 5), 2: random.randint(4, 11), 3: random.randint(7, 15)}[grade]
    if random.random() < 0.25 and count > 4:
        part = random.randint(2, count - 2)
        groups = [Group(random.choice(schemes), part), Group(random.choice(schemes), count - part)]
    else:
        groups = [Group(random.choice(schemes), count)]
    town = random.randrange(len(TOWNS))
    age = random.uniform(0.1, 3) if random.random() < 0.35 else random.uniform(3, 13)
    return Plan(
        reference=f"S{index:06d}",
        name=f"{random.choice(LAST_NAMES)} {random.choice(TRADES)}",
        branch="ELL" if town < BRANCH_TOWNS["SKB"] else "SKB",
        town=town,
        grade=grade,
        panel=chosen,
        contract="signalled" if grade == 3 or random.random() < 0.5 else "audible",
        in_use_since=today - timedelta(days=round(age * 365.25)),
        groups=groups,
        environmental_class=random.choices((1, 2, 3), (15, 78, 7))[0],
        cautions=random.choice(CAUTIONS) if random.random() < 0.3 else "",
        lapsed=random.random() < 0.16,
        failing=int(random.random() < 0.05),
    )


def settings_for(features: Features, random: Random, *, normally_open: bool = False) -> dict[str, Any]:
    """Settings as they are found in the field; always valid under the features' schema."""
    settings = factory_settings(features)
    if random.random() < 0.5:
        settings["pir_range_m"] = random.randint(*RANGE_M)
    if features.microwave and random.random() < 0.5:
        settings["microwave_range_m"] = random.randint(*RANGE_M)
    settings["sensitivity"] = random.choices(("low", "normal", "high"), (1, 7, 1))[0]
    settings["pulse_count"] = random.choices((1, 2, 3), (6, 3, 1))[0]
    if features.pet == "steps" and random.random() < 0.6:
        settings["pet_immunity_kg"] = random.choice(PET_KG)
    elif features.pet == "full" and random.random() < 0.4:
        settings["pet_immunity_kg"] = random.choice((PET_KG[0], 15, 20, 25, PET_KG[1]))
    if features.curtain and random.random() < 0.15:
        settings["field_of_view"] = "curtain"
    elif features.creep_zone and random.random() < 0.5:
        settings["creep_zone"] = True
        if settings.get("pet_immunity_kg"):
            settings["pet_immunity_kg"] = PET_KG[0]
    if features.white_light_filter and random.random() < 0.2:
        settings["white_light_filter"] = True
    settings["led"] = random.random() < 0.4
    if normally_open:
        settings["relay_alarm"] = "normally open"
    return settings


def _batch(fitted_on: date) -> str:
    """The maker's batch on the label: the quarter before the one of fitting."""
    made = fitted_on - timedelta(days=91)
    return f"{made:%y}Q{(made.month + 2) // 3}"


class Builder:
    """Turns plans into records. Deterministic for one random source and one business date."""

    def __init__(self, catalogue: Catalogue, people: People, random: Random, today: date) -> None:
        self.catalogue = catalogue
        self.people = people
        self.random = random
        self.today = today
        self.built = Built()
        self.fits = [row for row in catalogue.rows.values() if row.gone_years is None]

    def add(self, plan: Plan) -> None:
        """Build one site."""
        random, built = self.random, self.built
        town, east, north = TOWNS[plan.town]
        latitude, longitude = place_of(east + random.gauss(0, 2.5), north + random.gauss(0, 2.5))
        person = f"{random.choice(FIRST_NAMES)} {random.choice(LAST_NAMES)}"
        customer = Customer(
            reference=f"C{plan.reference[1:]}",
            name=person if random.random() < 0.3 else plan.name,
            email=f"{person.lower().replace(' ', '.')}@customer.example",
            phone=f"01632 960{random.randint(0, 999):03d}",  # a range kept free for fiction (Ofcom; from memory)
        )
        site = Site(
            reference=plan.reference,
            customer=customer,
            branch=self.people.branches[plan.branch],
            name=plan.name,
            street=f"{random.randint(1, 140)} {random.choice(STREETS)}",
            town=town,
            postcode=postcode(random, plan.town),
            latitude=latitude,
            longitude=longitude,
            grade=plan.grade,
            environmental_class=plan.environmental_class,
            contract=plan.contract,
            in_use_since=plan.in_use_since,
            cautions=plan.cautions,
            access_notes=random.choice(ACCESS).format(number=random.randint(10, 99)),
        )
        system = System(site=site)
        panel = Panel(
            system=system,
            type=self.catalogue.panels[plan.panel],
            serial_number=f"{plan.panel}-{random.randint(100_000, 999_999)}",
            place=random.choice(("Cupboard under stairs", "Plant room", "Rear office", "Riser cupboard")),
            battery_ah=plan.battery_ah or (17 if plan.grade == 3 else 7),
            # A keypad, a sounder and the signalling; more of each on larger sites.
            other_quiescent_ma=70 if plan.grade == 3 else 45,
            other_alarm_ma=450 if plan.grade == 3 else 350,
            battery_fitted_on=max(plan.in_use_since, self.today - timedelta(days=random.randint(60, 1700))),
        )
        built.plans.append(plan)
        built.customers.append(customer)
        built.sites.append(site)
        built.systems.append(system)
        built.panels.append(panel)
        circuits = Circuits(
            self.catalogue, panel, plan.panel, random, built.circuits, built.places, built.ohm, built.wrong
        )
        mark = 0
        by_mark: dict[str, Device] = {}
        for group in plan.groups:
            code = group.cable
            cable = self.catalogue.cables[code] if code else cable_for(self.catalogue, random, group.scheme.wires)
            devices = []
            for _ in range(group.count):
                mark += 1
                devices.append(self._device(plan, group, system, cable, mark))
            circuits.wire(group.scheme, devices, cable)
            by_mark |= {device.mark: device for device in devices}
        for fed, feeder, run_m, code, cores in plan.feeds:
            built.feeds.append(
                PowerFeed(
                    device=by_mark[fed], fed_from=by_mark[feeder] if feeder else None, run_m=run_m,
                    cable_type=self.catalogue.cables[code], cores_per_pole=cores,
                )
            )

    def _device(self, plan: Plan, group: Group, system: System, cable: CableType, mark: int) -> Device:
        random, scheme = self.random, group.scheme
        fitted_on = group.fitted_on or self._fitted_on(plan)
        row = self.catalogue.rows[group.variant] if group.variant else self._variant(plan, scheme, fitted_on)
        generation = group.backplate or self._generation(row, scheme, fitted_on)
        backplate = self.catalogue.backplates[row.family, generation]
        style = group.style or random.choices(("board", "wiring", "hand"), (80, 6, 14))[0]
        board, hand_wired = resistors(self.catalogue, plan.panel, scheme, row.family, style)
        if group.board:
            board, hand_wired = self.catalogue.boards[group.board], None
        cover = self.catalogue.covers[row.code]
        serial = Serial(item=cover, number=f"{row.code}-{plan.reference[1:]}{mark:02d}")
        room = random.choice(ROOMS)
        device = Device(
            system=system,
            mark=f"D{mark}",
            position=f"{room}, {random.choice(CORNERS)}"[:120].capitalize(),
            variant=self.catalogue.variants[row.code],
            serial=serial,
            backplate=backplate,
            board=board,
            hand_wired=hand_wired,
            signalling_wires=scheme.wires,
            cable_type=cable,
            core_landings=land(cable, backplate, scheme),
            settings=settings_for(row.features, random, normally_open=scheme.normally_open) | group.settings,
            fitted_on=fitted_on,
        )
        serial.batch = _batch(fitted_on)
        self.built.serials.append(serial)
        self.built.devices.append(device)
        if plan.in_use_since < fitted_on and (self.today - fitted_on).days < 365 * HISTORY_YEARS:
            self._earlier(plan, device, cover)
        elif random.random() < 0.06 and (self.today - fitted_on).days > 200:
            day = self.today - timedelta(days=random.randint(20, 180))
            self.built.changes.append((device, self.catalogue.variants[row.code].factory_settings, day))
        return device

    def _earlier(self, plan: Plan, new: Device, cover: Item) -> None:
        """The detector of the same kind that hung there before."""
        serial = Serial(
            item=cover, number=f"{new.serial.number}-A" if new.serial else new.mark, batch=_batch(plan.in_use_since)
        )
        old = Device(
            **{name: getattr(new, name) for name in _KEPT},
            serial=serial,
            settings=new.variant.factory_settings,
            fitted_on=plan.in_use_since,
            removed_on=new.fitted_on,
        )
        self.built.serials.append(serial)
        self.built.earlier.append(Earlier(old, new))

    def _fitted_on(self, plan: Plan) -> date:
        """With the system, or (older systems mostly) when it was renewed since."""
        age = (self.today - plan.in_use_since).days
        if age > 2200 and self.random.random() < 0.75:
            return self.today - timedelta(days=self.random.randint(60, 2200))
        return plan.in_use_since

    def _variant(self, plan: Plan, scheme: Scheme, fitted_on: date) -> VariantRow:
        years = (self.today - fitted_on).days / 365.25
        rows = []
        weights = []
        for row in self.catalogue.rows.values():
            wrong = row.grade != plan.grade or row.environmental_class < plan.environmental_class
            if wrong or (scheme.masks and not row.features.anti_mask) or row.outputs[-1] == "fault":
                continue
            if needs_mask_terminals(scheme) and not mask_terminals(self.catalogue, row):
                continue
            if (row.gone_years and years < row.gone_years + 0.3) or (row.generation == 2 and years > 4):
                continue
            rows.append(row)
            # Discontinued ones were the usual choice of their day.
            weights.append(2 if row.gone_years or not row.features.anti_mask else 1)
        if not rows:
            rows, weights = [self.catalogue.rows["QS-3PA-III" if plan.grade == 3 else "FW-2D-III"]], [1]
        return self.random.choices(rows, weights)[0]

    def _generation(self, row: VariantRow, scheme: Scheme, fitted_on: date) -> int:
        good = mask_terminals(self.catalogue, row) if needs_mask_terminals(scheme) else list(row.backplates)
        if (self.today - fitted_on).days > 6 * 365 and good[0] == 1:
            return 1
        return self.random.choice(good)
