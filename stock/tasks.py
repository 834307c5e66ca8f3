"""Celery doors of the stock app."""

from __future__ import annotations

from datetime import date

from celery import shared_task

from stock.services import exports, table_imports, top_up


@shared_task(name="stock.take_in_table")
def take_in_table(import_id: int) -> str:
    """Look a table over, or take it in once a person has confirmed it; give the state it ends in. Safe to repeat."""
    return table_imports.take_in(import_id)


@shared_task(name="stock.write_export")
def write_export(export_id: int) -> str:
    """Write the file of an export; give the state it ends in. Safe to repeat."""
    return exports.write_export(export_id)


@shared_task(name="stock.top_up_vans")
def top_up_vans(business_date: str | None = None) -> int:
    """Make the evening's pick lists of a day (ISO date; default: today in the firm's time zone); give how many."""
    day = None if business_date is None else date.fromisoformat(business_date)
    return top_up.top_up_vans(business_date=day)
