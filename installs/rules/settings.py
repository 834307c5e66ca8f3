"""Settings of a detector variant under its JSON Schema (2020-12), and how to reproduce them on another variant."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeAlias

from jsonschema import Draft202012Validator
from jsonschema.exceptions import SchemaError, ValidationError

from installs.rules.errors import RuleError

Schema: TypeAlias = Mapping[str, Any]
_UNITS = {"_m": "m", "_kg": "kg", "_s": "s", "_c": "°C", "_ma": "mA"}


@dataclass(frozen=True)
class SettingProblem:
    """One thing wrong with a set of settings, for people to read."""

    field: str
    value: object
    message: str
    remedy: str


@dataclass(frozen=True)
class SettingChange:
    """A setting that had to differ on the new cover, and why."""

    field: str
    old: object
    new: object
    why: str


@dataclass(frozen=True)
class SettingLoss:
    """A setting that the new cover does not have."""

    field: str
    old: object
    why: str


@dataclass(frozen=True)
class Reproduction:
    """Settings for a new cover that come nearest to the old ones; always valid under the new schema.

    `exact`: nothing changed and nothing in use was lost. `defaulted`: settings that the old cover did not have.
    """

    settings: dict[str, Any]
    exact: bool
    changed: tuple[SettingChange, ...]
    lost: tuple[SettingLoss, ...]
    defaulted: tuple[str, ...] = ()


def check_schema(schema: Schema) -> None:
    """Raises RuleError when this is not a JSON Schema for an object with named settings."""
    try:
        Draft202012Validator.check_schema(schema)
    except SchemaError as error:
        raise RuleError(
            f"is not a JSON Schema 2020-12: {error.message}",
            field="settings_schema" + "".join(f".{part}" for part in error.absolute_path),
            value=error.instance,
            remedy="Correct this part of the schema.",
        ) from error
    if not isinstance(schema.get("properties"), Mapping):
        raise RuleError(
            "names no settings",
            field="settings_schema.properties",
            value=schema.get("properties"),
            remedy="List every setting under properties.",
        )


def problems(schema: Schema, settings: Mapping[str, Any]) -> tuple[SettingProblem, ...]:
    """What is wrong with the settings under the schema, in order of the schema's settings; empty: nothing.

    Rules that tie one setting to another (if/then) are told with their condition. Raises RuleError for a bad schema.
    """
    check_schema(schema)
    errors = _errors(schema, settings)
    # JSON Schema takes a condition on a missing setting as met: then the missing setting is the problem to tell.
    sure = [error for error in errors if not _conditions(schema, error)[1] - set(settings)]
    found = [problem for error in sure or errors for problem in _explain(schema, error)]
    order = list(schema["properties"])
    found.sort(key=lambda problem: order.index(problem.field) if problem.field in order else len(order))
    return tuple(dict.fromkeys(found)) if _hashable(found) else tuple(found)


def defaults(schema: Schema) -> dict[str, Any]:
    """The factory settings: each setting's `default`, or its only or first allowed value. Raises RuleError."""
    check_schema(schema)
    return {name: _default(part) for name, part in schema["properties"].items()}


def reproduce(old_settings: Mapping[str, Any], old_schema: Schema, new_schema: Schema) -> Reproduction:
    """The settings to set on a cover with `new_schema` so that it does what the old one did, as near as it can.

    Settings of the same name are carried over; a value the new cover does not allow moves to the nearest allowed one;
    settings that only the new cover has take the factory default. Raises RuleError for a bad schema, or when no
    allowed combination is found.
    """
    check_schema(old_schema)
    check_schema(new_schema)
    properties: Mapping[str, Any] = new_schema["properties"]
    # A setting that was never recorded stands at the old cover's factory default.
    wanted = {**defaults(old_schema), **old_settings}
    settings: dict[str, Any] = {}
    whys: dict[str, str] = {}
    for name, part in properties.items():
        if name not in wanted:
            settings[name] = _default(part)
            continue
        fits = partial(_fits, part)
        settings[name] = _nearest(wanted[name], _candidates(new_schema, name), fits)
        if settings[name] != wanted[name]:
            whys[name] = f"the new cover allows {allowed(part, name)}"
    _settle(new_schema, settings, wanted, whys)
    changed = tuple(
        SettingChange(name, wanted[name], value, f"{label(new_schema, name)}: {whys.get(name, 'not allowed')}")
        for name, value in settings.items()
        if name in wanted and not _same(wanted[name], value)
    )
    lost = tuple(
        SettingLoss(name, value, f"{label(old_schema, name)}: the new cover has no such setting")
        for name, value in wanted.items()
        if name not in properties and _in_use(value)
    )
    return Reproduction(
        settings=settings,
        exact=not changed and not lost,
        changed=changed,
        lost=lost,
        defaulted=tuple(name for name in properties if name not in wanted),
    )


