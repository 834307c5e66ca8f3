"""A nightly run that is killed in any step is made good by the next one, and no mail goes twice for it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from email import message_from_bytes
from pathlib import Path

import psycopg
import pytest
from django.core.mail import EmailMessage
from django.core.mail.backends.filebased import EmailBackend
from django.db import connection, transaction

from maintenance.models import Digest, JobRun
from maintenance.services.digests import message_id
from maintenance.services.nightly import run_nightly
from tests.faults.environment import of_the_tests
from tests.machine import ROOT, wait_until
from tests.maintenance.services.nightly_world import DAY, build, state

pytestmark = pytest.mark.django_db(transaction=True)

RUN = f"""
import django
django.setup()
import datetime
from maintenance.services.nightly import run_nightly
print("begins", flush=True)
run_nightly(business_date=datetime.date.fromisoformat("{DAY.isoformat()}"))
print("ended", flush=True)
"""


class StopsBeforeTheThird(EmailBackend):
    """Writes two mails as files, then hangs before the third, as a slow mail server does."""

    sent = 0

    def send_messages(self, messages: list[EmailMessage]) -> int:
        if StopsBeforeTheThird.sent == 2:
            time.sleep(600)
        StopsBeforeTheThird.sent += 1
        return super().send_messages(messages)


def process(mail: Path, **more: str) -> subprocess.Popen[str]:
    """The nightly work in a process of its own, on the tests' database."""
    values = of_the_tests() | {
        "ZONEWRIGHT_EMAIL_BACKEND": "django.core.mail.backends.filebased.EmailBackend",
        "NIGHTLY_MAIL": str(mail),
    }
    code = (
        "from django.conf import settings\nsettings.EMAIL_FILE_PATH = __import__('os').environ['NIGHTLY_MAIL']\n" + RUN
    )
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
        env=os.environ | values | more,
    )


def kill(running: subprocess.Popen[str]) -> None:
    running.kill()
    output, _ = running.communicate()
    assert output.splitlines()[:1] == ["begins"], output
    assert "ended" not in output


def clean_end() -> dict[str, object]:
    """The state that an undisturbed run leaves; undone again."""
    with transaction.atomic():
        run_nightly(business_date=DAY)
        end = state()
        transaction.set_rollback(True)
    return end


@pytest.fixture
def holder() -> Iterator[psycopg.Connection]:
    """Another session, that can hold a table so that a step has to wait."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as session:
        yield session
        session.rollback()


@pytest.mark.parametrize(
    ("step", "table"),
    [
        ("requirements", "maintenance_requirement"),
        ("flags", "maintenance_flag"),
        ("drift", "maintenance_loopdrift"),
        ("swaps", "maintenance_swapproposal"),
        ("shortages", "maintenance_shortage"),
        ("stock plan", "stock_stockplan"),
        ("ledger check", "stock_ledgercheck"),
        ("digests", "maintenance_digest"),
    ],
)
def test_a_run_killed_in_a_step_is_made_good(step: str, table: str, holder: psycopg.Connection, tmp_path: Path) -> None:
    build()
    expected = clean_end()
    untouched = state()
    holder.execute(f"LOCK TABLE {table} IN SHARE MODE")
    running = process(tmp_path)
    wait_until(lambda: waiting_for(table), f"the run waits for {table}")
    kill(running)
    killed = JobRun.objects.get()
    assert (killed.state, killed.step.split(":")[0]) == ("running", step)
    assert state() != expected

    # The table is still held: the killed process must give the lock on the nightly work back all the same.
    wait_until(lambda: not waiting_for(table), "the server noticed that nobody listens", seconds=10)
    holder.rollback()
    if step == "requirements":
        assert state() == untouched
    assert run_nightly(business_date=DAY, wait_s=10).state == JobRun.State.DONE
    killed.refresh_from_db()
    assert (killed.state, killed.error) == ("failed", "killed")
    assert state() == expected


def test_a_second_run_waits_for_the_first(holder: psycopg.Connection, tmp_path: Path) -> None:
    build()
    expected = clean_end()
    holder.execute("LOCK TABLE maintenance_flag IN SHARE MODE")
    running = process(tmp_path)
    wait_until(lambda: waiting_for("maintenance_flag"), "the first run waits")
    release = threading.Timer(1.0, holder.rollback)
    release.start()
    second = run_nightly(business_date=DAY, wait_s=30)
    output, _ = running.communicate(timeout=30)
    release.join()
    assert output.splitlines()[-1] == "ended"
    first = JobRun.objects.earliest("id")
    assert (first.state, first.counts["digests"]["sent"]) == ("done", 5)
    assert second.counts["flags"] == {"raised": 0, "changed": 0, "withdrawn": 0}
    assert second.counts["digests"] == {"written": 0, "sent": 0, "not sent": 0}
    assert state() == expected


def test_a_run_killed_between_two_mails_sends_none_twice_and_none_too_few(tmp_path: Path) -> None:
    build()
    running = process(tmp_path, ZONEWRIGHT_EMAIL_BACKEND=f"{__name__}.StopsBeforeTheThird")
    wait_until(lambda: len(mails(tmp_path)) == 2 and Digest.objects.exclude(sent_at=None).count() == 2, "two are sent")
    kill(running)
    wait_until(lambda: not sessions_of_others(), "the killed process's session has ended")
    again = process(tmp_path)
    output, _ = again.communicate(timeout=60)
    assert output.splitlines()[-1] == "ended"
    assert mails(tmp_path) == Counter(message_id(digest) for digest in Digest.objects.all())
    assert len(mails(tmp_path)) == 5


def mails(where: Path) -> Counter[str]:
    """How often each Message-ID was written."""
    texts = [path.read_bytes() for path in where.glob("*.log")]
    parts = [part for text in texts for part in text.split(b"-" * 79 + b"\n") if part.strip()]
    return Counter(str(message_from_bytes(part)["Message-ID"]) for part in parts)


def waiting_for(table: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SELECT EXISTS (SELECT FROM pg_locks WHERE NOT granted AND relation = %s::regclass)", [table])
        return bool((cursor.fetchone() or (False,))[0])


def sessions_of_others() -> int:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND pid <> pg_backend_pid()"
            " AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
        )
        return int((cursor.fetchone() or (0,))[0])
