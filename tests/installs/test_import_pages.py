"""The pages of imports: sending a file, watching it, its report, cancelling and running again."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from config.accounts.models import User
from config.celery import app
from installs.models import MeasurementImport
from installs.queries.measurements import import_list, one_import
from tests.conftest import logged_in

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    posted: list[Any] = []
    monkeypatch.setattr(app, "send_task", lambda name, args: posted.append((name, args)))
    return posted


def made(by: User, **fields: Any) -> MeasurementImport:
    return MeasurementImport.objects.create(**{"name": "v.csv", "content": b"x", "by": by, **fields})


PROBLEM = {"row": 3, "column": "measured", "value": "=cmd|' /C x'!A0", "problem": "is not a resistance",
           "remedy": "Write it."}


def test_a_file_is_sent_and_watched(scheduler: User, asked: list[Any], django_capture_on_commit_callbacks: Any) -> None:
    client = logged_in(scheduler)
    file = SimpleUploadedFile("värde.csv", b"site,circuit\n")
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(reverse("installs:imports"), {"file": file, "take_good_rows": "on"})
    found = MeasurementImport.objects.get()
    assert answer.headers["Location"] == reverse("installs:import", args=[found.pk])
    assert (found.name, found.take_good_rows, found.by, bytes(found.content)) == (
        "värde.csv", True, scheduler, b"site,circuit\n")
    assert asked == [("installs.take_in_measurements", [found.pk])]
    page = client.get(answer.headers["Location"]).content.decode()
    assert (page.count('hx-trigger="every 1s"'), "<h1>" in page) == (1, True)
    part = client.get(answer.headers["Location"], headers={"HX-Request": "true"}).content.decode()
    assert (part.count('hx-trigger="every 1s"'), "<h1>" in part) == (1, False)


def test_polling_stops_when_the_import_has_ended(scheduler: User) -> None:
    row = made(scheduler, state="done", rows=3, taken=2, known=1)
    part = logged_in(scheduler).get(
        reverse("installs:import", args=[row.pk]), headers={"HX-Request": "true"}
    ).content.decode()
    assert ("every 1s" in part, "Run again" in part, part.count("<dd>2</dd>")) == (False, False, 1)


@pytest.mark.parametrize("content", [b"", b"x" * 5_000_001])
def test_a_file_too_small_or_too_large_leaves_nothing(content: bytes, scheduler: User) -> None:
    answer = logged_in(scheduler).post(reverse("installs:imports"), {"file": SimpleUploadedFile("a.csv", content)})
    assert (answer.status_code, MeasurementImport.objects.count()) == (400, 0)


@pytest.mark.parametrize("rows", [1, 3])
def test_the_own_imports_are_listed_in_one_statement(rows: int, scheduler: User, engineer: User) -> None:
    made(engineer)
    own = [made(scheduler) for _ in range(rows)]
    with CaptureQueriesContext(connection) as captured:
        page = import_list(scheduler, cursor=None, size=30)
    assert [row.pk for row in page.rows] == [row.pk for row in reversed(own)]
    assert len(captured) == 1
    assert "content" not in captured[0]["sql"]
    with CaptureQueriesContext(connection) as captured:
        one_import(scheduler, own[0].pk)
    assert len(captured) == 1


def test_pages_of_imports_follow_one_another(scheduler: User) -> None:
    own = [made(scheduler).pk for _ in range(3)]
    first = import_list(scheduler, cursor=None, size=2)
    second = import_list(scheduler, cursor=first.next_cursor, size=2)
    assert [row.pk for row in (*first.rows, *second.rows)] == own[::-1]


def test_problems_are_shown_and_exported_without_formulas(scheduler: User) -> None:
    row = made(scheduler, state="refused", bad=1, rows=1, problems=[PROBLEM])
    client = logged_in(scheduler)
    page = client.get(reverse("installs:import", args=[row.pk])).content.decode()
    assert "is not a resistance" in page
    report = client.get(reverse("installs:import-report", args=[row.pk]))
    assert report.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert report.content.decode("utf-8-sig").splitlines() == [
        "Row,Column,Value,Problem,What to do", "3,measured,'=cmd|' /C x'!A0,is not a resistance,Write it.",
    ]


def test_cancelling_and_running_again(
    scheduler: User, asked: list[Any], django_capture_on_commit_callbacks: Any
) -> None:
    client, row = logged_in(scheduler), made(scheduler, state="running", progress=40)
    assert client.post(reverse("installs:import-cancel", args=[row.pk])).status_code == 302
    row.refresh_from_db()
    assert row.cancel_asked
    MeasurementImport.objects.update(state="refused", bad=1, problems=[PROBLEM])
    assert client.post(reverse("installs:import-cancel", args=[row.pk])).status_code == 409
    with django_capture_on_commit_callbacks(execute=True):
        client.post(reverse("installs:import-again", args=[row.pk]), {"take_good_rows": "on"})
    row.refresh_from_db()
    assert (row.state, row.take_good_rows, row.cancel_asked, row.progress, row.bad, row.problems) == (
        "waiting", True, False, 0, 0, [])
    assert asked == [("installs.take_in_measurements", [row.pk])]
    MeasurementImport.objects.update(state="done")
    assert client.post(reverse("installs:import-again", args=[row.pk])).status_code == 409


def test_another_persons_import_is_not_there(scheduler: User, engineer: User, stores: User) -> None:
    row = made(scheduler)
    for name in ("import", "import-report"):
        address = reverse(f"installs:{name}", args=[row.pk])
        assert [logged_in(user).get(address).status_code for user in (engineer, stores)] == [404, 403]
    for name in ("import-cancel", "import-again"):
        address = reverse(f"installs:{name}", args=[row.pk])
        assert [logged_in(user).post(address).status_code for user in (engineer, stores)] == [404, 403]
    assert logged_in(stores).get(reverse("installs:imports")).status_code == 403
