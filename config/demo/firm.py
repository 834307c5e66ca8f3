# mypy: disable-error-code="no-untyped-call"
"""The invented firm itself: branches, people, places of stock, suppliers, and the regimes of its contracts."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings

from config.accounts.models import Branch, User
from config.accounts.rights import Role
from config.demo import factories as make
from config.demo.names import FIRST_NAMES, LAST_NAMES, TOWNS, place_of
from config.demo_logins import LOGINS
from installs.models import Site
from maintenance.models import Engineer, Regime, RegimeRule
from stock.models import Location, Supplier

FIRM_NAME = "Lanternfold Alarms"
BRANCH_TOWNS = {"ELL": 0, "SKB": 7}
ON_LEAVE = "nils.wrenlow@lanternfold.example"
VAN_WITH_A_GAP = "van-2"

# name, e-mail address, branch, skills, kilometres east and north of home
ENGINEERS: tuple[tuple[str, str, str, list[str], float, float], ...] = (
    ("Tamsin Eskerby", "engineer@lanternfold.example", "ELL", ["grade 2", "grade 3", "signalling"], 16.0, 39.0),
    ("Bram Fallowell", "bram.fallowell@lanternfold.example", "ELL", ["grade 2", "grade 3"], 26.0, 24.0),
    ("Nils Wrenlow", ON_LEAVE, "ELL", ["grade 2", "signalling"], 9.0, 58.0),
    ("Oona Sallowfield", "oona.sallowfield@lanternfold.example", "SKB", ["grade 2", "grade 3", "signalling"], 63.0,
     40.0),
    ("Yusuf Inchwood", "yusuf.inchwood@lanternfold.example", "SKB", ["grade 2", "grade 3", "heights"], 53.0, 20.0),
)
OFFICE = {
    Role.STORES: ("Kezia Quillfeather", None),
    Role.SCHEDULER: ("Stellan Jessamy", "ELL"),
    Role.SERVICE_MANAGER: ("Imelda Dunnock", None),
    Role.ADMINISTRATOR: ("Pavel Loxgrove", None),
}
# name, code, days from order to delivery
SUPPLIERS = (
    ("Quay Lane Wholesale", "quay-lane", 5),
    ("Larkfold Security Trade", "larkfold", 9),
    ("Wick Cable Barn", "cable-barn", 4),
)

_VISITS = "NSI Technical Bulletin 0068 (6 Nov 2024), item 1: 6th or 12th month, the month before or after on time"
_CHECKS = "checks of a site visit as listed under PD 6662 (trade page); once a year is common practice, no source"
_AUDIBLE = "two visits a year at grades 2 to 4 (trade page); one may do at grade 2: edit if your inspectorate agrees"


@dataclass
class Crew:
    """An engineer with the van, as the generator passes them about."""

    engineer: Engineer
    user: User
    van: Location
    branch: str
    on_leave: bool = False


@dataclass
class People:
    """The firm's people and places by short names."""

    branches: dict[str, Branch] = field(default_factory=dict)
    office: dict[Role, User] = field(default_factory=dict)
    crews: list[Crew] = field(default_factory=list)
    stores: dict[str, Location] = field(default_factory=dict)
    quarantine: dict[str, Location] = field(default_factory=dict)
    sites_place: Location = field(default_factory=Location)
    scrap: Location = field(default_factory=Location)
    suppliers: list[Supplier] = field(default_factory=list)
    rules: dict[tuple[int, str], list[RegimeRule]] = field(default_factory=dict)


def local(day: date, hour: int, minute: int = 0) -> datetime:
    """A local time of the firm."""
    return datetime.combine(day, time(hour, minute), ZoneInfo(settings.TIME_ZONE))


