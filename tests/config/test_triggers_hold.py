"""No session can switch an invariant off by the trigger library's own setting."""

from __future__ import annotations

import pytest
from django.db import Error, connection, transaction

from config.accounts.models import ReadLog, User


def test_the_ignore_setting_switches_nothing_off(stores: User) -> None:
    ReadLog.objects.create(subject_id=1, user=stores, door="test")
    with connection.cursor() as cursor:
        cursor.execute("SELECT array_agg(tgname::text) FROM pg_trigger WHERE NOT tgisinternal")
        (names,) = cursor.fetchone()
        assert len(names) > 30
        cursor.execute("SELECT set_config('pgtrigger.ignore', %s::text[]::text, true)", [names])
    for statement in ("DELETE FROM accounts_readlog", "UPDATE accounts_readlog SET door = 'other'"):
        refused = pytest.raises(Error, match="Cannot update or delete rows")
        with refused, transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)
    assert ReadLog.objects.get().door == "test"
