"""Asking a worker for the nightly work now."""

from __future__ import annotations

from config.celery import app


def ask_for_nightly_run() -> str:
    """Post the nightly work to the workers and give the task's id. A second run waits for the first."""
    # By name: tasks are doors, and a service does not import doors.
    return str(app.send_task("maintenance.run_nightly").id)
