"""The scheduler's first page: visits by month, and what is late, with its reasons."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from tests.conftest import logged_in
from tests.maintenance.door_scene import flag_of

DUE = "/work/due/"


@pytest.fixture
def client(scheduler: User) -> Client:
    return logged_in(scheduler)


def sites_listed(client: Client, query: str = "") -> list[str]:
    return [row.site_reference for row in client.get(DUE + query).context["page"].rows]


def test_a_late_row_says_which_requirement_since_when_and_why(client: Client, branch: Branch) -> None:
    today = timezone.localdate()
    flag = flag_of(branch, since=today - timedelta(days=9))
    text = client.get(DUE).content.decode()
    for words in (
        flag.site.reference, "Site visit", f"{flag.since:%-d %b %Y}", ">9<", "Grade 2, signalled", "every 12 months",
        "NSI Technical Bulletin 0068 (6 Nov 2024), item 1", "Overdue", f"/work/visits/plan/?site={flag.site_id}",
    ):
        assert words in text


def test_escalated_comes_first_then_the_oldest(client: Client, branch: Branch) -> None:
    today = timezone.localdate()
    old = flag_of(branch, since=today - timedelta(days=50))
    new = flag_of(branch, since=today - timedelta(days=5))
    escalated = flag_of(branch, "escalated", since=today - timedelta(days=1))
    flag_of(branch, "due soon", since=today)
    assert sites_listed(client) == [flag.site.reference for flag in (escalated, old, new)]


def test_filters_narrow_by_state_grade_and_month(client: Client, branch: Branch) -> None:
    late = flag_of(branch)
    soon = flag_of(branch, "due soon")
    high = make.FlagFactory(requirement=make.RequirementFactory(site=make.SiteFactory(branch=branch, grade=3)))
    assert sites_listed(client, "?state=due soon") == [soon.site.reference]
    assert sites_listed(client, "?grade=3") == [high.site.reference]
    assert sites_listed(client, "?test=loop") == []
    month = f"{late.requirement.due_month:%Y-%m}"
    assert sites_listed(client, f"?month={month}&grade=2") == [late.site.reference, soon.site.reference]
    assert client.get(f"{DUE}?month=2026-13").status_code == 200


def test_another_branch_sees_none_of_it(branch: Branch, stranger: User, scheduler: User) -> None:
    flag = flag_of(branch)
    assert flag.site.reference in logged_in(scheduler).get(DUE).content.decode()
    assert sites_listed(logged_in(stranger)) == []
    assert flag.site.reference not in logged_in(stranger).get(DUE).content.decode()


def test_an_engineer_sees_only_sites_of_own_visits(branch: Branch, engineer: User) -> None:
    flag_of(branch)
    assert sites_listed(logged_in(engineer)) == []


def test_months_count_site_and_remote_visits(client: Client, branch: Branch) -> None:
    month = timezone.localdate().replace(day=1)
    remote = make.RegimeRuleFactory(test="remote check")
    for _ in range(2):
        make.RequirementFactory(site=make.SiteFactory(branch=branch), due_month=month)
    make.RequirementFactory(site=make.SiteFactory(branch=branch), due_month=month, rule=remote)
    make.RequirementFactory(due_month=month)  # of another branch
    make.RequirementFactory(site=make.SiteFactory(branch=branch), due_month=month, active=False)
    months = client.get(DUE).context["months"]
    assert len(months) == 12
    assert (months[0].month, months[0].site_visits, months[0].remote_visits) == (month, 2, 1)
    assert (months[0].site_percent, months[0].remote_percent) == (67, 33)
    assert [m.total for m in months[1:]] == [0] * 11


def test_pages_follow_each_other_without_gap_or_repeat(client: Client, branch: Branch) -> None:
    since = timezone.localdate()
    flags = [flag_of(branch, since=since) for _ in range(53)]
    first = client.get(DUE).context["page"]
    second = client.get(f"{DUE}?cursor={first.next_cursor}").context["page"]
    seen = [row.requirement_id for row in [*first.rows, *second.rows]]
    assert seen == [flag.requirement_id for flag in flags]
    assert second.next_cursor is None


@pytest.mark.parametrize("query", ["", "?month=2026-03"])
@pytest.mark.parametrize("rows", [1, 3])
def test_statements_do_not_grow_with_rows(
    client: Client, branch: Branch, django_assert_num_queries, rows: int, query: str
) -> None:
    for _ in range(rows):
        flag_of(branch)
    client.get(DUE)
    # session, user, the person's branch, branches, list, months, counts by state
    with django_assert_num_queries(7):
        assert len(client.get(DUE + query).context["page"].rows) == rows


def test_htmx_gets_only_the_list(client: Client, branch: Branch) -> None:
    flag = flag_of(branch)
    text = client.get(DUE, headers={"HX-Request": "true"}).content.decode()
    assert flag.site.reference in text
    assert "<html" not in text
    back = client.get(DUE, headers={"HX-Request": "true", "HX-History-Restore-Request": "true"})
    assert "<html" in back.content.decode()
