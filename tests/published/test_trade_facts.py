"""The trade facts of detector settings as check values against the demo catalogue's schemas.

Source of every value here: common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest
from jsonschema import Draft202012Validator

from config.demo.ranges import VARIANTS, VariantRow
from config.demo.schemas import factory_settings, settings_schema

ROWS: dict[str, VariantRow] = {row.code: row for row in VARIANTS}
GRADE_2_EITHER = "BF-2P-PET"
GRADE_3_CREEP = "QS-3PA-CZ"
DUAL = "FW-2D"
CURTAIN = "BF-2P"


def accepts(code: str, **changed: Any) -> bool:
    """Whether the variant's schema takes its factory settings with these changes."""
    row = ROWS[code]
    return Draft202012Validator(settings_schema(row.features)).is_valid(factory_settings(row.features) | changed)


@pytest.mark.parametrize("code", sorted(ROWS))
def test_range_is_factory_set_to_12_m(code: str) -> None:
    # common practice, no source
    settings = factory_settings(ROWS[code].features)
    assert {value for name, value in settings.items() if name.endswith("range_m")} == {12}


@pytest.mark.parametrize("code", sorted(ROWS))
@pytest.mark.parametrize(
    ("metres", "valid"), [(5, False), (6, True), (12, True), (18, True), (19, False), (9.5, False)]
)
def test_pir_range_is_adjustable_from_6_to_18_m(code: str, metres: float, valid: bool) -> None:
    # common practice, no source
    assert accepts(code, pir_range_m=metres) is valid


@pytest.mark.parametrize("pir", [6, 12, 18])
@pytest.mark.parametrize("microwave", [6, 12, 18])
def test_pir_and_microwave_range_are_set_each_by_its_own_control(pir: int, microwave: int) -> None:
    # common practice, no source
    assert accepts(DUAL, pir_range_m=pir, microwave_range_m=microwave) is True


@pytest.mark.parametrize(("metres", "valid"), [(5, False), (6, True), (18, True), (19, False)])
def test_microwave_range_has_the_same_limits(metres: int, valid: bool) -> None:
    # common practice, no source
    assert accepts(DUAL, microwave_range_m=metres) is valid


def test_pir_without_microwave_has_no_microwave_range() -> None:
    assert accepts("BF-2P", microwave_range_m=12) is False


@pytest.mark.parametrize(("kg", "valid"), [(0, True), (11, False), (12, True), (21, True), (30, True), (31, False)])
def test_pet_immunity_is_off_or_12_to_30_kg(kg: int, valid: bool) -> None:
    # common practice, no source
    assert accepts("FW-2D-PET", pet_immunity_kg=kg) is valid


@pytest.mark.parametrize(("kg", "valid"), [(0, True), (12, True), (13, False), (20, False), (30, True), (31, False)])
def test_one_kind_of_grade_2_detector_takes_either_12_or_30_kg(kg: int, valid: bool) -> None:
    # common practice, no source
    assert ROWS[GRADE_2_EITHER].grade == 2
    assert accepts(GRADE_2_EITHER, pet_immunity_kg=kg) is valid


@pytest.mark.parametrize(
    ("creep_zone", "kg", "valid"),
    [
        (True, 0, True), (True, 12, True), (True, 13, False), (True, 30, False),
        (False, 0, True), (False, 12, True), (False, 13, True), (False, 30, True), (False, 31, False),
        (False, 11, False),
    ],
)
def test_creep_zone_optic_limits_pet_immunity_to_12_kg_on_a_grade_3_detector(
    creep_zone: bool, kg: int, valid: bool
) -> None:
    # common practice, no source
    assert (ROWS[GRADE_3_CREEP].grade, ROWS[GRADE_3_CREEP].features.anti_mask) == (3, True)
    assert accepts(GRADE_3_CREEP, creep_zone=creep_zone, pet_immunity_kg=kg) is valid


@pytest.mark.parametrize(("view", "valid"), [("volumetric", True), ("curtain", True), ("wide", False)])
def test_field_of_view_is_volumetric_or_curtain_by_insert(view: str, valid: bool) -> None:
    # common practice, no source
    assert accepts(CURTAIN, field_of_view=view) is valid


def test_detector_that_takes_no_insert_has_no_field_of_view_to_set() -> None:
    assert accepts("OX-1P", field_of_view="curtain") is False


@pytest.mark.parametrize("code", sorted(ROWS))
@pytest.mark.parametrize("on", [True, False])
def test_anti_mask_can_be_switched_only_where_the_variant_has_it(code: str, on: bool) -> None:
    # common practice, no source
    assert accepts(code, anti_mask=on) is ROWS[code].features.anti_mask


@pytest.mark.parametrize(
    ("relay", "valid"), [("normally closed", True), ("normally open", True), ("closed", False), (True, False)]
)
def test_alarm_relay_is_normally_closed_or_normally_open(relay: object, valid: bool) -> None:
    # common practice, no source
    assert accepts("BF-2P", relay_alarm=relay) is valid


def test_a_setting_that_is_missing_or_unknown_is_refused() -> None:
    row = ROWS["BF-2P"]
    validator = Draft202012Validator(settings_schema(row.features))
    settings = factory_settings(row.features)
    assert [name for name in settings if validator.is_valid({k: v for k, v in settings.items() if k != name})] == []
    assert validator.is_valid(settings | {"volume": 3}) is False
