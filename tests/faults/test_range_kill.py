"""A range study whose worker is killed in the middle leaves nothing behind, and run again it ends as if undisturbed."""

from __future__ import annotations

import time

import psycopg
import pytest

from config.accounts.models import Branch, User
from maintenance.models import RangeStudy
from maintenance.services.range_study import run_again, start_study, study_range
from tests.faults.conftest import StartWorker, waiting
from tests.machine import wait_until
from tests.maintenance.swap_scene import make_scene

pytestmark = pytest.mark.django_db(transaction=True)



def state_of(made: RangeStudy) -> tuple[str, int]:
    made.refresh_from_db()
    return made.state, made.progress


def test_a_worker_killed_in_the_middle_is_made_good(
    branch: Branch, scheduler: User, service_manager: User, holder: psycopg.Connection, worker: StartWorker
) -> None:
    scene = make_scene(branch, scheduler)
    for grade in (1, 2, 3):
        scene.device(scene.site(grade=grade), variant=scene.old)
    # The weekly use comes after judging and solving; there the worker has to wait.
    holder.execute("LOCK TABLE stock_pastdemand IN ACCESS EXCLUSIVE MODE")
    made = start_study(None, by=service_manager)
    first = worker()
    try:
        wait_until(lambda: state_of(made) == ("running", 95) and waiting(), "the worker waits after solving",
                   seconds=90)
    finally:
        first.kill()
        first.wait()
    holder.rollback()
    assert state_of(made) == ("running", 95)
    assert set(made.result) == {"asked"}

    # The person presses 'run again'; the killed worker's session must have given its lock back.
    run_again(made)
    second = worker()
    try:
        wait_until(lambda: state_of(made) == ("done", 100), "the second worker is done", seconds=90)
        # The broker may hand the killed worker's task out as well; it finds nothing left to do.
        time.sleep(0.5)
    finally:
        second.terminate()
        second.wait()
    undisturbed = start_study(None, by=service_manager)
    assert study_range(undisturbed.pk) == "done"
    undisturbed.refresh_from_db()
    made.refresh_from_db()
    assert made.result == undisturbed.result
    assert [row["code"] for row in made.result["kept"]] == ["NEW"]
