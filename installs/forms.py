"""The form of a device's settings, built from its variant's schema."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django import forms
from django.utils.dateparse import parse_datetime

from installs.rules import settings as settings_rules

PREFIX = "setting-"


def _choices(spec: Mapping[str, Any]) -> list[Any]:
    """The values of a setting that is a plain list of choices; empty when it is anything else."""
    if "enum" in spec:
        return list(spec["enum"])
    if "const" in spec:
        return [spec["const"]]
    for word in ("oneOf", "anyOf"):
        parts = spec.get(word)
        if parts and all("const" in part for part in parts):
            return [part["const"] for part in parts]
    return []


def _is_number(spec: Mapping[str, Any]) -> bool:
    kinds = [spec.get("type"), *(part.get("type") for word in ("oneOf", "anyOf") for part in spec.get(word, ()))]
    return any(kind in {"integer", "number"} for kind in kinds)


def _is_whole(spec: Mapping[str, Any]) -> bool:
    kinds = {spec.get("type"), *(part.get("type") for word in ("oneOf", "anyOf") for part in spec.get(word, ()))}
    return "number" not in kinds


def _field(schema: Mapping[str, Any], name: str) -> forms.Field:
    spec: Mapping[str, Any] = schema["properties"][name]
    required = name in schema.get("required", ())
    label = settings_rules.label(schema, name)
    unit = settings_rules.shown(0, name).removeprefix("0").strip()
    if spec.get("type") == "boolean" and not _choices(spec):
        return forms.BooleanField(label=label, required=False)
    choices = _choices(spec)
    if choices:
        options = [(json.dumps(value), settings_rules.shown(value, name)) for value in choices]
        return forms.TypedChoiceField(
            label=label,
            choices=options if required else [("", "not set"), *options],
            coerce=json.loads,
            empty_value=None,
            required=required,
        )
    help_text = f"Allowed: {settings_rules.allowed(spec, name)}."
    if _is_number(spec):
        kind = forms.IntegerField if _is_whole(spec) else forms.FloatField
        return kind(
            label=f"{label} in {unit}" if unit else label,
            required=required,
            min_value=spec.get("minimum"),
            max_value=spec.get("maximum"),
            step_size=spec.get("multipleOf"),
            help_text=help_text,
        )
    return forms.CharField(label=label, required=required, max_length=spec.get("maxLength", 60), help_text=help_text)


class SettingsForm(forms.Form):
    """One field for every setting of the schema, and the moment the device was read."""

    read_at = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, schema: Mapping[str, Any], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.schema = schema
        for name in sorted(schema["properties"], key=lambda name: settings_rules.label(schema, name).lower()):
            self.fields[PREFIX + name] = _field(schema, name)

    @classmethod
    def showing(cls, schema: Mapping[str, Any], settings: Mapping[str, Any], changed_at: datetime) -> SettingsForm:
        """The form filled in with how the device is set."""
        initial: dict[str, Any] = {"read_at": changed_at.isoformat()}
        for name, value in settings.items():
            spec = schema["properties"].get(name, {})
            initial[PREFIX + name] = json.dumps(value) if _choices(spec) else value
        return cls(schema, initial=initial)

    def settings(self) -> dict[str, Any]:
        """The settings as typed, those left empty left out."""
        given = {name: self.cleaned_data.get(PREFIX + name) for name in self.schema["properties"]}
        return {name: value for name, value in given.items() if value not in (None, "")}

    def read_moment(self) -> datetime | None:
        return parse_datetime(self.cleaned_data.get("read_at") or "")

    def clean(self) -> dict[str, Any]:
        """Say at each field what the schema has against it, rules between settings included."""
        cleaned = super().clean() or self.cleaned_data
        for problem in settings_rules.problems(self.schema, self.settings()):
            field = PREFIX + problem.field if problem.field in self.schema["properties"] else None
            if field is None or not self.has_error(field):
                self.add_error(field, f"{problem.message} {problem.remedy}")
        return cleaned
