"""The pages and the endpoint of range studies: starting, watching, reading, and who sees which sites."""

from __future__ import annotations

import csv
import html
import io
import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

import config.background
from config.accounts.models import Branch, User
from maintenance.models import RangeStudy
from maintenance.queries.range_study import one_study, study_list
from maintenance.services.range_study import start_study, study_range
from tests.conftest import api_client, logged_in
from tests.maintenance.swap_scene import DAY, Scene, make_scene

# Progress goes through a second connection, so the study must be committed.
pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    posted: list[Any] = []
    monkeypatch.setattr(config.background.app, "send_task", lambda name, args: posted.append((name, args)))
    return posted


@pytest.fixture
def scene(branch: Branch, scheduler: User) -> Scene:
    return make_scene(branch, scheduler)


def text_of(answer: Any) -> str:
    body = re.sub(r"<[^>]+>", " ", answer.content.decode())
    return re.sub(r"\s+", " ", html.unescape(body))


def a_study(scene: Scene, by: User, branch: Branch | None) -> RangeStudy:
    site = scene.site(name="Quayside Chandlery", reference="S77", grade=3)
    scene.device(scene.site(name="Tannery Wharf", reference="S42"), variant=scene.old)
    scene.device(site, variant=scene.old)
    made = start_study(branch, by=by)
    assert study_range(made.pk, today=DAY) == "done"
    return made


ASKED = {"settings": "keep", "service_percent": "95", "correlation": "0"}


def test_a_study_is_started_once_and_watched(scene: Scene, stores: User, branch: Branch, asked: list[Any]) -> None:
    client = logged_in(stores)
    page = client.get(reverse("maintenance:range_studies")).content.decode()
    token = re.search(r'name="token" value="(\w+)"', page)
    assert token is not None
    form = ASKED | {"branch": str(branch.pk), "token": token[1]}
    answers = [client.post(reverse("maintenance:range_studies"), form) for _ in range(2)]
    made = RangeStudy.objects.get()
    address = reverse("maintenance:range_study", args=[made.pk])
    assert [answer.headers["Location"] for answer in answers] == [address, address]
    assert asked == [("maintenance.study_range", [made.pk])]
    assert (made.branch, made.by, made.result) == (
        branch, stores, {"asked": {"keep_settings": True, "service_percent": 95.0, "correlation": 0.0}}
    )
    page = client.get(answers[0].headers["Location"]).content.decode()
    assert (page.count('hx-trigger="every 1s"'), "<h1>" in page) == (1, True)
    part = client.get(answers[0].headers["Location"], headers={"HX-Request": "true"}).content.decode()
    assert (part.count('hx-trigger="every 1s"'), "<h1>" in part) == (1, False)


@pytest.mark.parametrize("wrong", [{"branch": ""}, {"service_percent": "20"}, {"correlation": "2"}, {"settings": "x"}])
def test_what_cannot_be_asked_is_said_at_the_form(wrong: dict[str, str], stores: User, branch: Branch) -> None:
    form = ASKED | {"branch": str(branch.pk), "token": "t1"} | wrong
    answer = logged_in(stores).post(reverse("maintenance:range_studies"), form)
    assert (answer.status_code, RangeStudy.objects.count()) == (400, 0)
    assert 'role="alert"' in answer.content.decode()


def test_the_result_reads_well(scene: Scene, service_manager: User) -> None:
    made = a_study(scene, service_manager, None)
    text = text_of(logged_in(service_manager).get(reverse("maintenance:range_study", args=[made.pk])))
    assert "Keep 1 variant " in text
    assert "1 of the 2 variants that are still made serve every position that any of them can serve: all but 1 " in text
    assert "Proven: no smaller set does" in text
    assert "OLD no longer made" in text
    assert "NEW at 1" in text
    assert "With one variant fewer, at best 1 position would be left unserved" in text
    assert "Tannery Wharf S42" in text
    assert "Quayside Chandlery S77" in text


