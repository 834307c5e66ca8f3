# mypy: disable-error-code="no-untyped-call,no-untyped-def,untyped-decorator"
"""Factories of regimes, requirements, visits and proposals."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from factory.declarations import LazyAttribute, LazyFunction, SelfAttribute, Sequence, SubFactory
from factory.django import DjangoModelFactory

from config.accounts.rights import Role
from config.demo.factories.accounts import BranchFactory, UserFactory
from config.demo.factories.catalogue import ItemFactory, VariantFactory
from config.demo.factories.installs import DeviceFactory, SiteFactory
from installs.models import Site
from maintenance.models import (
    Absence,
    Digest,
    Engineer,
    Flag,
    JobRun,
    Regime,
    RegimeRule,
    Requirement,
    Shortage,
    SwapNeed,
    SwapProposal,
    SwapVerdict,
    TestResult,
    Visit,
    VisitTask,
)


class EngineerFactory(DjangoModelFactory[Engineer]):
    user = SubFactory(UserFactory, role=Role.ENGINEER, branch=SubFactory(BranchFactory))
    skills = LazyFunction(lambda: ["grade 2", "grade 3"])
    home_latitude = 52.0
    home_longitude = -1.0

    class Meta:
        model = Engineer


class AbsenceFactory(DjangoModelFactory[Absence]):
    engineer = SubFactory(EngineerFactory)
    days = (date(2026, 12, 1), date(2026, 12, 15))

    class Meta:
        model = Absence


class RegimeFactory(DjangoModelFactory[Regime]):
    grade = 2
    contract = Site.Contract.SIGNALLED
    name = LazyAttribute(lambda r: f"Grade {int(r.grade)}, {r.contract!s}")
    standard = "BS 9263:2016"

    class Meta:
        model = Regime
        django_get_or_create = ("grade", "contract")


class RegimeRuleFactory(DjangoModelFactory[RegimeRule]):
    """A site visit every 12 months, a month early or late still on time."""

    regime = SubFactory(RegimeFactory)
    test = RegimeRule.Test.SITE_VISIT
    subject = "site"
    interval_months = 12
    first_after_months = 12
    source = "NSI Technical Bulletin 0068 (6 Nov 2024), item 1"

    class Meta:
        model = RegimeRule
        django_get_or_create = ("regime", "test")


class RequirementFactory(DjangoModelFactory[Requirement]):
    """A site visit due in March 2026 with its window of the month before and after."""

    rule = SubFactory(RegimeRuleFactory)
    site = SubFactory(SiteFactory)
    due_month = date(2026, 3, 1)
    window_from = LazyAttribute(lambda r: (r.due_month - timedelta(days=1)).replace(day=1))
    window_to = LazyAttribute(
        lambda r: ((r.due_month + timedelta(days=62)).replace(day=1) - timedelta(days=1))
    )

    class Meta:
        model = Requirement


class VisitFactory(DjangoModelFactory[Visit]):
    """A planned hour on 1 December 2026; each visit has an engineer of its own unless one is passed."""

    site = SubFactory(SiteFactory)
    engineer = SubFactory(
        EngineerFactory, user=SubFactory(UserFactory, role=Role.ENGINEER, branch=SelfAttribute("...site.branch"))
    )
    period = Sequence(
        lambda n: (
            datetime(2026, 12, 1, 9, tzinfo=UTC) + timedelta(hours=n),
            datetime(2026, 12, 1, 10, tzinfo=UTC) + timedelta(hours=n),
        )
    )

    class Meta:
        model = Visit


class VisitTaskFactory(DjangoModelFactory[VisitTask]):
    visit = SubFactory(VisitFactory)
    requirement = SubFactory(RequirementFactory, site=SelfAttribute("..visit.site"))

    class Meta:
        model = VisitTask


class ResultFactory(DjangoModelFactory[TestResult]):
    """A passed test."""

    requirement = SubFactory(RequirementFactory)
    done_on = date(2026, 3, 10)
    outcome = TestResult.Outcome.PASSED
    recorded_by = SubFactory(UserFactory)

    class Meta:
        model = TestResult


class FlagFactory(DjangoModelFactory[Flag]):
    requirement = SubFactory(RequirementFactory)
    site = SelfAttribute("requirement.site")
    state = Flag.State.OVERDUE
    since = date(2026, 5, 1)

    class Meta:
        model = Flag


class SwapNeedFactory(DjangoModelFactory[SwapNeed]):
    device = SubFactory(DeviceFactory)
    reasons = LazyFunction(lambda: [SwapNeed.Reason.FAILED_TEST])
    signature = Sequence(lambda n: f"{n:032x}")
    since = date(2026, 11, 1)

    class Meta:
        model = SwapNeed


class SwapVerdictFactory(DjangoModelFactory[SwapVerdict]):
    signature = Sequence(lambda n: f"{n:032x}")
    catalogue = "0" * 32
    variant = SubFactory(VariantFactory)
    verdict = SwapVerdict.Verdict.FITS
    rank = 1
    reasons_for = LazyFunction(lambda: ["Same backplate."])
    reasons_against = LazyFunction(list)
    settings = LazyAttribute(lambda v: dict(v.variant.factory_settings))

    class Meta:
        model = SwapVerdict


class SwapProposalFactory(DjangoModelFactory[SwapProposal]):
    device = SubFactory(DeviceFactory)
    verdict = SubFactory(SwapVerdictFactory)
    reasons = LazyFunction(lambda: [SwapNeed.Reason.FAILED_TEST])
    made_on = date(2026, 11, 1)

    class Meta:
        model = SwapProposal


class JobRunFactory(DjangoModelFactory[JobRun]):
    job = "nightly"
    business_date = date(2026, 11, 25)
    state = JobRun.State.DONE
    progress = 100

    class Meta:
        model = JobRun


class ShortageFactory(DjangoModelFactory[Shortage]):
    branch = SubFactory(BranchFactory)
    item = SubFactory(ItemFactory)
    needed_on = date(2026, 12, 1)
    needed = 3
    on_hand = 1
    on_order = 0
    short = 2
    references = LazyFunction(lambda: ["visit 1"])

    class Meta:
        model = Shortage


class DigestFactory(DjangoModelFactory[Digest]):
    user = SubFactory(UserFactory)
    business_date = date(2026, 11, 25)
    subject = "Today"
    body = "Nothing is overdue."

    class Meta:
        model = Digest
