"""Settings of the demo detectors as JSON Schema 2020-12, put together from a few builders.

Limits are the facts of the trade (common practice, no source): range factory-set to 12 m and adjustable from
6 to 18 m, PIR and microwave each by its own control; pet immunity off or 12 to 30 kg; on one kind of grade 2
detector 12 or 30 kg only; on one kind of grade 3 detector at most 12 kg while the creep-zone optic is active.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

DIALECT = "https://json-schema.org/draft/2020-12/schema"
RANGE_M = (6, 18)
RANGE_FACTORY_M = 12
PET_KG = (12, 30)

Schema = dict[str, Any]
PetMode = Literal["none", "steps", "full"]


@dataclass(frozen=True)
class Features:
    """What can be set on a detector. `pet` steps: off, 12 or 30 kg; full: off or 12 to 30 kg."""

    microwave: bool = False
    pet: PetMode = "none"
    creep_zone: bool = False
    curtain: bool = False
    white_light_filter: bool = False
    anti_mask: bool = False


def range_m(title: str) -> Schema:
    """A range in metres."""
    return {"type": "integer", "minimum": RANGE_M[0], "maximum": RANGE_M[1], "title": title, "x-unit": "m"}


def choice(title: str, *values: object) -> Schema:
    """One of the listed values."""
    return {"enum": list(values), "title": title}


def switch(title: str) -> Schema:
    """On or off."""
    return {"type": "boolean", "title": title}


def pet_immunity(mode: PetMode) -> Schema:
    """Mass of the animal that may walk about, in kilograms; 0 is off."""
    annotations = {"title": "Pet immunity", "x-unit": "kg"}
    if mode == "steps":
        return {"enum": [0, *PET_KG], **annotations}
    return {"anyOf": [{"const": 0}, {"type": "integer", "minimum": PET_KG[0], "maximum": PET_KG[1]}], **annotations}


def when(setting: str, value: object, then: Schema) -> Schema:
    """A dependency: while `setting` has `value`, the settings in `then` are held to these schemas."""
    return {
        "if": {"properties": {setting: {"const": value}}, "required": [setting]},
        "then": {"properties": then},
    }


def settings_schema(features: Features) -> Schema:
    """The schema of every setting of a detector with these features."""
    properties: Schema = {"pir_range_m": range_m("PIR range")}
    dependencies: list[Schema] = []
    if features.microwave:
        properties["microwave_range_m"] = range_m("Microwave range")
    properties["sensitivity"] = choice("Sensitivity", "low", "normal", "high")
    properties["pulse_count"] = {"type": "integer", "minimum": 1, "maximum": 3, "title": "Pulse count"}
    if features.pet != "none":
        properties["pet_immunity_kg"] = pet_immunity(features.pet)
    if features.creep_zone:
        properties["creep_zone"] = switch("Creep-zone optic active")
        if features.pet != "none":
            dependencies.append(when("creep_zone", True, {"pet_immunity_kg": {"maximum": PET_KG[0]}}))
    if features.curtain:
        properties["field_of_view"] = choice("Field of view", "volumetric", "curtain")
        if features.creep_zone:
            # The curtain insert takes the place of the creep-zone optic.
            dependencies.append(when("field_of_view", "curtain", {"creep_zone": {"const": False}}))
    if features.white_light_filter:
        properties["white_light_filter"] = switch("White-light filter fitted")
    properties["led"] = switch("LED")
    properties["relay_alarm"] = choice("Alarm relay", "normally closed", "normally open")
    if features.anti_mask:
        properties["anti_mask"] = switch("Anti-mask")
    schema: Schema = {
        "$schema": DIALECT,
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }
    if dependencies:
        schema["allOf"] = dependencies
    return schema


def factory_settings(features: Features) -> dict[str, Any]:
    """As the detector leaves its maker."""
    settings: dict[str, Any] = {"pir_range_m": RANGE_FACTORY_M}
    if features.microwave:
        settings["microwave_range_m"] = RANGE_FACTORY_M
    settings |= {"sensitivity": "normal", "pulse_count": 1}
    if features.pet != "none":
        settings["pet_immunity_kg"] = 0
    if features.creep_zone:
        settings["creep_zone"] = False
    if features.curtain:
        settings["field_of_view"] = "volumetric"
    if features.white_light_filter:
        settings["white_light_filter"] = False
    settings |= {"led": True, "relay_alarm": "normally closed"}
    if features.anti_mask:
        settings["anti_mask"] = True
    return settings