def load_firm(today: date) -> People:
    """Write branches, people, places, suppliers and regimes; one engineer is on leave for a fortnight."""
    people = People()
    emails = {role: email for (_, email, _), role in zip(LOGINS, Role, strict=True)}
    for code, town in BRANCH_TOWNS.items():
        name, east, north = TOWNS[town]
        latitude, longitude = place_of(east, north)
        branch = make.BranchFactory.create(code=code, name=name, latitude=latitude, longitude=longitude)
        people.branches[code] = branch
        people.stores[code] = make.LocationFactory.create(
            code=f"store-{code.lower()}", name=f"Store {name}", branch=branch
        )
        people.quarantine[code] = make.LocationFactory.create(
            code=f"quarantine-{code.lower()}", name=f"Quarantine {name}", kind=Location.Kind.QUARANTINE, branch=branch
        )
    joined = local(today - timedelta(days=4 * 365), 9)
    for role, (name, home) in OFFICE.items():
        people.office[role] = make.UserFactory.create(
            email=emails[role],
            name=name,
            role=role,
            branch=people.branches[home] if home else None,
            joined_at=joined,
        )
    for number, (name, email, code, skills, east, north) in enumerate(ENGINEERS, 1):
        people.crews.append(
            _crew(
                people, number=number, name=name, email=email, code=code, skills=skills, at=(east, north),
                joined=joined,
            )
        )
    people.sites_place = make.SitesPlaceFactory.create()
    people.scrap = make.ScrapPlaceFactory.create()
    make.TransitPlaceFactory.create()
    for name, code, days in SUPPLIERS:
        place = make.SuppliersPlaceFactory.create(code=code, name=name)
        people.suppliers.append(make.SupplierFactory.create(name=name, location=place, lead_time_days=days))
    for crew in people.crews:
        if crew.user.email == ON_LEAVE:
            crew.on_leave = True
            make.AbsenceFactory.create(
                engineer=crew.engineer, days=(today, today + timedelta(days=14)), reason="Annual leave"
            )
    people.rules = _regimes()
    return people


def more_crews(people: People, chunk: int, random: Random, today: date) -> list[Crew]:
    """One more engineer of each branch for a further part of a larger firm."""
    crews = []
    for offset, code in enumerate(BRANCH_TOWNS):
        number = len(ENGINEERS) + 2 * chunk + offset - 1
        east, north = TOWNS[BRANCH_TOWNS[code]][1:]
        crews.append(
            _crew(
                people,
                number=number,
                name=f"{random.choice(FIRST_NAMES)} {random.choice(LAST_NAMES)}",
                email=f"engineer{number}@lanternfold.example",
                code=code,
                skills=["grade 2", "grade 3", "signalling"],
                at=(east + random.uniform(-9, 9), north + random.uniform(-9, 9)),
                joined=local(today - timedelta(days=4 * 365), 9),
            )
        )
    return crews


def _crew(
    people: People, *, number: int, name: str, email: str, code: str, skills: list[str], at: tuple[float, float],
    joined: datetime,
) -> Crew:
    branch = people.branches[code]
    latitude, longitude = place_of(*at)
    user = make.UserFactory.create(email=email, name=name, role=Role.ENGINEER, branch=branch, joined_at=joined)
    engineer = make.EngineerFactory.create(
        user=user, skills=skills, home_latitude=latitude, home_longitude=longitude
    )
    van = make.VanFactory.create(code=f"van-{number}", name=f"Van {number} ({name})", branch=branch, engineer=user)
    return Crew(engineer=engineer, user=user, van=van, branch=code)


def _regimes() -> dict[tuple[int, str], list[RegimeRule]]:
    """Rules by grade and contract: test, subject, interval and first in months, source."""
    table: dict[tuple[int, str], list[RegimeRule]] = {}
    for grade in (1, 2, 3, 4):
        for contract in Site.Contract:
            regime: Regime = make.RegimeFactory.create(
                grade=grade,
                contract=contract,
                name=f"Grade {grade}, {contract.label.lower()}",
                standard="PD 6662:2017 with BS 9263:2016",
            )
            signalled = contract == Site.Contract.SIGNALLED
            remote = signalled and grade in (2, 3)
            visit_months = 12 if grade == 1 or remote else 6
            rows: list[tuple[str, str, int, int, str]] = [
                (RegimeRule.Test.SITE_VISIT, "site", visit_months, visit_months,
                 _AUDIBLE if grade > 1 and not signalled else _VISITS)
            ]
            if remote:
                rows.append((RegimeRule.Test.REMOTE_CHECK, "site", 12, 6, f"one visit and one remote check; {_VISITS}"))
            if signalled:
                months = 6 if grade > 1 else 12
                rows.append((RegimeRule.Test.SIGNALLING, "panel", months, months, _CHECKS))
            rows += [
                (RegimeRule.Test.BATTERY, "panel", 12, 12, _CHECKS),
                (RegimeRule.Test.LOOP, "circuit", 12, 12, _CHECKS),
                (RegimeRule.Test.WALK_TEST, "device", 12, 12, _CHECKS),
                (RegimeRule.Test.MASK_TEST, "device", 12, 12, _CHECKS),
            ]
            table[grade, contract.value] = [_rule(regime, *row) for row in rows]
    return table


def _rule(regime: Regime, test: str, subject: str, interval: int, first: int, source: str) -> RegimeRule:
    fields: dict[str, Any] = {"interval_months": interval, "first_after_months": first, "source": source[:160]}
    rule: RegimeRule = make.RegimeRuleFactory.create(regime=regime, test=test, subject=subject, **fields)
    return rule