def label(schema: Schema, name: str) -> str:
    """A setting's name for people: the schema's title, or the name in words."""
    part = schema.get("properties", {}).get(name, {})
    if isinstance(part, Mapping) and part.get("title"):
        return str(part["title"])
    stem = next((name.removesuffix(suffix) for suffix in _UNITS if name.endswith(suffix)), name)
    return stem.replace("_", " ").capitalize().replace("Pir", "PIR").replace("Led", "LED")


def shown(value: object, name: str = "") -> str:
    """A setting's value for people, with its unit: 'on', 'off', '12 m', 'curtain'."""
    if isinstance(value, bool):
        return "on" if value else "off"
    unit = next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), "")
    if isinstance(value, int | float):
        return f"{value:g} {unit}".strip()
    return "nothing" if value is None else str(value)


def allowed(part: Any, name: str = "") -> str:
    """What a setting's schema allows, in words: '6 to 18 m', 'low, normal or high', 'off or 12 to 30 kg'."""
    if not isinstance(part, Mapping):
        return "any value" if part else "no value"
    if "const" in part:
        return str(part.get("title") or shown(part["const"], name))
    if "enum" in part:
        return _either([shown(value, name) for value in part["enum"]])
    for kind in ("anyOf", "oneOf"):
        if kind in part:
            return _either([allowed(choice, name) for choice in part[kind]])
    unit = shown(0, name).removeprefix("0").strip()
    low = part.get("minimum", part.get("exclusiveMinimum"))
    high = part.get("maximum", part.get("exclusiveMaximum"))
    step = f" in steps of {part['multipleOf']:g}" if "multipleOf" in part else ""
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}".strip() + step
    if low is not None:
        return f"{low:g} {unit}".strip() + " or more" + step
    if high is not None:
        return f"{high:g} {unit}".strip() + " or less" + step
    kinds = {"boolean": "on or off", "integer": "a whole number", "number": "a number", "string": "a text"}
    return kinds.get(str(part.get("type")), "any value")


def _errors(schema: Schema, settings: Mapping[str, Any]) -> list[ValidationError]:
    return list(Draft202012Validator(schema).iter_errors(dict(settings)))


def _explain(schema: Schema, error: ValidationError) -> Iterator[SettingProblem]:
    """A validator's error in words, one problem for each setting it concerns."""
    condition = _condition(schema, error)
    instance: Any = error.instance
    if error.absolute_path:
        name = str(error.absolute_path[0])
        choice = allowed(_rule_of(error, name), name)
        message = f"{label(schema, name)} cannot be {shown(error.instance, name)}{condition}."
        yield SettingProblem(name, error.instance, message, f"Set {choice}.")
    elif error.validator in ("required", "dependentRequired"):
        needed: Any = error.validator_value
        names = needed if isinstance(needed, list) else [name for part in needed.values() for name in part]
        for name in names:
            if name not in instance and repr(name) in error.message:
                choice = allowed(schema["properties"].get(name, True), name)
                message = f"{label(schema, name)} is not set{condition}."
                yield SettingProblem(name, None, message, f"Set {choice}.")
    elif error.validator in ("additionalProperties", "unevaluatedProperties"):
        for name in instance:
            if name not in schema["properties"]:
                message = f"This variant has no setting {name}."
                remedy = "Leave it out, or choose another variant."
                yield SettingProblem(str(name), instance[name], message, remedy)
    else:
        message = f"These settings do not go together{condition}: {error.message}."
        yield SettingProblem("", None, message, "Change one of them.")


def _rule_of(error: ValidationError, name: str) -> Any:
    """The part of the schema that the value broke: a whole choice where it is one, else the single limit's owner."""
    if error.validator in ("anyOf", "oneOf"):
        return {error.validator: error.validator_value}
    return error.schema


def _condition(schema: Schema, error: ValidationError) -> str:
    """' while ...' for a rule under then or else, from the `if` beside it."""
    words = _conditions(schema, error)[0]
    return f" while {' and '.join(words)}" if words else ""


def _conditions(schema: Schema, error: ValidationError) -> tuple[list[str], set[str]]:
    """The conditions above a broken rule in words, and the settings that they ask about."""
    at: Any = schema
    words: list[str] = []
    names: set[str] = set()
    for step in error.absolute_schema_path:
        if step in ("then", "else") and isinstance(at, Mapping) and "if" in at:
            words.append(_when(schema, at["if"], step == "then"))
            names |= set(at["if"].get("properties", ())) if isinstance(at["if"], Mapping) else set()
        if step == "if":
            # The validator reports then and else below the `if` keyword that chose them.
            continue
        at = at[step]
    return words, names


