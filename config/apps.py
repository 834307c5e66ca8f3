from __future__ import annotations

from typing import Any

from django.apps import AppConfig, apps
from django.db import connections
from django.db.models.signals import post_migrate

# The trigger library asks this function before every trigger whether a session has switched it off, so anyone
# with SQL could switch off an invariant. Ours lets only the history's own inserts be switched off, which the
# demo needs to lay down backdated versions. The library's also raises and catches an error in each call of a
# session that never set anything: measured 1.3 ms a call in a long transaction, against microseconds.
TRIGGERS_HOLD = """
CREATE OR REPLACE FUNCTION public._pgtrigger_should_ignore(trigger_name name) RETURNS boolean AS $$
    SELECT starts_with(trigger_name, 'pgtrigger_insert_insert_')
        AND trigger_name = ANY (COALESCE(NULLIF(current_setting('pgtrigger.ignore', true), ''), '{}')::text[])
$$ LANGUAGE sql STABLE;
"""


def hold_triggers(using: str, **_: Any) -> None:
    """Put our function in place of the library's, which each trigger's migration lays down again."""
    with connections[using].cursor() as cursor:
        cursor.execute(TRIGGERS_HOLD)


class ConfigConfig(AppConfig):
    """Carries the base templates, static files and management commands; it has no models."""

    name = "config"
    label = "config"

    def ready(self) -> None:
        # The signal is sent for apps with models only, and after every migration has run.
        post_migrate.connect(hold_triggers, sender=apps.get_app_config("accounts"), dispatch_uid="hold_triggers")
