"""Visits over REST: planning, moving with If-Match, recording once."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from maintenance.models import TestResult, Visit
from tests.conftest import api_client
from tests.maintenance.door_scene import at, engineer_of, loop_test, next_monday, site_of, visit_of

VISITS = "/api/visits/"


def plan_of(site_id: int, engineer: User, **changes: Any) -> dict[str, Any]:
    given = {
        "site": site_id, "engineer": engineer_of(engineer).pk, "kind": "site", "requirements": [],
        "starts": at(next_monday(), 9).isoformat(), "ends": at(next_monday(), 10).isoformat(),
    }
    return given | changes


def test_a_visit_is_planned_read_and_moved(branch: Branch, scheduler: User, engineer: User) -> None:
    site = site_of(branch)
    requirement = loop_test(site)
    client = api_client(scheduler)
    made = client.post(VISITS, plan_of(site.pk, engineer, requirements=[requirement.pk]))
    assert made.status_code == 201
    assert made.data["requirements"] == [requirement.pk]
    assert made.data["engineer_name"] == engineer.name
    address = f"{VISITS}{made.data['id']}/"
    read = client.get(address)
    assert (read.data, read.headers["ETag"]) == (made.data, made.headers["ETag"])
    change = {"starts": at(next_monday(), 13).isoformat(), "ends": at(next_monday(), 14).isoformat()}
    assert client.patch(address, change).status_code == 428
    moved = client.patch(address, change, headers={"If-Match": read.headers["ETag"]})
    assert (moved.status_code, moved.data["version"]) == (200, 2)
    stale = client.patch(address, change, headers={"If-Match": read.headers["ETag"]})
    assert stale.status_code == 412
    assert Visit.objects.get().period.lower == at(next_monday(), 13)


def test_an_overlap_is_a_conflict_in_problem_details(branch: Branch, scheduler: User, engineer: User) -> None:
    other = visit_of(branch, engineer, day=next_monday())
    answer = api_client(scheduler).post(VISITS, plan_of(site_of(branch).pk, engineer))
    assert answer.status_code == 409
    assert answer.headers["Content-Type"] == "application/problem+json"
    body = answer.json()
    assert (body["status"], body["field"]) == (409, "start")
    assert body["detail"].startswith(f"{engineer.name} is already at {other.site.reference}")


def test_a_visit_is_aborted_with_a_reason(branch: Branch, scheduler: User, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = api_client(scheduler)
    tag = client.get(f"{VISITS}{visit.pk}/").headers["ETag"]
    assert client.post(f"{VISITS}{visit.pk}/abort/", {}, headers={"If-Match": tag}).status_code == 400
    answer = client.post(f"{VISITS}{visit.pk}/abort/", {"reason": "flooded"}, headers={"If-Match": tag})
    assert (answer.status_code, answer.data["state"], answer.data["note"]) == (200, "aborted", "Aborted: flooded")


def test_an_engineer_sees_own_visits_only_and_may_not_plan(branch: Branch, engineer: User, stranger: User) -> None:
    own = visit_of(branch, engineer)
    other = visit_of(branch, make.UserFactory(role="engineer", branch=branch))
    client = api_client(engineer)
    assert [row["id"] for row in client.get(VISITS).data["results"]] == [own.pk]
    assert client.get(f"{VISITS}{other.pk}/").status_code == 404
    assert client.post(VISITS, plan_of(own.site_id, engineer)).status_code == 403
    assert api_client(stranger).get(VISITS).data["results"] == []


def test_sites_and_engineers_of_other_branches_cannot_be_planned(
    branch: Branch, other_branch: Branch, scheduler: User, engineer: User
) -> None:
    client = api_client(scheduler)
    assert client.post(VISITS, plan_of(site_of(other_branch).pk, engineer)).status_code == 404
    foreign = make.UserFactory(role="engineer", branch=other_branch)
    assert client.post(VISITS, plan_of(site_of(branch).pk, foreign)).status_code == 404
    assert Visit.objects.count() == 0


def record_of(visit: Visit, **changes: Any) -> dict[str, Any]:
    entry = {"requirement": visit.tasks.get().requirement_id, "outcome": "passed", "measured_ohm": 4700}
    return {"done_on": f"{timezone.localdate():%Y-%m-%d}", "results": [entry | changes]}


def test_results_are_recorded_once_for_a_key(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = api_client(engineer)
    address, key = f"{VISITS}{visit.pk}/record/", {"Idempotency-Key": "phone-1"}
    assert client.post(address, record_of(visit)).status_code == 400
    first = client.post(address, record_of(visit), headers=key)
    again = client.post(address, record_of(visit), headers=key)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json() == first.json()
    assert again.headers["Idempotency-Replayed"] == "true"
    assert [row["measured_ohm"] for row in first.json()["results"]] == [4700.0]
    assert TestResult.objects.count() == 1
    assert client.post(address, record_of(visit, measured_ohm=10), headers=key).status_code == 422
    assert client.post(address, record_of(visit), headers={"Idempotency-Key": "phone-2"}).status_code == 409
    assert TestResult.objects.count() == 1


def test_the_scheduler_may_not_record_and_an_engineer_not_for_another(
    branch: Branch, scheduler: User, engineer: User
) -> None:
    visit = visit_of(branch, make.UserFactory(role="engineer", branch=branch))
    key = {"Idempotency-Key": "k"}
    assert api_client(scheduler).post(f"{VISITS}{visit.pk}/record/", record_of(visit), headers=key).status_code == 403
    assert api_client(engineer).post(f"{VISITS}{visit.pk}/record/", record_of(visit), headers=key).status_code == 404
    assert TestResult.objects.count() == 0


def test_filters(branch: Branch, scheduler: User, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    client = api_client(scheduler)

    def listed(query: dict[str, Any]) -> list[int]:
        return [row["id"] for row in client.get(VISITS, query).data["results"]]

    assert listed({"site": visit.site_id, "engineer": visit.engineer_id, "state": "planned"}) == [visit.pk]
    assert listed({"state": "done"}) == []
    assert listed({"starts_from": visit.period.lower.isoformat()}) == [visit.pk]
    assert listed({"starts_before": visit.period.lower.isoformat()}) == []


@pytest.mark.parametrize("size", ["0", "201", "many"])
def test_a_page_size_that_cannot_be_used_is_refused(scheduler: User, size: str) -> None:
    assert api_client(scheduler).get(VISITS, {"size": size}).status_code == 400
