"""The as-installed record's own history: event rows that are dated when things happened, not when they were loaded."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

import pgtrigger
from django.apps import apps
from django.db import connection, models

from config.demo.diary import Stop
from config.demo.firm import local
from config.demo.sites import Built
from maintenance.models import Visit

TRACKED = ("installs.Site", "installs.System", "installs.Panel", "installs.Circuit", "installs.Device",
           "installs.CircuitPlace", "installs.PowerFeed", "maintenance.Visit")


def quiet() -> Any:
    """No event rows by trigger while the record is written: they come backdated instead."""
    return pgtrigger.ignore(*(f"{model}:{name}" for model in TRACKED for name in ("insert_insert",)))


def backdate(built: Built, stops: Sequence[Stop], visits: Sequence[Visit]) -> None:
    """Event rows as they would have come about: inserted with the system or the device, changed later."""
    since = {id(site): local(site.in_use_since, 16) for site in built.sites}
    of_system = {id(system): since[id(site)] for system, site in zip(built.systems, built.sites, strict=True)}
    of_panel = {id(panel): of_system[id(panel.system)] for panel in built.panels}
    devices = [*built.devices, *(pair.old for pair in built.earlier)]
    _events("installs.Site", "insert", [(site.pk, since[id(site)]) for site in built.sites])
    _events("installs.System", "insert", [(system.pk, of_system[id(system)]) for system in built.systems])
    _events("installs.Panel", "insert", [(panel.pk, of_panel[id(panel)]) for panel in built.panels])
    _events("installs.Circuit", "insert", [(c.pk, of_panel[id(c.panel)]) for c in built.circuits])
    changed = {id(device): settings for device, settings, _ in built.changes}
    _events(
        "installs.Device", "insert",
        [(d.pk, local(d.fitted_on, 16)) for d in devices],
        {"removed_on": (None, {}),
         "settings": (None, {d.pk: json.dumps(changed[id(d)]) for d in devices if id(d) in changed})},
    )
    later = [(d.pk, local(day, 11)) for d, _, day in built.changes]
    later += [(pair.old.pk, local(pair.new.fitted_on, 10)) for pair in built.earlier]
    _events("installs.Device", "update", later)
    _events("installs.CircuitPlace", "insert", [(p.pk, local(p.device.fitted_on, 16)) for p in built.places])
    _events("installs.PowerFeed", "insert", [(f.pk, local(f.device.fitted_on, 16)) for f in built.feeds])
    made = [(visit.pk, visit.made_at) for visit in visits]
    _events("maintenance.Visit", "insert", made, {"state": ("planned", {}), "version": ("1", {})})
    _events("maintenance.Visit", "update", [
        (visit.pk, stop.starts + timedelta(minutes=stop.minutes))
        for stop, visit in zip(stops, visits, strict=True) if stop.done
    ])


def _events(
    label: str, kind: str, moments: Iterable[tuple[int, datetime]],
    instead: dict[str, tuple[str | None, dict[int, str]]] | None = None,
) -> None:
    """Insert event rows of the records at those moments. `instead` names columns that read otherwise then: a value
    for all (None with an empty dict: NULL), or by record with the record's own where none is given."""
    model = apps.get_model(label)
    event: type[models.Model] = apps.get_model(f"{label}Event")
    own = {field.column for field in model._meta.concrete_fields}
    columns = [f.column for f in event._meta.concrete_fields if f.column in own]
    pairs = list(moments)
    values: list[Any] = []
    picked = []
    for column in columns:
        if instead is None or column not in instead:
            picked.append(f't."{column}"')
        elif instead[column][1]:
            picked.append(f'COALESCE((%s::jsonb ->> t.id::text)::jsonb, t."{column}")')
            values.append(json.dumps(instead[column][1]))
        elif column == "settings":
            picked.append(f't."{column}"')
        else:
            picked.append(f"%s::{model._meta.get_field(column).db_type(connection)}")
            values.append(instead[column][0])
    quoted = [f'"{column}"' for column in columns]
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {event._meta.db_table} (pgh_created_at, pgh_label, pgh_obj_id, {', '.join(quoted)})"  # noqa: S608
            f" SELECT m.at, %s, t.id, {', '.join(picked)} FROM unnest(%s::bigint[], %s::timestamptz[]) AS m(id, at)"
            f" JOIN {model._meta.db_table} t ON t.id = m.id ORDER BY m.at, t.id",
            [kind, *values, [pk for pk, _ in pairs], [at for _, at in pairs]],
        )
