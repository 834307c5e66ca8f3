"""Settings of the test run: the real ones, on servers and data of the tests' own.

Kept apart from a demo that may be running in the same checkout.
"""

from __future__ import annotations

import os
from pathlib import Path

os.environ.setdefault("ZONEWRIGHT_DATA", str(Path(__file__).resolve().parent.parent / ".data" / "test"))
os.environ.setdefault("ZONEWRIGHT_THROWAWAY", "1")

# Playwright's synchronous interface keeps an event loop alive in a worker's thread; Django would take every later
# database test in that worker for one inside it. Nothing here is asynchronous.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"

from config.settings import *  # noqa: F403
from config.settings import CACHES, REDIS_URL

# Each worker of a parallel run has a database of its own; so has it a Valkey database.
_worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
REDIS_URL = f"{REDIS_URL.rsplit('/', 1)[0]}/{int(_worker) + 1}"
CACHES["default"]["LOCATION"] = REDIS_URL
CELERY_BROKER_URL = CELERY_RESULT_BACKEND = REDIS_URL

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
