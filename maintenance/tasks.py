"""Celery doors of the maintenance app."""

from __future__ import annotations

from datetime import date

from celery import shared_task

from maintenance.services import nightly, range_study


@shared_task(name="maintenance.run_nightly")
def run_nightly(business_date: str | None = None) -> int:
    """Run the nightly work of a day (ISO date; default: today in the firm's time zone); give the id of
    its job run."""
    day = None if business_date is None else date.fromisoformat(business_date)
    return nightly.run_nightly(business_date=day).pk


@shared_task(name="maintenance.study_range")
def study_range(study_id: int) -> str:
    """Find the fewest variants that serve every position; give the state it ends in. Safe to repeat."""
    return range_study.study_range(study_id)
