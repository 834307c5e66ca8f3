"""An import whose worker is killed in the middle leaves nothing behind, and run again it ends as if undisturbed."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from celery import Celery
from django.db import connection

from config.accounts.models import Branch, User
from installs.models import LoopMeasurement, MeasurementImport
from installs.services import measurement_imports
from installs.services.measurement_imports import run_again, start_import
from tests.faults.environment import of_the_tests
from tests.installs.kit import site_with
from tests.machine import ROOT, wait_until

pytestmark = pytest.mark.django_db(transaction=True)

ROWS = 3000
# A queue of this test alone: whatever other tests post is not this worker's business.
QUEUE = f"import-kill-{os.getpid()}"


@pytest.fixture
def holder() -> Iterator[psycopg.Connection]:
    """Another session, that can hold a row so that the worker has to wait in the middle of its file."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as session:
        yield session
        session.rollback()


@pytest.fixture
def posted(monkeypatch: pytest.MonkeyPatch) -> Iterator[Celery]:
    """Tasks go to the test's own queue of the real broker."""
    app, send = measurement_imports.app, measurement_imports.app.send_task
    monkeypatch.setattr(app, "send_task", lambda name, args: send(name, args, queue=QUEUE))
    yield app
    with app.connection_for_write() as broker:
        broker.default_channel.queue_purge(QUEUE)


def worker(where: Path) -> subprocess.Popen[str]:
    """A real worker on the tests' database and broker, one process, so that a kill ends the work itself."""
    with (where / "worker.log").open("a") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "celery", "-A", "config.celery", "worker", "--pool", "solo", "--queues", QUEUE,
             "--without-gossip", "--without-mingle", "--loglevel", "INFO"],
            stdout=log, stderr=subprocess.STDOUT, text=True, cwd=ROOT, env=os.environ | of_the_tests(),
        )


def state_of(made: MeasurementImport) -> tuple[str, int]:
    made.refresh_from_db()
    return made.state, made.progress


def waiting() -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SELECT EXISTS (SELECT FROM pg_locks WHERE NOT granted)")
        return bool((cursor.fetchone() or (False,))[0])


def values() -> list[tuple[object, ...]]:
    return list(LoopMeasurement.objects.order_by("circuit", "measured_on", "ohm").values_list(
        "circuit__number", "measured_on", "ohm", "imported"
    ))


def test_a_worker_killed_in_the_middle_is_made_good(
    branch: Branch, scheduler: User, holder: psycopg.Connection, posted: Celery, tmp_path: Path
) -> None:
    kit = site_with(branch, circuits=3, reference="S1")
    lines = [f"S1,{n % 3 + 1},2026-03-{n % 28 + 1:02d},{1000 + n}" for n in range(ROWS)]
    content = "\n".join(["site,circuit,date,measured", *lines]).encode()
    # The same value as one of the second chunk's rows, written but not committed: the insert waits for its outcome.
    other = MeasurementImport.objects.create(name="other", content=b"", by=scheduler)
    holder.execute(
        "INSERT INTO installs_loopmeasurement (circuit_id, measured_on, ohm, place, at_rest, note, source, imported_id,"
        " by_id, at) VALUES (%s, %s, %s, 'panel', TRUE, '', 'import', %s, %s, now())",
        [kit.circuits[1500 % 3].pk, f"2026-03-{1500 % 28 + 1:02d}", 2500.0, other.pk, scheduler.pk],
    )
    made = start_import("values.csv", content, take_good_rows=False, by=scheduler)
    first = worker(tmp_path)
    try:
        wait_until(lambda: state_of(made) == ("running", 33) and waiting(), "the worker is in its second chunk",
                   seconds=90)
    finally:
        first.kill()
        first.wait()
    assert values() == []
    holder.rollback()
    assert state_of(made) == ("running", 33)

    # The person presses 'run again'; the killed worker's session must have given its lock back.
    run_again(made, take_good_rows=False)
    second = worker(tmp_path)
    try:
        wait_until(lambda: state_of(made) == ("done", 100), "the second worker is done", seconds=90)
        # The broker may hand the killed worker's task out as well; it finds nothing left to do.
        time.sleep(0.5)
    finally:
        second.terminate()
        second.wait()
    assert (made.rows, made.taken, made.known, made.bad) == (ROWS, ROWS, 0, 0)
    expected = sorted((n % 3 + 1, f"2026-03-{n % 28 + 1:02d}", float(1000 + n), made.pk) for n in range(ROWS))
    assert sorted((number, str(day), ohm, pk) for number, day, ohm, pk in values()) == expected
