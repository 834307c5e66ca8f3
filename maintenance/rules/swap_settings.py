"""The settings half of the swap rule: what to set on the new cover, what cannot be kept, and the inserts to fit."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from installs.rules.errors import RuleError
from installs.rules.settings import Reproduction, label, reproduce, shown
from maintenance.rules.swap_facts import Cover, InsertFacts, Position, SettingNote, VariantFacts

ANTI_MASK = "anti_mask"


@dataclass(frozen=True)
class Reproduced:
    """`changes` holds every setting that differs or is lost; `failed` says why nothing could be worked out.

    `settings` says nothing of those that the position leaves out: they are carried over as they are."""

    settings: Mapping[str, Any]
    changes: tuple[SettingNote, ...] = ()
    inserts: tuple[InsertFacts, ...] = ()
    failed: str = ""


@dataclass(frozen=True)
class CarriedOver:
    """Settings whose value no judgement depends on. `partial` are those of them that some cover does not have."""

    names: frozenset[str]
    partial: frozenset[str]


def carried_over(old: VariantFacts, covers: Iterable[Cover]) -> CarriedOver:
    """The settings of the old variant that go over to every cover of its family as they are, or are lost: allowed
    the same values everywhere, tied to no other setting and to no insert. Leaving them out of the facts lets
    devices that differ in nothing else share one judgement."""
    family = [old, *covers]
    tied = {ANTI_MASK} | {insert.setting for cover in family for insert in cover.inserts}
    rest = " ".join(
        json.dumps({key: part for key, part in cover.settings_schema.items() if key not in ("properties", "required")})
        for cover in family
    )
    properties: Mapping[str, Any] = old.settings_schema.get("properties", {})
    others = [cover.settings_schema.get("properties", {}) for cover in family]
    names = frozenset(
        name
        for name, part in properties.items()
        if name not in tied and f'"{name}"' not in rest and all(other.get(name, part) == part for other in others)
    )
    return CarriedOver(names, frozenset(name for name in names if any(name not in other for other in others)))


def reproduced(position: Position, cover: Cover) -> Reproduced:
    """The settings that make the cover do what the old one did, as near as it can."""
    old = position.old
    old_names: Mapping[str, Any] = old.settings_schema.get("properties", {})
    new_names: Mapping[str, Any] = cover.settings_schema.get("properties", {})
    kept = _worked_out(_text(position.settings), _text(old.settings_schema), _text(cover.settings_schema))
    if isinstance(kept, str):
        return Reproduced(cover.factory_settings, failed=kept)
    settings = {
        name: value for name, value in kept.settings.items() if name in position.settings or name not in old_names
    }
    # What only the new cover has starts as it leaves the factory.
    settings |= {name: cover.factory_settings[name] for name in kept.defaulted if name in cover.factory_settings}
    notes = [
        SettingNote(change.field, label(cover.settings_schema, change.field), change.old, change.new, change.why)
        for change in kept.changed
        if change.field in position.settings
    ]
    notes += [
        SettingNote(loss.field, label(old.settings_schema, loss.field), loss.old, None, loss.why, lost=True)
        for loss in kept.lost
        if loss.field in position.settings and not _insert_absent(old, loss.field, loss.old)
    ]
    notes += [
        SettingNote(name, label(old.settings_schema, name), None, None, "the new cover has no such setting", lost=True)
        for name in position.in_use
        if name not in new_names
    ]
    if position.site_grade >= 3 and settings.get(ANTI_MASK) is False:
        settings[ANTI_MASK] = True
        why = f"grade {position.site_grade} requires that masking is detected"
        notes.append(SettingNote(ANTI_MASK, label(cover.settings_schema, ANTI_MASK), False, True, why))
    return Reproduced(settings, tuple(notes), needed_inserts(cover.inserts, settings, cover.factory_settings))


def needed_inserts(
    inserts: Iterable[InsertFacts], settings: Mapping[str, Any], factory: Mapping[str, Any]
) -> tuple[InsertFacts, ...]:
    """The inserts to fit for these settings: those that the cover does not come with from the factory."""
    return tuple(
        insert
        for insert in inserts
        if _same(settings.get(insert.setting), insert.value) and not _same(factory.get(insert.setting), insert.value)
    )


def note_text(note: SettingNote) -> str:
    """A change in words: 'Pet immunity: 30 kg becomes 12 kg; the new cover allows 12 kg while creep zone is on.'"""
    why = note.why.removeprefix(f"{note.label}: ")
    if note.lost:
        was = "" if note.old is None or note.old is True else f" ({shown(note.old, note.field)})"
        return f"{note.label}{was} is lost: {why}."
    return f"{note.label}: {shown(note.old, note.field)} becomes {shown(note.new, note.field)}; {why}."


def full_settings(
    device_settings: Mapping[str, Any], reproduced_settings: Mapping[str, Any], cover_schema: Mapping[str, Any]
) -> dict[str, Any]:
    """Everything to set on the cover of one device: what was worked out, and the rest as it is on the old one."""
    has: Mapping[str, Any] = cover_schema.get("properties", {})
    return {name: value for name, value in device_settings.items() if name in has} | dict(reproduced_settings)


def _insert_absent(old: VariantFacts, name: str, value: Any) -> bool:
    """Whether a setting only says that an insert is not fitted: a cover that takes none loses nothing by it."""
    values = [insert.value for insert in old.inserts if insert.setting == name]
    return bool(values) and not any(_same(value, fitted) for fitted in values)


@lru_cache(maxsize=16384)
def _worked_out(settings: str, old_schema: str, new_schema: str) -> Reproduction | str:
    """The reproduction, or why there is none. Kept by content, because working it out takes milliseconds and many
    positions ask for the same."""
    try:
        return reproduce(json.loads(settings), json.loads(old_schema), json.loads(new_schema))
    except RuleError as error:
        return f"Its settings could not be worked out: {error.message}."


def _text(data: Mapping[str, Any]) -> str:
    return json.dumps(data)


def _same(first: Any, second: Any) -> bool:
    return bool(first == second) and isinstance(first, bool) == isinstance(second, bool)
