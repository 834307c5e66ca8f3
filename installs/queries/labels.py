"""Settings, cores and resistors of a device in words, from the variant's schema and the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from installs.queries.sheet_rows import HandWired, Landing, Setting
from installs.rules.settings import label, shown


def _same(left: Any, right: Any) -> bool:
    return bool(left == right) and isinstance(left, bool) == isinstance(right, bool)


def setting_text(settings: Mapping[str, Any], name: str) -> str:
    return shown(settings[name], name) if name in settings else "not set"


def setting_lines(
    schema: Mapping[str, Any], settings: Mapping[str, Any], factory: Mapping[str, Any]
) -> tuple[Setting, ...]:
    """Every setting, by its label, with its factory value and whether it differs from it.

    By label, because the database's JSON keeps no order of keys.
    """
    specs: Mapping[str, Any] = schema.get("properties", {})
    names = sorted({*specs, *settings, *factory}, key=lambda name: label(schema, name).lower())
    return tuple(
        Setting(
            name=name,
            label=label(schema, name),
            value=setting_text(settings, name),
            factory=setting_text(factory, name),
            changed=not _same(settings.get(name), factory.get(name)),
        )
        for name in names
        if name in settings or name in factory
    )


def landing_lines(cores: Sequence[str], landings: Mapping[str, str | None]) -> tuple[Landing, ...]:
    """Every core of the cable in its own order, with its terminal; a core not on record counts as spare."""
    return tuple(Landing(core, landings.get(core)) for core in [*cores, *sorted(landings.keys() - set(cores))])


def hand_wired_lines(hand_wired: Mapping[str, Any] | None) -> tuple[HandWired, ...]:
    return tuple(HandWired(role, float(ohm)) for role, ohm in (hand_wired or {}).items() if ohm is not None)
