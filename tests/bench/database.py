"""A database for one bench alone, on the server that the settings name."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def own_database(suffix: str = "bench") -> Iterator[None]:
    """Set Django up and work in `<name>_<suffix>`, made at the start and dropped at the end."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import connection

    original = connection.settings_dict["NAME"]
    connection.settings_dict["TEST"]["NAME"] = f"{original}_{suffix}"
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        yield
    finally:
        connection.creation.destroy_test_db(original, verbosity=0)
