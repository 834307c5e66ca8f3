"""Settings under a variant's schema, and reproducing them on another cover."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from installs.rules.errors import RuleError
from installs.rules.settings import (
    SettingChange,
    SettingLoss,
    SettingProblem,
    allowed,
    check_schema,
    defaults,
    problems,
    reproduce,
)

# Trade facts, common practice, no source: range factory-set to 12 m, adjustable from 6 to 18 m, PIR and microwave each
# by its own control; pet immunity off or switchable between 12 and 30 kg; with the creep-zone optic active on one kind
# of grade 3 detector not more than 12 kg.
RANGE = {"type": "integer", "minimum": 6, "maximum": 18, "default": 12}
PET = {"anyOf": [{"const": 0, "title": "off"}, {"type": "integer", "minimum": 12, "maximum": 30}], "default": 0}


def schema(properties: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
        **more,
    }


PIR_2 = schema(
    {
        "pir_range_m": {**RANGE, "title": "PIR range"},
        "sensitivity": {"enum": ["low", "normal", "high"], "default": "normal"},
        "pulse_count": {"type": "integer", "minimum": 1, "maximum": 3, "default": 1},
        "pet_immunity_kg": PET,
        "creep_zone": {"type": "boolean", "default": False},
        "led": {"type": "boolean", "default": True},
        "relay_alarm": {"enum": ["normally closed", "normally open"], "default": "normally closed"},
    }
)
DUAL_3 = schema(
    {
        "pir_range_m": {**RANGE, "title": "PIR range"},
        "microwave_range_m": RANGE,
        "sensitivity": {"enum": ["low", "normal"], "default": "normal"},
        "pet_immunity_kg": PET,
        "creep_zone": {"type": "boolean", "default": False},
        "led": {"type": "boolean", "default": True},
        "relay_alarm": {"const": "normally closed", "default": "normally closed"},
        "anti_mask": {"type": "boolean", "default": True},
    },
    allOf=[
        {
            "if": {"properties": {"creep_zone": {"const": True}}, "required": ["creep_zone"]},
            "then": {
                "properties": {
                    "pet_immunity_kg": {"anyOf": [{"const": 0, "title": "off"}, {"const": 12}]},
                }
            },
        }
    ],
)
OLD = {
    "pir_range_m": 15, "sensitivity": "normal", "pulse_count": 1, "pet_immunity_kg": 12, "creep_zone": False,
    "led": False, "relay_alarm": "normally closed",
}  # fmt: skip


def test_factory_settings_are_valid() -> None:
    assert defaults(DUAL_3) == {
        "pir_range_m": 12, "microwave_range_m": 12, "sensitivity": "normal", "pet_immunity_kg": 0, "creep_zone": False,
        "led": True, "relay_alarm": "normally closed", "anti_mask": True,
    }  # fmt: skip
    assert problems(DUAL_3, defaults(DUAL_3)) == ()
    assert problems(PIR_2, defaults(PIR_2)) == ()


def test_problems_are_told_in_words_and_in_the_schema_s_order() -> None:
    found = problems(PIR_2, {**OLD, "led": 3, "pir_range_m": 20, "pet_immunity_kg": 5, "colour": "white"})
    assert found == (
        SettingProblem("pir_range_m", 20, "PIR range cannot be 20 m.", "Set 6 to 18 m."),
        SettingProblem("pet_immunity_kg", 5, "Pet immunity cannot be 5 kg.", "Set off or 12 to 30 kg."),
        SettingProblem("led", 3, "LED cannot be 3.", "Set on or off."),
        SettingProblem(
            "colour", "white", "This variant has no setting colour.", "Leave it out, or choose another variant."
        ),
    )


def test_a_missing_setting_is_named() -> None:
    less = {name: value for name, value in OLD.items() if name not in ("sensitivity", "led")}
    assert problems(PIR_2, less) == (
        SettingProblem("sensitivity", None, "Sensitivity is not set.", "Set low, normal or high."),
        SettingProblem("led", None, "LED is not set.", "Set on or off."),
    )


@pytest.mark.parametrize("mass_kg", [13, 20, 30])
def test_creep_zone_limits_pet_immunity(mass_kg: int) -> None:
    settings = {**defaults(DUAL_3), "pet_immunity_kg": mass_kg}
    assert problems(DUAL_3, settings) == ()
    assert problems(DUAL_3, {**settings, "creep_zone": True}) == (
        SettingProblem(
            "pet_immunity_kg",
            mass_kg,
            f"Pet immunity cannot be {mass_kg} kg while creep zone is on.",
            "Set off or 12 kg.",
        ),
    )
    assert problems(DUAL_3, {**settings, "creep_zone": True, "pet_immunity_kg": 12}) == ()


def test_a_condition_on_a_missing_setting_is_not_told_as_met() -> None:
    loose = {**DUAL_3, "allOf": [{"if": {"properties": {"creep_zone": {"const": True}}}, **_then(DUAL_3)}]}
    settings = {name: value for name, value in defaults(DUAL_3).items() if name != "creep_zone"}
    found = problems(loose, {**settings, "pet_immunity_kg": 20})
    assert [(problem.field, problem.message) for problem in found] == [("creep_zone", "Creep zone is not set.")]


def _then(source: dict[str, Any]) -> dict[str, Any]:
    return {"then": source["allOf"][0]["then"]}


def test_settings_that_tie_one_another_by_presence() -> None:
    tied = schema({"a": {"type": "boolean"}, "b_m": RANGE}, required=[], dependentRequired={"a": ["b_m"]})
    assert problems(tied, {"a": True}) == (SettingProblem("b_m", None, "B is not set.", "Set 6 to 18 m."),)


def test_the_same_cover_reproduces_exactly() -> None:
    result = reproduce(OLD, PIR_2, PIR_2)
    assert (result.settings, result.exact, result.changed, result.lost, result.defaulted) == (OLD, True, (), (), ())


def test_a_new_cover_takes_what_it_can() -> None:
    result = reproduce({**OLD, "sensitivity": "high", "pulse_count": 2}, PIR_2, DUAL_3)
    assert result.settings == {
        "pir_range_m": 15, "microwave_range_m": 12, "sensitivity": "normal", "pet_immunity_kg": 12, "creep_zone": False,
        "led": False, "relay_alarm": "normally closed", "anti_mask": True,
    }  # fmt: skip
    assert result.changed == (
        SettingChange("sensitivity", "high", "normal", "Sensitivity: the new cover allows low or normal"),
    )
    assert result.lost == (SettingLoss("pulse_count", 2, "Pulse count: the new cover has no such setting"),)
    assert result.defaulted == ("microwave_range_m", "anti_mask")
    assert not result.exact


def test_pet_immunity_is_limited_under_the_creep_zone() -> None:
    result = reproduce({**OLD, "creep_zone": True, "pet_immunity_kg": 25}, PIR_2, DUAL_3)
    assert result.settings["pet_immunity_kg"] == 12
    assert result.settings["creep_zone"] is True
    assert result.changed == (
        SettingChange(
            "pet_immunity_kg", 25, 12, "Pet immunity: the new cover allows off or 12 kg while creep zone is on"
        ),
    )
    assert problems(DUAL_3, result.settings) == ()


@pytest.mark.parametrize(("old_m", "new_m"), [(3, 6), (18.0, 18), (25, 18), (10.4, 10), (10.6, 11)])
def test_numbers_move_to_the_nearest_allowed(old_m: float, new_m: int) -> None:
    wide = schema({"pir_range_m": {"type": "number", "minimum": 2, "maximum": 30, "default": 12}})
    narrow = schema({"pir_range_m": RANGE})
    result = reproduce({"pir_range_m": old_m}, wide, narrow)
    assert result.settings == {"pir_range_m": new_m}
    assert result.exact == (old_m == new_m)


def test_what_was_off_is_no_loss() -> None:
    plain = schema({"pir_range_m": RANGE})
    old = {**OLD, "creep_zone": False, "pet_immunity_kg": 0, "led": False}
    lost = {loss.field for loss in reproduce(old, PIR_2, plain).lost}
    assert lost == {"sensitivity", "pulse_count", "relay_alarm"}


def test_what_was_never_recorded_stands_at_the_old_factory_default() -> None:
    old_schema = schema({"pir_range_m": {**RANGE, "default": 9}})
    assert reproduce({}, old_schema, PIR_2).settings["pir_range_m"] == 9


def test_a_schema_that_allows_nothing_is_refused() -> None:
    impossible = schema({"led": {"type": "boolean", "default": True}}, allOf=[{"properties": {"led": {"const": 1}}}])
    with pytest.raises(RuleError, match="factory settings are not valid themselves"):
        reproduce({"led": True}, impossible, impossible)


def test_a_bad_schema_is_refused_by_place() -> None:
    with pytest.raises(RuleError) as caught:
        check_schema(schema({"led": {"type": "lamp"}}))
    assert caught.value.field == "settings_schema.properties.led.type"
    with pytest.raises(RuleError, match="names no settings"):
        defaults({"type": "object"})


def test_allowed_values_in_words() -> None:
    assert allowed({"minimum": 6}, "pir_range_m") == "6 m or more"
    assert allowed({"maximum": 18}, "pir_range_m") == "18 m or less"
    assert allowed({"minimum": 6, "maximum": 18, "multipleOf": 3}, "pir_range_m") == "6 to 18 m in steps of 3"
    assert allowed({"type": "boolean"}) == "on or off"


old_settings = st.fixed_dictionaries(
    {
        "pir_range_m": st.integers(0, 40),
        "sensitivity": st.sampled_from(["low", "normal", "high", "extreme"]),
        "pulse_count": st.integers(0, 5),
        "pet_immunity_kg": st.integers(0, 40),
        "creep_zone": st.booleans(),
        "led": st.booleans(),
        "relay_alarm": st.sampled_from(["normally closed", "normally open"]),
    },
    optional={"microwave_range_m": st.floats(0, 40), "anti_mask": st.booleans()},
)


@hypothesis_settings(deadline=None, max_examples=80)
@given(old_settings, st.sampled_from([PIR_2, DUAL_3]), st.sampled_from([PIR_2, DUAL_3]))
def test_a_reproduction_is_always_valid_and_names_every_difference(
    old: dict[str, Any], old_schema: dict[str, Any], new_schema: dict[str, Any]
) -> None:
    result = reproduce(old, old_schema, new_schema)
    assert Draft202012Validator(new_schema).is_valid(result.settings)
    named = {change.field for change in result.changed}
    same = [name for name in old if name in result.settings and result.settings[name] == old[name]]
    assert {name for name in old if name in result.settings} == named | set(same)
    assert named & set(same) == set()
    # Settings that only the new cover has, or that the old one had by default, stay explained too.
    again = reproduce(result.settings, new_schema, new_schema)
    assert (again.settings, again.exact) == (result.settings, True)
