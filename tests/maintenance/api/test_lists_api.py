"""Every other list of the maintenance app: scope, statements, edits with If-Match, decisions."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from config.accounts.models import Branch, User
from config.demo import factories as make
from tests.conftest import api_client
from tests.maintenance.door_scene import flag_of, proposal_of, site_of, visit_of

Maker = Callable[[Branch], Any]


def _rule(_branch: Branch) -> Any:
    tests = ("loop", "battery", "walk test", "mask test", "signalling")
    return make.RegimeRuleFactory(test=tests[make.RegimeRuleFactory._meta.model.objects.count()])


def _regime(_branch: Branch) -> Any:
    return make.RegimeFactory(grade=make.RegimeFactory._meta.model.objects.count() + 1)


def _result(branch: Branch) -> Any:
    return make.ResultFactory(requirement__site=site_of(branch))


def _engineer(branch: Branch) -> Any:
    return make.EngineerFactory(user__branch=branch)


MAKERS: dict[str, Maker] = {
    "regimes": _regime,
    "regime-rules": _rule,
    "requirements": lambda branch: make.RequirementFactory(site=site_of(branch)),
    "flags": flag_of,
    "test-results": _result,
    "visits": lambda branch: visit_of(branch, make.UserFactory(role="engineer", branch=branch)),
    "proposals": proposal_of,
    "swap-needs": lambda branch: make.SwapNeedFactory(device__system__site=site_of(branch)),
    "engineers": _engineer,
    "absences": lambda branch: make.AbsenceFactory(engineer=_engineer(branch)),
    "job-runs": lambda _branch: make.JobRunFactory(),
    "shortages": lambda branch: make.ShortageFactory(branch=branch),
}
# The list, and for visits their tasks. The client is logged in without a session.
STATEMENTS = {name: 2 if name == "visits" else 1 for name in MAKERS}
BRANCHES_OWN = sorted(set(MAKERS) - {"regimes", "regime-rules", "job-runs"})
OF_SITES = ["requirements", "flags", "test-results", "visits", "proposals", "swap-needs"]


@pytest.mark.parametrize("rows", [1, 3])
@pytest.mark.parametrize("name", MAKERS)
def test_a_list_takes_as_many_statements_for_three_rows_as_for_one(
    branch: Branch, scheduler: User, django_assert_num_queries, name: str, rows: int
) -> None:
    made = [MAKERS[name](branch).pk for _ in range(rows)]
    client = api_client(scheduler)
    with django_assert_num_queries(STATEMENTS[name]):
        answer = client.get(f"/api/{name}/")
    assert sorted(row["id"] for row in answer.data["results"]) == made


@pytest.mark.parametrize("name", MAKERS)
def test_pages_of_one_row_follow_each_other(branch: Branch, scheduler: User, name: str) -> None:
    made = [MAKERS[name](branch).pk for _ in range(3)]
    client = api_client(scheduler)
    seen, address = [], f"/api/{name}/?size=1"
    while address:
        body = client.get(address).data
        seen += [row["id"] for row in body["results"]]
        address = body["next"]
    assert len(seen) == 3
    assert sorted(seen) == made


@pytest.mark.parametrize("name", MAKERS)
def test_one_record_comes_with_its_etag(branch: Branch, scheduler: User, name: str) -> None:
    record = MAKERS[name](branch)
    answer = api_client(scheduler).get(f"/api/{name}/{record.pk}/")
    assert answer.status_code == 200
    assert (answer.data.get("id") or answer.data["proposal"]["id"]) == record.pk
    assert answer.headers["ETag"].startswith(f'"maintenance.{record._meta.model_name}-{record.pk}-')


@pytest.mark.parametrize("name", BRANCHES_OWN)
def test_another_branch_sees_nothing_of_it(branch: Branch, stranger: User, name: str) -> None:
    record = MAKERS[name](branch)
    client = api_client(stranger)
    assert client.get(f"/api/{name}/").data["results"] == []
    assert client.get(f"/api/{name}/{record.pk}/").status_code == 404


@pytest.mark.parametrize("name", OF_SITES)
def test_an_engineer_sees_nothing_of_sites_of_others_visits(branch: Branch, engineer: User, name: str) -> None:
    record = MAKERS[name](branch)
    client = api_client(engineer)
    assert client.get(f"/api/{name}/").data["results"] == []
    assert client.get(f"/api/{name}/{record.pk}/").status_code == 404


def test_an_engineer_sees_requirements_flags_and_results_of_own_sites(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    requirement = visit.tasks.get().requirement
    flag = make.FlagFactory(requirement=requirement)
    result = make.ResultFactory(requirement=requirement)
    client = api_client(engineer)
    for name, pk in (("requirements", requirement.pk), ("flags", flag.pk), ("test-results", result.pk)):
        assert [row["id"] for row in client.get(f"/api/{name}/").data["results"]] == [pk]


def test_withdrawn_flags_are_not_listed_and_escalated_ones_come_first(branch: Branch, scheduler: User) -> None:
    overdue, escalated = flag_of(branch), flag_of(branch, "escalated", since="2026-11-01")
    flag_of(branch, withdrawn_at="2026-11-02T00:00:00Z")
    rows = api_client(scheduler).get("/api/flags/").data["results"]
    assert [row["id"] for row in rows] == [escalated.pk, overdue.pk]


def test_a_rule_is_edited_by_those_who_may_with_its_etag(scheduler: User, service_manager: User) -> None:
    rule = make.RegimeRuleFactory()
    address = f"/api/regime-rules/{rule.pk}/"
    assert api_client(scheduler).patch(address, {"interval_months": 6}).status_code == 403
    client = api_client(service_manager)
    assert client.patch(address, {"interval_months": 6}).status_code == 428
    tag = {"If-Match": client.get(address).headers["ETag"]}
    assert client.patch(address, {"interval_months": 1}, headers=tag).status_code == 400
    answer = client.patch(address, {"interval_months": 6, "source": "own rule", "test": "loop"}, headers=tag)
    assert answer.status_code == 200
    rule.refresh_from_db()
    assert (rule.interval_months, rule.source, rule.test) == (6, "own rule", "site visit")
    assert client.patch(address, {"interval_months": 12}, headers=tag).status_code == 412


def test_a_proposal_is_decided_with_its_etag(branch: Branch, scheduler: User, engineer: User) -> None:
    first, second = proposal_of(branch), proposal_of(branch)
    client = api_client(scheduler)
    assert client.post(f"/api/proposals/{first.pk}/accept/", {}).status_code == 428
    for proposal, verb, state in ((first, "accept", "accepted"), (second, "decline", "declined")):
        address = f"/api/proposals/{proposal.pk}/"
        tag = {"If-Match": client.get(address).headers["ETag"]}
        answer = client.post(f"{address}{verb}/", {"note": "as agreed"}, headers=tag)
        assert (answer.status_code, answer.data["state"]) == (200, state)
        assert client.post(f"{address}{verb}/", {}, headers=tag).status_code == 412
    assert api_client(engineer).post(f"/api/proposals/{first.pk}/accept/", {}).status_code == 403


def test_a_proposal_in_full_names_settings_and_parts(branch: Branch, scheduler: User) -> None:
    proposal = proposal_of(branch)
    body = api_client(scheduler).get(f"/api/proposals/{proposal.pk}/").json()
    assert body["reasons_against"] == ["Its range is shorter."]
    changed = [line for line in body["settings"] if line["why"]]
    assert [line["field"] for line in changed] == ["pir_range_m"]
    assert [part["where"] for part in body["parts"]] == ["Not in the branch and not on order"]


def test_why_not_over_rest(branch: Branch, scheduler: User, stranger: User) -> None:
    device = make.DeviceFactory(system__site=site_of(branch))
    other = make.VariantFactory(family=device.variant.family, grade=1)
    address = f"/api/devices/{device.pk}/swaps/"
    rows = api_client(scheduler).get(address).data
    assert {row["code"] for row in rows} == {device.variant.code, other.code}
    worse = next(row for row in rows if row["code"] == other.code)
    assert worse["proposable"] is False
    assert len(worse["reasons_against"]) > 0
    assert api_client(stranger).get(address).status_code == 404
