"""Celery doors of the installs app."""

from __future__ import annotations

from celery import shared_task

from installs.services import measurement_imports


@shared_task(name="installs.take_in_measurements")
def take_in_measurements(import_id: int) -> str:
    """Take in a file of measured values; give the state it ends in. Safe to repeat."""
    return measurement_imports.take_in(import_id)
