"""What a process of its own needs to work on the tests' database, broker and data."""

from __future__ import annotations

from urllib.parse import quote

from django.conf import settings as configured
from django.db import connection


def of_the_tests() -> dict[str, str]:
    """Environment variables that name the servers and data of this test run."""
    database = connection.settings_dict
    address = f"{quote(database['USER'])}:{quote(database['PASSWORD'])}@"
    query = ""
    if str(database["HOST"]).startswith("/"):
        query = f"?host={quote(database['HOST'])}"
    else:
        address += f"{database['HOST']}"
    port = f":{database['PORT']}" if database["PORT"] and not query else ""
    return {
        "DATABASE_URL": f"postgresql://{address}{port}/{database['NAME']}{query}",
        "REDIS_URL": configured.REDIS_URL,
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "ZONEWRIGHT_LOCAL": "1",
        "ZONEWRIGHT_DATA": str(configured.DATA_DIR),
    }
