"""A small firm whose nightly work changes something in every step, and what it leaves behind."""

from __future__ import annotations

from datetime import date
from typing import Any

from config.accounts.models import Branch
from config.accounts.rights import Role
from config.demo.factories import (
    BackplateFactory,
    BoardFactory,
    BranchFactory,
    CircuitPlaceFactory,
    DeviceFactory,
    FamilyFactory,
    FirmFactory,
    ItemFactory,
    LocationFactory,
    OrderFactory,
    OrderLineFactory,
    RegimeRuleFactory,
    RequirementFactory,
    ReservationFactory,
    ResultFactory,
    SiteFactory,
    SystemFactory,
    UserFactory,
    VariantFactory,
)
from maintenance.models import Digest, Flag, Requirement, Shortage, SwapNeed, SwapProposal
from stock.models import StockPlan

DAY = date(2026, 11, 25)


def build() -> Branch:
    """Sites with owed, late and failed tests, devices to swap, and work that is short of a part."""
    FirmFactory.create()
    branch = BranchFactory.create()
    for role in (Role.STORES, Role.SCHEDULER, Role.ENGINEER, Role.SERVICE_MANAGER):
        UserFactory.create(role=role, branch=branch)
    RegimeRuleFactory.create(test="site visit", interval_months=6, first_after_months=6)
    walk = RegimeRuleFactory.create(test="walk test", subject="device")
    family = FamilyFactory.create(service_life_years=10)
    gone = VariantFactory.create(family=family, discontinued_on=date(2025, 1, 1))
    VariantFactory.create(family=family)
    backplate, board = BackplateFactory.create(family=family), BoardFactory.create(families=[family])
    for month in (1, 5, 6, 9):
        system = SystemFactory.create(site=SiteFactory.create(branch=branch, in_use_since=date(2024, month, 15)))
        device = DeviceFactory.create(
            system=system, variant=gone, fitted_on=date(2024, month, 15), backplate=backplate, board=board
        )
        CircuitPlaceFactory.create(
            device=device, circuit__panel__system=system, circuit__profile__with_bands=True
        )
    failed = DeviceFactory.create(system=system)
    requirement = RequirementFactory.create(site=system.site, device=failed, rule=walk, due_month=date(2026, 12, 1))
    ResultFactory.create(requirement=requirement, outcome="failed", done_on=date(2026, 11, 2))
    store, item = LocationFactory.create(branch=branch), ItemFactory.create()
    OrderLineFactory.create(order=OrderFactory.create(destination=store, expected_on=date(2026, 12, 20)), item=item)
    ReservationFactory.create(item=item, location=store, quantity=2, ahead=True)
    return branch


def state() -> dict[str, list[Any]]:
    """What the steps leave behind, without keys and times that differ from run to run."""
    return {
        "requirements": sorted(
            map(repr, Requirement.objects.values_list(
                "rule", "site", "panel", "circuit", "device", "due_month", "window_from", "window_to", "active"
            ))
        ),
        "flags": sorted(
            map(repr, Flag.objects.filter(withdrawn_at=None).values_list(
                "requirement__rule", "requirement__site", "requirement__device", "state", "fault", "since"
            ))
        ),
        "withdrawn": [(Flag.objects.filter(withdrawn_at__isnull=False).count(),)],
        "needs": sorted(
            map(repr, SwapNeed.objects.values_list("device", "reasons", "signature", "since", "proposable"))
        ),
        "proposals": sorted(
            map(repr, SwapProposal.objects.values_list(
                "device", "reasons", "state", "made_on", "verdict__variant", "verdict__board", "verdict__verdict"
            ))
        ),
        "shortages": sorted(
            map(repr, Shortage.objects.values_list(
                "branch", "item", "needed_on", "needed", "on_hand", "on_order", "short", "references"
            ))
        ),
        "plans": sorted(
            map(repr, StockPlan.objects.values_list(
                "item", "location", "computed_on", "method", "known_in_lead_time", "reorder_point", "order_quantity"
            ))
        ),
        "digests": sorted(map(repr, Digest.objects.values_list("user", "business_date", "subject", "body"))),
        "unsent": [(Digest.objects.filter(sent_at=None).count(),)],
    }
