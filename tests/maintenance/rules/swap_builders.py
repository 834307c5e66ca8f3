"""Positions, covers, boards and circuits for the tests of the swap rule."""

from __future__ import annotations

from typing import Any

from installs.rules.loops import Band
from installs.rules.topology import STANDARD_NAMES, STANDARD_TOPOLOGIES, functions, parse_topology
from maintenance.rules.swap_facts import (
    BoardFacts,
    CircuitFacts,
    Judgement,
    Position,
    Resistors,
    TopologyFacts,
    VariantFacts,
)

SCHEMA: dict[str, Any] = {
    "type": "object",
    "properties": {
        "pir_range_m": {"type": "integer", "minimum": 6, "maximum": 18, "default": 12},
        "field_of_view": {"enum": ["volumetric", "curtain"], "default": "volumetric"},
        "led": {"type": "boolean", "default": True},
    },
    "required": ["pir_range_m", "field_of_view", "led"],
    "additionalProperties": False,
}
SETTINGS = {"pir_range_m": 12, "field_of_view": "volumetric", "led": True}

# Common practice, no source: with the creep-zone optic active, pet immunity is limited to 12 kg.
PET_OLD: dict[str, Any] = {
    "type": "object",
    "properties": {
        "creep_zone": {"type": "boolean", "default": False},
        "pet_immunity_kg": {"enum": [0, 12, 30], "default": 0},
    },
    "required": ["creep_zone", "pet_immunity_kg"],
    "additionalProperties": False,
}
PET_LIMITED = {
    **PET_OLD,
    "allOf": [
        {
            "if": {"properties": {"creep_zone": {"const": True}}},
            "then": {"properties": {"pet_immunity_kg": {"enum": [0, 12]}}},
        }
    ],
}
NO_CREEP = {
    "type": "object",
    "properties": {"pet_immunity_kg": PET_OLD["properties"]["pet_immunity_kg"]},
    "required": ["pet_immunity_kg"],
    "additionalProperties": False,
}

DOUBLE_BANDS = (
    Band("tamper", 0, 500), Band("normal", 800, 1500), Band("alarm", 1600, 3500), Band("tamper", 20_000, None),
)
# FACTS: triple end-of-line 1k, 1k, 3k reads 1000 at rest, 2000 in alarm, 4000 masked, 5000 both (computed).
TRIPLE_BANDS = (
    Band("tamper", 0, 500), Band("normal", 800, 1400), Band("alarm", 1600, 2600), Band("mask", 3500, 6000),
    Band("tamper", 20_000, None),
)
CLOSED_BANDS = (Band("normal", 0, 200), Band("alarm", 20_000, None))


# A board's values that the panels here do not read.
FOREIGN = Resistors((("alarm", 4700.0), ("eol", 4700.0)))


def topology(code: str) -> TopologyFacts:
    circuit = parse_topology(STANDARD_TOPOLOGIES[code])
    return TopologyFacts(code, STANDARD_NAMES[code], circuit, functions(circuit))


def variant(key: int = 1, **changes: Any) -> VariantFacts:
    facts: dict[str, Any] = {
        "key": key, "code": f"V{key}", "name": f"Detector {key}", "family": 1,
        "backplate_generations": frozenset({1}), "grade": 2, "environmental_class": 2, "anti_mask": False,
        "outputs": frozenset({"alarm", "tamper"}), "supply_min_v": 9.0, "supply_max_v": 16.0, "quiescent_ma": 10.0,
        "maximum_ma": 15.0, "settings_schema": SCHEMA, "factory_settings": SETTINGS,
    }
    return VariantFacts(**facts | changes)


def masking(key: int = 1, **changes: Any) -> VariantFacts:
    """A grade 3 cover with anti-mask."""
    defaults: dict[str, Any] = {
        "grade": 3, "anti_mask": True, "outputs": frozenset({"alarm", "tamper", "mask", "fault"}),
    }
    return variant(key, **defaults | changes)


def board(key: int = 1, code: str = "double-eol", **changes: Any) -> BoardFacts:
    ohm = {"double-eol": {"alarm": 1000.0, "eol": 1000.0},
           "triple-eol": {"alarm": 1000.0, "eol": 1000.0, "mask": 3000.0}}[code]
    facts: dict[str, Any] = {
        "key": key, "name": f"B{key}", "topology": topology(code), "signalling_wires": 2,
        "resistors": Resistors(tuple(ohm.items())), "families": frozenset({1}), "generations": frozenset({1}),
    }
    return BoardFacts(**facts | changes)


def circuit(code: str = "double-eol", **changes: Any) -> CircuitFacts:
    facts: dict[str, Any] = {
        "functions": frozenset({"alarm", "tamper"}), "topology": topology(code),
        "bands": TRIPLE_BANDS if code == "triple-eol" else DOUBLE_BANDS, "cable_ohm": 10.0, "eol_ohm": None,
        "carries_eol": True,
    }
    return CircuitFacts(**facts | changes)


def position(**changes: Any) -> Position:
    """A grade 2 detector on one double end-of-line pair with its board; two cores are spare."""
    facts: dict[str, Any] = {
        "family": 1, "backplate_generation": 1,
        "terminals": ("+", "-", "A1", "A2", "T1", "T2", "M1", "M2"), "signalling_wires": 2,
        "landings": {"red": "+", "black": "-", "blue": "A1", "yellow": "T2", "green": None, "white": None},
        "board": board(), "hand_wired": None, "circuits": (circuit(),), "site_grade": 2, "site_class": 2,
        "old": variant(9, code="OLD"), "settings": SETTINGS,
    }
    return Position(**facts | changes)


def texts(judgement: Judgement) -> list[str]:
    return [reason.text for reason in judgement.reasons_against]
