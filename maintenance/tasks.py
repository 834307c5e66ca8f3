"""Celery doors of the maintenance app."""

from __future__ import annotations

from datetime import date

from celery import shared_task

from maintenance.services import nightly


@shared_task(name="maintenance.run_nightly")
def run_nightly(business_date: str | None = None) -> int:
    """Run the nightly work of a day (ISO date; default: today in the firm's time zone); give the id of
    its job run."""
    day = None if business_date is None else date.fromisoformat(business_date)
    return nightly.run_nightly(business_date=day).pk
