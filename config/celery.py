"""The Celery application and its timetable."""

from __future__ import annotations

import os

from celery import Celery
from celery.schedules import crontab

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("zonewright")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
app.conf.beat_schedule = {
    # Before the day starts, after the last engineer has sent the day's records.
    "nightly": {"task": "maintenance.run_nightly", "schedule": crontab(hour="2", minute="30")},
    # Pick lists of the vans for the next days, while the store is still open.
    "top up vans": {"task": "stock.top_up_vans", "schedule": crontab(hour="17", minute="30")},
}
