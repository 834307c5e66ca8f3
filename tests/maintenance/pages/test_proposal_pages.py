"""Swap proposals, what fits nowhere, and the decision; nightly runs and shortages."""

from __future__ import annotations

import pytest

from config.accounts.models import Branch, User
from config.celery import app
from config.demo import factories as make
from maintenance.models import SwapProposal
from tests.conftest import logged_in
from tests.maintenance.door_scene import proposal_of, site_of

LIST = "/work/proposals/"


def test_a_row_says_what_why_verdict_and_where_the_parts_are(branch: Branch, scheduler: User) -> None:
    proposal = proposal_of(branch)
    store = make.LocationFactory(branch=branch, name="North store")
    make.receive_serial(proposal.verdict.variant.cover, store)
    row, = logged_in(scheduler).get(LIST).context["page"].rows
    assert row.parts == ("Cover: 1 at North store",)
    assert (row.verdict, row.reasons, row.device) == ("Fits as is", ("Failed a test",), "D7 Over the hall door")


def test_filters_and_branches_narrow_the_list(branch: Branch, scheduler: User, stranger: User) -> None:
    proposal = proposal_of(branch)
    client = logged_in(scheduler)

    def listed(query: str = "") -> list[int]:
        return [row.pk for row in client.get(LIST + query).context["page"].rows]

    assert listed() == [proposal.pk]
    assert listed("?verdict=fits&reason=failed test") == [proposal.pk]
    assert listed("?verdict=fits with board") == []
    assert listed("?reason=discontinued") == []
    assert listed("?state=accepted") == []
    assert logged_in(stranger).get(LIST).context["page"].rows == []
    assert logged_in(stranger).get(f"{LIST}{proposal.pk}/").status_code == 404


@pytest.mark.parametrize("rows", [1, 3])
def test_lists_take_as_many_statements_for_three_as_for_one(
    branch: Branch, scheduler: User, django_assert_num_queries, rows: int
) -> None:
    for _ in range(rows):
        proposal_of(branch)
        make.SwapNeedFactory(device__system__site=site_of(branch), proposable=0)
    client = logged_in(scheduler)
    client.get(LIST)
    # session, user, the person's branch, proposals, balances
    with django_assert_num_queries(5):
        assert len(client.get(LIST).context["page"].rows) == rows
    # session, user, the person's branch, needs
    with django_assert_num_queries(4):
        assert len(client.get(f"{LIST}unmet/").context["page"].rows) == rows


def test_a_proposal_in_full(branch: Branch, scheduler: User) -> None:
    proposal = proposal_of(branch)
    text = logged_in(scheduler).get(f"{LIST}{proposal.pk}/").content.decode()
    for words in (
        "It clips to the same backplate.", "Its range is shorter.", "It reaches 12 m at most.", 'class="changed"',
        "Not in the branch and not on order", "put the system on test", "Accept the swap",
        f"/work/devices/{proposal.device_id}/swaps/",
    ):
        assert words in text


def test_accepting_and_declining(branch: Branch, scheduler: User, engineer: User) -> None:
    first, second = proposal_of(branch), proposal_of(branch)
    client = logged_in(scheduler)
    for proposal, decision in ((first, "accept"), (second, "decline")):
        answer = client.post(f"{LIST}{proposal.pk}/decide/", {"version": 1, "decision": decision, "note": "as agreed"})
        assert answer.headers["Location"] == f"{LIST}{proposal.pk}/"
    assert list(SwapProposal.objects.order_by("id").values_list("state", "decided_by")) == [
        ("accepted", scheduler.pk), ("declined", scheduler.pk),
    ]
    again = client.post(f"{LIST}{first.pk}/decide/", {"version": 1, "decision": "decline"})
    assert again.status_code == 412
    assert "was changed meanwhile" in again.content.decode()


def test_an_engineer_may_not_decide(branch: Branch, engineer: User) -> None:
    proposal = proposal_of(branch)
    answer = logged_in(engineer).post(f"{LIST}{proposal.pk}/decide/", {"version": 1, "decision": "accept"})
    assert answer.status_code == 403
    proposal.refresh_from_db()
    assert proposal.state == "waiting"


def test_why_not_lists_every_cover_of_the_family_with_cautions(branch: Branch, scheduler: User, stranger: User) -> None:
    device = make.DeviceFactory(system__site=site_of(branch))
    other = make.VariantFactory(family=device.variant.family, grade=1)
    address = f"/work/devices/{device.pk}/swaps/"
    answer = logged_in(scheduler).get(address)
    assert {row.code for row in answer.context["options"]} == {device.variant.code, other.code}
    assert "put the system on test" in answer.content.decode()
    assert logged_in(stranger).get(address).status_code == 404


def test_stores_see_the_shortages_of_their_branch(branch: Branch, other_branch: Branch, stores: User) -> None:
    short = make.ShortageFactory(branch=branch, references=["proposal 12"])
    make.ShortageFactory(branch=other_branch)
    answer = logged_in(stores).get("/work/shortages/")
    assert [row.pk for row in answer.context["page"].rows] == [short.pk]
    assert "proposal 12" in answer.content.decode()


@pytest.mark.parametrize("rows", [1, 3])
def test_shortages_and_runs_take_as_many_statements_for_three_as_for_one(
    branch: Branch, scheduler: User, django_assert_num_queries, rows: int
) -> None:
    for _ in range(rows):
        make.ShortageFactory(branch=branch)
        make.JobRunFactory()
    client = logged_in(scheduler)
    client.get("/work/shortages/")
    # session, user, the person's branch, shortages
    with django_assert_num_queries(4):
        assert len(client.get("/work/shortages/").context["page"].rows) == rows
    # session, user, the person's branch, runs, whether one is under way, and the summary's seven
    with django_assert_num_queries(13):
        assert len(client.get("/work/jobs/").context["page"].rows) == rows


def test_runs_show_counts_progress_and_errors(scheduler: User, stores: User) -> None:
    make.JobRunFactory(counts={"flags": {"raised": 41}}, error="the disk is full", state="failed", progress=40)
    text = logged_in(scheduler).get("/work/jobs/").content.decode()
    for words in ("flags raised", "<dd>41</dd>", "the disk is full", "40 %", "Failed"):
        assert words in text
    assert "renews itself" not in text
    assert logged_in(stores).get("/work/jobs/").status_code == 403


def test_the_list_renews_itself_only_while_a_run_is_under_way(scheduler: User) -> None:
    run = make.JobRunFactory(state="running", progress=20, step="swaps")
    client = logged_in(scheduler)
    assert "renews itself" in client.get("/work/jobs/", headers={"HX-Request": "true"}).content.decode()
    run.state = "done"
    run.save()
    assert "renews itself" not in client.get("/work/jobs/", headers={"HX-Request": "true"}).content.decode()
    assert "renews itself" in client.get("/work/jobs/?watch=1").content.decode()


def test_run_now_posts_the_nightly_task_to_the_broker(scheduler: User) -> None:
    with app.connection_for_write() as connection, connection.SimpleQueue("celery") as queue:
        queue.clear()
        assert logged_in(scheduler).post("/work/jobs/run/").headers["Location"] == "/work/jobs/?watch=1"
        message = queue.get(timeout=5)
        message.ack()
    assert message.headers["task"] == "maintenance.run_nightly"
