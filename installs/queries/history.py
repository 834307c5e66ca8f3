"""The past of a device, from the versions that the database's trigger keeps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from django.apps import apps
from django.db.models import F

from config.accounts.models import User
from installs.queries import scope
from installs.queries.labels import setting_lines, setting_text
from installs.queries.sheet_rows import Setting
from installs.rules.settings import label

if TYPE_CHECKING:
    from django.db.models import QuerySet

# Columns of a version as they are, and those read through its relations under names of their own.
_PLAIN = (
    "mark", "position", "hand_wired", "signalling_wires", "core_landings", "settings", "fitted_on", "removed_on",
)
_RELATED = {
    "variant_code": "variant__code",
    "variant_name": "variant__name",
    "settings_schema": "variant__settings_schema",
    "serial_number": "serial__number",
    "backplate_name": "backplate__item__name",
    "board_name": "board__item__name",
    "cable": "cable_type__name",
}

LABELS = {
    "mark": "Mark",
    "position": "Position",
    "variant_code": "Variant",
    "serial_number": "Serial",
    "backplate_name": "Backplate",
    "board_name": "Board",
    "hand_wired": "Hand-wired resistors",
    "signalling_wires": "Signalling wires",
    "cable": "Cable",
    "fitted_on": "Fitted on",
    "removed_on": "Removed on",
}


@dataclass(frozen=True)
class DeviceVersion:
    """A device as it stood from `since` on."""

    device_id: int
    version: int
    since: datetime
    mark: str
    position: str
    variant_code: str
    variant_name: str
    serial_number: str | None
    backplate_name: str
    board_name: str | None
    hand_wired: dict[str, Any] | None
    signalling_wires: int
    cable: str
    core_landings: dict[str, str | None]
    settings: dict[str, Any]
    settings_schema: dict[str, Any]
    fitted_on: date
    removed_on: date | None
    by: str = ""

    def setting_lines(self) -> tuple[Setting, ...]:
        """The settings in words, as the variant of then names them."""
        return setting_lines(self.settings_schema, self.settings, {})


@dataclass(frozen=True)
class Change:
    what: str
    before: str
    after: str


@dataclass(frozen=True)
class VersionLine:
    """One version with what it changed; the first says what was recorded."""

    version: DeviceVersion
    changes: tuple[Change, ...]
    first: bool


def _versions(user: User, device_id: int) -> QuerySet[Any, dict[str, Any]]:
    event = apps.get_model("installs", "DeviceEvent")
    # Versions of one transaction share its time; their own order is the key's.
    return (  # type: ignore[no-any-return]
        event.objects.filter(pgh_obj_id__in=scope.devices(user).filter(pk=device_id).values("pk"))
        .order_by("pgh_created_at", "pgh_id")
        .values(
            "pgh_id", "pgh_obj_id", "pgh_created_at", *_PLAIN,
            by=F("pgh_context__metadata__user"),
            **{name: F(path) for name, path in _RELATED.items()},
        )
    )


def _version(row: dict[str, Any], people: dict[int, str]) -> DeviceVersion:
    by = row["by"]
    return DeviceVersion(
        device_id=row["pgh_obj_id"],
        version=row["pgh_id"],
        since=row["pgh_created_at"],
        by=people.get(int(by), "") if by is not None else "",
        **{name: row[name] for name in (*_PLAIN, *_RELATED)},
    )


def device_as_at(user: User, device_id: int, moment: datetime) -> DeviceVersion | None:
    """The device as it stood at the moment: one statement.

    None if it was not recorded then, or the person may not see its site.
    """
    row = _versions(user, device_id).filter(pgh_created_at__lte=moment).last()
    return None if row is None else _version(row, {})


def device_history(user: User, device_id: int) -> list[VersionLine]:
    """Every version of the device, newest first, with what each changed: two statements.

    Empty if there is no such device or the person may not see its site.
    """
    rows = list(_versions(user, device_id))
    who = {int(row["by"]) for row in rows if row["by"] is not None}
    people = dict(User.objects.filter(pk__in=who).values_list("pk", "name"))
    versions = [_version(row, people) for row in rows]
    lines = [
        VersionLine(version, tuple(differences(before, version)) if before else (), first=before is None)
        for before, version in zip([None, *versions], versions, strict=False)
    ]
    return lines[::-1]


def differences(before: DeviceVersion, after: DeviceVersion) -> list[Change]:
    """What the second version changed, field by field; settings and cores one by one."""
    changes = [
        Change(label, _text(getattr(before, name)), _text(getattr(after, name)))
        for name, label in LABELS.items()
        if getattr(before, name) != getattr(after, name)
    ]
    schema = {"properties": {**before.settings_schema["properties"], **after.settings_schema["properties"]}}
    changes += [
        Change(label(schema, name), setting_text(before.settings, name), setting_text(after.settings, name))
        for name in sorted(before.settings.keys() | after.settings.keys())
        if before.settings.get(name) != after.settings.get(name)
    ]
    landed, now = before.core_landings, after.core_landings
    changes += [
        Change(f"Core {core}", landed.get(core) or "spare", now.get(core) or "spare")
        for core in sorted(landed.keys() | now.keys())
        if landed.get(core) != now.get(core)
    ]
    return changes


def _text(value: Any) -> str:
    if value is None or value == "":
        return "none"
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, dict):
        return ", ".join(f"{key} {part}" for key, part in value.items())
    if isinstance(value, date):
        return f"{value.day} {value:%b %Y}"
    return str(value)
