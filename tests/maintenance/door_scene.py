"""Sites, requirements, flags, visits and proposals of one branch, for the tests of pages and endpoints."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from installs.models import Site
from maintenance.models import Engineer, Flag, Requirement, SwapProposal, Visit


def next_monday() -> date:
    today = timezone.localdate()
    return today + timedelta(days=7 - today.weekday())


def at(day: date, hour: int) -> datetime:
    return timezone.make_aware(datetime.combine(day, time(hour)))


def site_of(branch: Branch, **fields: Any) -> Site:
    return make.SiteFactory(branch=branch, **fields)


def flag_of(branch: Branch, state: str = "overdue", **fields: Any) -> Flag:
    requirement = make.RequirementFactory(site=site_of(branch))
    return make.FlagFactory(requirement=requirement, state=state, fault=state == "failed", **fields)


def engineer_of(user: User) -> Engineer:
    return Engineer.objects.filter(user=user).first() or make.EngineerFactory(user=user)


def visit_of(branch: Branch, user: User, *, day: date | None = None, hour: int = 9, **fields: Any) -> Visit:
    """A visit of that engineer with one loop test as its task."""
    start = at(day or timezone.localdate(), hour)
    visit: Visit = make.VisitFactory(
        site=fields.pop("site", None) or site_of(branch), engineer=engineer_of(user),
        period=(start, start + timedelta(hours=1)), **fields,
    )
    make.VisitTaskFactory(visit=visit, requirement=loop_test(visit.site))
    visit.refresh_from_db()
    return visit


def loop_test(site: Site) -> Requirement:
    circuit = make.CircuitFactory(panel__system__site=site, number=3, zone="Hall")
    rule = make.RegimeRuleFactory(test="loop", subject="circuit", source="NSI Technical Bulletin 0068")
    return make.RequirementFactory(site=site, rule=rule, circuit=circuit)


def proposal_of(branch: Branch, **fields: Any) -> SwapProposal:
    device = make.DeviceFactory(system__site=site_of(branch), mark="D7", position="Over the hall door")
    verdict = make.SwapVerdictFactory(
        variant__family=device.variant.family, reasons_for=["It clips to the same backplate."],
        reasons_against=["Its range is shorter."],
        setting_changes=[{"field": "pir_range_m", "old": 18, "new": 12, "why": "It reaches 12 m at most."}],
    )
    make.SwapNeedFactory(device=device, proposable=1)
    return make.SwapProposalFactory(device=device, verdict=verdict, **fields)
