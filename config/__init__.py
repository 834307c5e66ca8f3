"""Settings, addresses, accounts and everything the three apps share."""

from config.celery import app as celery_app

__all__ = ["celery_app"]
