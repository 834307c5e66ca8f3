"""Branches, people, the firm's settings and the read log over REST."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, Firm, ReadLog, User
from tests.conftest import api_client


def test_a_person_of_one_branch_sees_that_branch(scheduler: User, other_branch: Branch, service_manager: User) -> None:
    assert scheduler.branch is not None
    names = [row["name"] for row in api_client(scheduler).get("/api/branches/").json()["results"]]
    assert names == [scheduler.branch.name]
    assert api_client(scheduler).get(f"/api/branches/{other_branch.pk}/").status_code == 404
    every = [row["name"] for row in api_client(service_manager).get("/api/branches/").json()["results"]]
    assert every == [scheduler.branch.name, other_branch.name]


def test_people_are_listed_without_their_passwords(administrator: User, stores: User) -> None:
    rows = api_client(administrator).get("/api/people/?role=stores").json()["results"]
    assert [(row["email"], row["role"]) for row in rows] == [(stores.email, "stores")]
    assert set(rows[0]) == {"id", "email", "name", "role", "branch", "is_active", "joined_at"}


def test_firm_settings_change_with_if_match_only(administrator: User, scheduler: User) -> None:
    client = api_client(administrator)
    read = client.get("/api/firm/1/")
    assert client.patch("/api/firm/1/", {"escalate_days": 30}).status_code == 428
    stale = {"If-Match": '"accounts.firm-1-stale"'}
    assert client.patch("/api/firm/1/", {"escalate_days": 30}, headers=stale).status_code == 412
    done = client.patch("/api/firm/1/", {"escalate_days": 30}, headers={"If-Match": read["ETag"]})
    assert (done.status_code, Firm.objects.get().escalate_days) == (200, 30)
    assert done["ETag"] == client.get("/api/firm/1/")["ETag"] != read["ETag"]
    wrong = client.patch("/api/firm/1/", {"escalate_days": -1}, headers={"If-Match": done["ETag"]})
    assert (wrong.status_code, list(wrong.json()["errors"])) == (400, ["escalate_days"])
    refused = api_client(scheduler).patch("/api/firm/1/", {"escalate_days": 1}, headers={"If-Match": done["ETag"]})
    assert refused.status_code == 403


@pytest.mark.parametrize("count", [1, 3])
def test_read_log_lists_the_latest_first_in_one_statement(service_manager: User, stores: User, count: int) -> None:
    for number in range(count):
        ReadLog.objects.create(subject_id=number, user=stores, door="test")
    client = api_client(service_manager)
    with CaptureQueriesContext(connection) as seen:
        rows = client.get("/api/read-log/").json()["results"]
    assert [row["subject_id"] for row in rows] == list(reversed(range(count)))
    assert len(seen) == 1
    assert client.delete(f"/api/read-log/{rows[0]['id']}/").status_code == 403
