"""The summary that the demo prints after the nightly work."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.demo.factories import (
    FlagFactory,
    JobRunFactory,
    RequirementFactory,
    ShortageFactory,
    SiteFactory,
    SwapNeedFactory,
    SwapProposalFactory,
)
from maintenance.queries import nightly_summary

pytestmark = pytest.mark.django_db


def test_before_the_first_run_it_says_so() -> None:
    assert nightly_summary().lines() == [
        "No nightly work was done yet",
        "Tests overdue: 0 (due soon 0, due 0, overdue 0, escalated 0, failed test 0)",
        "Loops drifting out of their band: 0",
        "Swaps proposed: 0 (fits as is 0, fits with another board 0)",
        "Devices to swap for which nothing fits: 0",
        "Shortages of the coming weeks: 0",
    ]


def test_it_says_what_stands_worst_first() -> None:
    JobRunFactory.create(business_date=date(2026, 11, 24))
    JobRunFactory.create(business_date=date(2026, 11, 25), state="failed")
    site = SiteFactory.create(reference="S1", name="Quay House")
    late = FlagFactory.create(requirement=RequirementFactory.create(site=site), since=date(2026, 10, 1))
    FlagFactory.create(requirement__site=SiteFactory.create(reference="S2", name="Mill"), state="escalated",
                       since=date(2026, 3, 1))
    FlagFactory.create(requirement=late.requirement, state="failed", fault=True)
    FlagFactory.create(state="overdue", withdrawn_at=timezone.now())
    swap = SwapProposalFactory.create(
        device__system__site=site, device__mark="D4", device__position="Hall", device__variant__code="OLD-1",
        verdict__variant__code="NEW-1", reasons=["failed test", "service life"],
    )
    SwapProposalFactory.create(state="declined", decided_at=timezone.now())
    SwapNeedFactory.create(device=swap.device, proposable=1)
    SwapNeedFactory.create(
        device__system__site=site, device__mark="D5", device__position="Loft", device__variant__code="OLD-2",
        reasons=["below grade"],
    )
    short = ShortageFactory.create(branch__name="Northbeck", item__sku="BRD-1", item__name="Board")
    assert nightly_summary().lines() == [
        "Nightly work of 24 Nov 2026",
        "Tests overdue: 2 (due soon 0, due 0, overdue 1, escalated 1, failed test 1)",
        "  S2 Mill: Site visit, escalated since 1 Mar 2026",
        "  S1 Quay House: Site visit, overdue since 1 Oct 2026",
        "Loops drifting out of their band: 0",
        "Swaps proposed: 1 (fits as is 1, fits with another board 0)",
        "  S1 Quay House, D4 Hall: OLD-1 to NEW-1, fits as is (failed a test, past its family's service life)",
        "Devices to swap for which nothing fits: 1",
        "  S1 Quay House, D5 Loft: OLD-2 (short of the site's grade)",
        "Shortages of the coming weeks: 1",
        f"  Northbeck: BRD-1 Board, {short.short} pc short by 1 Dec 2026",
    ]


@pytest.mark.parametrize("rows", [1, 12])
def test_it_takes_eight_statements_and_shows_the_worst_five(rows: int) -> None:
    for _ in range(rows):
        FlagFactory.create()
        SwapProposalFactory.create()
        SwapNeedFactory.create()
        ShortageFactory.create()
    with CaptureQueriesContext(connection) as queries:
        summary = nightly_summary()
    assert len(queries) == 8
    assert (summary.unmet_count, summary.short_count) == (rows, rows)
    shown = [len(part) for part in (summary.overdue, summary.swaps, summary.unmet, summary.shortages)]
    assert shown == [min(rows, 5)] * 4