def _when(schema: Schema, condition: Any, holds: bool) -> str:
    parts = condition.get("properties", {}) if isinstance(condition, Mapping) else {}
    words = " and ".join(f"{_inside(label(schema, name))} is {allowed(part, name)}" for name, part in parts.items())
    words = words or "another setting asks for it"
    return words if holds else f"it is not so that {words}"


def _inside(words: str) -> str:
    """A label inside a sentence: small first letter, except for an abbreviation."""
    return words if words[1:2].isupper() else words[:1].lower() + words[1:]


def _settle(schema: Schema, settings: dict[str, Any], wanted: Mapping[str, Any], whys: dict[str, str]) -> None:
    """Move settings to the nearest values that the rules between settings allow, one setting at a time."""
    for _ in range(2 * len(schema["properties"])):
        errors = _errors(schema, settings)
        if not errors:
            return
        error = next((error for error in errors if error.absolute_path), None)
        if error is None:
            break
        name = str(error.absolute_path[0])
        rule = f"the new cover allows {allowed(_rule_of(error, name), name)}{_condition(schema, error)}"

        def holds(value: Any, name: str = name) -> bool:
            trial = {**settings, name: value}
            return not any(name in list(error.absolute_path)[:1] for error in _errors(schema, trial))

        old = wanted.get(name, settings[name])
        settings[name] = _nearest(old, _candidates(schema, name), holds)
        whys[name] = rule
    if not _errors(schema, settings):
        return
    factory = defaults(schema)
    if _errors(schema, factory):
        raise RuleError(
            "the factory settings are not valid themselves, so nothing can be proposed",
            field="settings_schema",
            value=factory,
            remedy="Correct the defaults of this variant's schema.",
        )
    for name, value in factory.items():
        if settings.get(name) != value:
            settings[name] = value
            whys[name] = "no other combination was found, so the factory setting"


def _nearest(old: Any, candidates: Sequence[Any], holds: Any) -> Any:
    """The candidate nearest to the old value for which `holds`; the old value itself where it does."""
    if holds(old):
        return old
    usable = [value for value in candidates if holds(value)]
    if not usable:
        return candidates[0]
    if _is_number(old):
        numbers = [value for value in usable if _is_number(value)]
        if numbers:
            return min(numbers, key=lambda value: abs(value - old))
    return usable[0]


def _candidates(schema: Schema, name: str) -> list[Any]:
    """Values worth trying for a setting: its default first, then every value and limit named anywhere for it."""
    found: list[Any] = [_default(schema["properties"][name])]
    for part in _parts_for(schema, name):
        _collect(part, found)
    return found


def _parts_for(schema: Any, name: str) -> Iterator[Any]:
    if isinstance(schema, Mapping):
        for key, value in schema.items():
            if key == "properties" and isinstance(value, Mapping):
                if name in value:
                    yield value[name]
            elif key != "if":
                yield from _parts_for(value, name)
    elif isinstance(schema, list | tuple):
        for value in schema:
            yield from _parts_for(value, name)


def _collect(part: Any, found: list[Any]) -> None:
    if not isinstance(part, Mapping):
        return
    found.extend(part.get("enum", ()))
    found.extend(part[key] for key in ("const", "default", "minimum", "maximum") if key in part)
    step = part.get("multipleOf", 1 if part.get("type") == "integer" else None)
    if step and "minimum" in part and "maximum" in part:
        count = math.floor((part["maximum"] - part["minimum"]) / step)
        first = math.ceil(part["minimum"] / step) * step
        found.extend(first + index * step for index in range(min(count, 1000) + 1))
    elif part.get("type") == "boolean":
        found.extend((False, True))
    for kind in ("anyOf", "oneOf", "allOf"):
        for choice in part.get(kind, ()):
            _collect({"type": part.get("type"), **choice} if isinstance(choice, Mapping) else choice, found)


def _default(part: Any) -> Any:
    if not isinstance(part, Mapping):
        return None
    if "default" in part:
        return part["default"]
    found: list[Any] = []
    _collect(part, found)
    return found[0] if found else None


def _fits(part: Any, value: Any) -> bool:
    return bool(Draft202012Validator(part).is_valid(value))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _same(first: Any, second: Any) -> bool:
    return bool(first == second) and isinstance(first, bool) == isinstance(second, bool)


def _in_use(value: Any) -> bool:
    """Whether losing this value loses anything: off and 0 do nothing."""
    return value is not None and value is not False and value != 0


def _either(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _hashable(found: Sequence[SettingProblem]) -> bool:
    return all(isinstance(problem.value, str | int | float | bool | None) for problem in found)
