"""A small firm with one family of detectors, for the tests of swaps."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from config.accounts.models import Branch, User
from config.demo.factories import (
    BackplateFactory,
    BoardFactory,
    CableTypeFactory,
    CircuitFactory,
    CircuitPlaceFactory,
    DeviceFactory,
    FamilyFactory,
    InputProfileFactory,
    LocationFactory,
    PanelFactory,
    PanelTypeFactory,
    RegimeRuleFactory,
    RequirementFactory,
    ResultFactory,
    SiteFactory,
    SystemFactory,
    TopologyFactory,
    VariantFactory,
)
from installs.models import Device, InputProfile, PanelType, Site
from maintenance.models import RegimeRule, TestResult
from stock.models import Backplate, Board, CableType, Family, Location, Variant

DAY = date(2026, 11, 25)


@dataclass
class Scene:
    """One family: `old` is discontinued and its successor is `new`; `masking` is a grade 3 cover with anti-mask;
    `board` is read by the panel, `foreign` is a board for another panel."""

    branch: Branch
    by: User
    family: Family
    backplate: Backplate
    old: Variant
    new: Variant
    masking: Variant
    board: Board
    foreign: Board
    panel_type: PanelType
    profile: InputProfile
    cable: CableType
    store: Location
    marks: int = field(default=0)

    def site(self, **changes: Any) -> Site:
        return SiteFactory.create(branch=self.branch, **changes)

    def device(self, site: Site | None = None, **changes: Any) -> Device:
        """A device in use on a circuit of its own, fitted last year, without a need unless its variant has one."""
        system = SystemFactory.create(site=site or self.site())
        panel = PanelFactory.create(system=system, type=self.panel_type)
        circuit = CircuitFactory.create(
            panel=panel, profile=self.profile, topology=self.profile.topology, cable_type=self.cable
        )
        fields: dict[str, Any] = {
            "variant": self.new, "board": self.board, "fitted_on": date(2025, 6, 2), "backplate": self.backplate,
            "cable_type": self.cable, "system": system,
        }
        device: Device = DeviceFactory.create(**fields | changes)
        CircuitPlaceFactory.create(circuit=circuit, device=device)
        return device

    def result(self, device: Device, outcome: str, done_on: date, test: str = "walk test") -> TestResult:
        rule = RegimeRuleFactory.create(test=RegimeRule.Test(test), subject="device")
        requirement = device.requirements.filter(rule=rule).first() or RequirementFactory.create(
            rule=rule, site=device.system.site, device=device
        )
        return ResultFactory.create(requirement=requirement, outcome=outcome, done_on=done_on, recorded_by=self.by)


def make_scene(branch: Branch, by: User) -> Scene:
    family = FamilyFactory.create(service_life_years=10)
    new = VariantFactory.create(family=family, code="NEW")
    old = VariantFactory.create(family=family, code="OLD", discontinued_on=date(2026, 1, 15), successor=new)
    panel_type = PanelTypeFactory.create()
    topology = TopologyFactory.create()
    return Scene(
        branch=branch,
        by=by,
        family=family,
        backplate=BackplateFactory.create(family=family),
        old=old,
        new=new,
        masking=VariantFactory.create(
            family=family, code="MASK", grade=3, anti_mask=True, quiescent_ma=16, maximum_ma=20
        ),
        board=BoardFactory.create(topology=topology, families=[family]),
        foreign=BoardFactory.create(topology=topology, families=[family], eol_ohm=4700, alarm_ohm=4700),
        panel_type=panel_type,
        profile=InputProfileFactory.create(panel_type=panel_type, topology=topology, with_bands=True),
        cable=CableTypeFactory.create(),
        store=LocationFactory.create(branch=branch, name="Main store"),
    )
