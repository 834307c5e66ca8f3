"""The nightly run as a whole: its record, a repeat, an error, and two at once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import psycopg
import pytest
from django.core import mail
from django.db import connection
from django.utils import timezone

from config.demo.factories import JobRunFactory
from config.errors import Conflict
from maintenance.models import JobRun
from maintenance.services.nightly import LOCK, run_nightly
from maintenance.tasks import run_nightly as task
from tests.maintenance.services.nightly_world import DAY, build, state


@pytest.fixture
def other_session(transactional_db: None) -> Iterator[psycopg.Connection]:
    """Another process's session on the tests' database."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None, "autocommit": True}) as session:
        yield session


@pytest.mark.django_db
def test_a_run_goes_through_all_steps_and_keeps_their_counts() -> None:
    build()
    run = run_nightly(business_date=DAY)
    run.refresh_from_db()
    assert (run.job, run.business_date, run.state, run.step, run.progress, run.error) == (
        "nightly", DAY, "done", "", 100, "",
    )
    assert run.finished_at is not None
    assert set(run.counts) == {
        "loops", "requirements", "flags", "drift", "swaps", "shortages", "stock plan", "order proposals",
        "snapshots", "ledger check", "digests",
    }
    assert run.counts["loops"] == {"computed": 4}
    # 4 site visits and 4 walk tests; one walk test was there already.
    assert run.counts["requirements"] == {"added": 8, "taken up again": 0, "dropped": 0}
    assert run.counts["flags"]["raised"] > 0
    assert run.counts["shortages"] == {"short items": 1, "short pieces": 2}
    # The reservation's proposal was made up.
    assert run.counts["ledger check"] == {"differences": 1}
    # Four people of the branch and the person who recorded the result.
    assert run.counts["digests"] == {"written": 5, "sent": 5, "not sent": 0}
    assert len(mail.outbox) == 5


@pytest.mark.django_db
def test_a_second_run_changes_nothing() -> None:
    build()
    run_nightly(business_date=DAY)
    before = state()
    again = run_nightly(business_date=DAY)
    assert state() == before
    assert again.counts["loops"] == {"computed": 0}
    assert again.counts["requirements"] == {"added": 0, "taken up again": 0, "dropped": 0}
    assert again.counts["flags"] == {"raised": 0, "changed": 0, "withdrawn": 0}
    assert again.counts["digests"] == {"written": 0, "sent": 0, "not sent": 0}
    assert len(mail.outbox) == 5


@pytest.mark.django_db
def test_a_run_found_unfinished_is_marked_killed_and_the_new_one_goes_on() -> None:
    build()
    old = JobRunFactory.create(state="running", progress=40, step="swaps")
    foreign = JobRunFactory.create(job="import", state="running")
    assert run_nightly(business_date=DAY).state == JobRun.State.DONE
    old.refresh_from_db()
    foreign.refresh_from_db()
    assert (old.state, old.error, old.step, old.progress) == ("failed", "killed", "swaps", 40)
    assert old.finished_at is not None
    assert foreign.state == "running"


@pytest.mark.django_db
def test_an_error_is_kept_in_the_run_and_raised(settings: object) -> None:
    build()
    settings.EMAIL_BACKEND = "no.such.Backend"
    with pytest.raises(ModuleNotFoundError):
        run_nightly(business_date=DAY)
    run = JobRun.objects.get()
    assert (run.state, run.step, run.error) == (
        "failed", "digests: sending",
        "ModuleNotFoundError in step digests: sending: No module named 'no'",
    )
    assert run.counts["shortages"] == {"short items": 1, "short pieces": 2}
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert run_nightly(business_date=DAY).counts["digests"] == {"written": 0, "sent": 5, "not sent": 0}


def test_a_run_is_refused_while_another_works(other_session: psycopg.Connection) -> None:
    build()
    JobRunFactory.create(state="running", step="swaps")
    other_session.execute("SELECT pg_advisory_lock(%s)", [LOCK])
    for wait_s in (0, 1):
        with pytest.raises(Conflict, match=r"Another run of the nightly work is under way since .*, step 'swaps'."):
            run_nightly(business_date=DAY, wait_s=wait_s)
    assert list(JobRun.objects.values_list("state", flat=True)) == ["running"]
    other_session.execute("SELECT pg_advisory_unlock(%s)", [LOCK])
    assert run_nightly(business_date=DAY, wait_s=0).state == JobRun.State.DONE


def test_the_lock_is_given_back_after_success_and_after_an_error(
    other_session: psycopg.Connection, settings: object
) -> None:
    build()
    settings.EMAIL_BACKEND = "no.such.Backend"
    with pytest.raises(ModuleNotFoundError):
        run_nightly(business_date=DAY)
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    run_nightly(business_date=DAY)
    free = other_session.execute("SELECT pg_try_advisory_lock(%s)", [LOCK]).fetchone()
    assert free == (True,)


@pytest.mark.django_db
def test_the_task_runs_the_same_work_for_a_day_or_for_today() -> None:
    build()
    assert task.name == "maintenance.run_nightly"
    assert JobRun.objects.get(pk=task("2026-11-25")).business_date == DAY
    assert JobRun.objects.get(pk=task()).business_date == timezone.localdate()


@pytest.mark.django_db
def test_the_next_day_sends_the_next_digest() -> None:
    build()
    run_nightly(business_date=DAY)
    mail.outbox.clear()
    assert run_nightly(business_date=DAY + timedelta(days=1)).counts["digests"]["sent"] == 5
    assert {message.subject for message in mail.outbox} == {"Zonewright: 26 Nov 2026"}
