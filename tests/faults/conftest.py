"""Real workers that a test kills: on the tests' own database and broker, with a queue of the test alone."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest
from django.db import connection

from config.celery import app
from tests.faults.environment import of_the_tests
from tests.machine import ROOT

StartWorker = Callable[[], "subprocess.Popen[str]"]


@pytest.fixture
def holder() -> Iterator[psycopg.Connection]:
    """Another session, that can hold a row or a table so that the worker has to wait in the middle of its work."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as session:
        yield session
        session.rollback()


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[StartWorker]:
    """Starts a worker of one process, so that a kill ends the work itself. From now on tasks go to the test's own
    queue of the real broker: whatever other tests post is not this worker's business."""
    queue, send = f"kill-{os.getpid()}-{tmp_path.name}", app.send_task
    monkeypatch.setattr(app, "send_task", lambda name, args: send(name, args, queue=queue))

    def start() -> subprocess.Popen[str]:
        with (tmp_path / "worker.log").open("a") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "celery", "-A", "config.celery", "worker", "--pool", "solo", "--queues", queue,
                 "--without-gossip", "--without-mingle", "--loglevel", "INFO"],
                stdout=log, stderr=subprocess.STDOUT, text=True, cwd=ROOT, env=os.environ | of_the_tests(),
            )

    yield start
    with app.connection_for_write() as broker:
        broker.default_channel.queue_purge(queue)


def waiting() -> bool:
    """Whether some session of the database waits for another."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT EXISTS (SELECT FROM pg_locks WHERE NOT granted)")
        return bool((cursor.fetchone() or (False,))[0])
