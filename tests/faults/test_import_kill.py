"""An import whose worker is killed in the middle leaves nothing behind, and run again it ends as if undisturbed."""

from __future__ import annotations

import time

import psycopg
import pytest

from config.accounts.models import Branch, User
from installs.models import LoopMeasurement, MeasurementImport
from installs.services.measurement_imports import run_again, start_import
from tests.faults.conftest import StartWorker, waiting
from tests.installs.kit import site_with
from tests.machine import wait_until

pytestmark = pytest.mark.django_db(transaction=True)

ROWS = 3000


def state_of(made: MeasurementImport) -> tuple[str, int]:
    made.refresh_from_db()
    return made.state, made.progress


def values() -> list[tuple[object, ...]]:
    return list(LoopMeasurement.objects.order_by("circuit", "measured_on", "ohm").values_list(
        "circuit__number", "measured_on", "ohm", "imported"
    ))


def test_a_worker_killed_in_the_middle_is_made_good(
    branch: Branch, scheduler: User, holder: psycopg.Connection, worker: StartWorker
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
    first = worker()
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
    second = worker()
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