def test_sites_are_named_only_to_those_who_may_open_them(
    scene: Scene, stores: User, service_manager: User, branch: Branch
) -> None:
    made = a_study(scene, stores, branch)
    address, endpoint = reverse("maintenance:range_study", args=[made.pk]), f"/api/range-studies/{made.pk}/"
    text = text_of(logged_in(stores).get(address))
    assert ("Keep 1 variant" in text, "Tannery Wharf" in text, "For example" in text) == (True, False, False)
    body = api_client(stores).get(endpoint).json()
    assert [row["examples"] for row in body["result"]["kept"]] == [[]]
    body = api_client(service_manager).get(endpoint).json()
    assert [place["site"] for place in body["result"]["kept"][0]["examples"]] == ["Tannery Wharf"]


def test_the_positions_as_csv(scene: Scene, stores: User, branch: Branch) -> None:
    made = a_study(scene, stores, branch)
    answer = logged_in(stores).get(reverse("maintenance:range_study_csv", args=[made.pk]))
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert [(row["variant now"], row["site grade"], row["served by"], row["positions"]) for row in rows] == [
        ("OLD", "2", "NEW", "1"), ("OLD", "3", "", "1")
    ]


def test_cancelling_and_running_again(scene: Scene, stores: User, branch: Branch, asked: list[Any]) -> None:
    client, made = logged_in(stores), start_study(branch, by=stores)
    assert client.post(reverse("maintenance:range_study_cancel", args=[made.pk])).status_code == 302
    assert study_range(made.pk, today=DAY) == "cancelled"
    assert client.post(reverse("maintenance:range_study_cancel", args=[made.pk])).status_code == 409
    assert client.post(reverse("maintenance:range_study_again", args=[made.pk])).status_code == 302
    assert len(asked) == 2
    assert study_range(made.pk, today=DAY) == "done"
    assert client.post(reverse("maintenance:range_study_again", args=[made.pk])).status_code == 409


def test_another_branchs_study_is_not_there(
    scene: Scene, stores: User, scheduler: User, service_manager: User, other_branch: Branch
) -> None:
    for branch in (None, other_branch):
        made = start_study(branch, by=service_manager)
        for name in ("range_study", "range_study_csv"):
            assert logged_in(stores).get(reverse(f"maintenance:{name}", args=[made.pk])).status_code == 404
        for name in ("range_study_cancel", "range_study_again"):
            assert logged_in(stores).post(reverse(f"maintenance:{name}", args=[made.pk])).status_code == 404
        assert api_client(stores).get(f"/api/range-studies/{made.pk}/").status_code == 404
    assert study_list(stores, cursor=None, size=5).rows == []
    assert logged_in(scheduler).get(reverse("maintenance:range_studies")).status_code == 403


@pytest.mark.parametrize("studies", [1, 3])
def test_studies_are_listed_in_one_statement(studies: int, scene: Scene, service_manager: User) -> None:
    made = [start_study(None, by=service_manager) for _ in range(studies)]
    with CaptureQueriesContext(connection) as seen:
        page = study_list(service_manager, cursor=None, size=5)
    assert ([row.pk for row in page.rows], len(seen)) == ([study.pk for study in reversed(made)], 1)
    assert [(row.scope, row.positions, row.kept) for row in page.rows] == [("Whole firm", None, None)] * studies
    done = a_study(scene, service_manager, None)
    with CaptureQueriesContext(connection) as seen:
        detail = one_study(service_manager, done.pk)
    assert detail is not None
    assert ((detail.row.positions, detail.row.kept), len(seen)) == ((2, 1), 2)


def test_the_endpoint_starts_once_and_cancels(scene: Scene, stores: User, branch: Branch) -> None:
    client, key = api_client(stores), {"HTTP_IDEMPOTENCY_KEY": "range-0001-aaaa"}
    body = {"branch": branch.pk, "keep_settings": False}
    answers = [client.post("/api/range-studies/", body, format="json", **key) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 201]
    made = RangeStudy.objects.get()
    assert [answer.json()["id"] for answer in answers] == [made.pk] * 2
    assert made.result["asked"]["keep_settings"] is False
    assert client.post(f"/api/range-studies/{made.pk}/cancel/").json()["cancel_asked"] is True
    assert [row["id"] for row in client.get("/api/range-studies/").json()["results"]] == [made.pk]
    refused = client.post(
        "/api/range-studies/", {"branch": None}, format="json", HTTP_IDEMPOTENCY_KEY="range-0002-aaaa"
    )
    assert refused.status_code == 400
