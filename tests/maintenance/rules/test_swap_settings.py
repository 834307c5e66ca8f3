"""The swap rule: settings kept, changed and lost, the inserts they need, and the ranking."""

from __future__ import annotations

from dataclasses import replace

from maintenance.rules.swap import judge, ranked
from maintenance.rules.swap_facts import VERDICT_ORDER, InsertFacts, VariantFacts, Verdict
from maintenance.rules.swap_settings import carried_over, full_settings
from tests.maintenance.rules.swap_builders import (
    NO_CREEP,
    PET_LIMITED,
    PET_OLD,
    SCHEMA,
    SETTINGS,
    board,
    circuit,
    masking,
    position,
    texts,
    variant,
)

# --- settings ---------------------------------------------------------------------------------------


def test_pet_immunity_limited_by_the_creep_zone_is_a_reason_against() -> None:
    old = variant(9, settings_schema=PET_OLD, factory_settings={"creep_zone": False, "pet_immunity_kg": 0})
    where = position(old=old, settings={"creep_zone": True, "pet_immunity_kg": 30})
    judged = judge(where, variant(settings_schema=PET_LIMITED), [])
    assert judged.verdict == Verdict.FITS
    assert judged.settings == {"creep_zone": True, "pet_immunity_kg": 12}
    assert [(change.field, change.old, change.new, change.lost) for change in judged.setting_changes] == [
        ("pet_immunity_kg", 30, 12, False)
    ]
    assert texts(judged) == [
        "Pet immunity: 30 kg becomes 12 kg; the new cover allows 0 kg or 12 kg while creep zone is on."
    ]


def test_lost_creep_zone_is_a_reason_against() -> None:
    old = variant(9, settings_schema=PET_OLD)
    where = position(old=old, settings={"creep_zone": True, "pet_immunity_kg": 12})
    judged = judge(where, variant(settings_schema=NO_CREEP), [])
    assert judged.verdict == Verdict.FITS
    assert texts(judged) == ["Creep zone is lost: the new cover has no such setting."]


def test_insert_for_a_setting_is_named() -> None:
    curtain = InsertFacts(3, "IN-1 Curtain insert", "field_of_view", "curtain")
    where = position(settings=SETTINGS | {"field_of_view": "curtain"})
    judged = judge(where, variant(inserts=(curtain,)), [])
    assert judged.inserts == (curtain,)
    assert judged.reasons_for[-1] == (
        "Insert IN-1 Curtain insert goes in from the front and keeps field of view as it was."
    )


def test_insert_that_the_cover_comes_with_is_not_named() -> None:
    curtain = InsertFacts(3, "IN-1 Curtain insert", "field_of_view", "curtain")
    factory = SETTINGS | {"field_of_view": "curtain"}
    where = position(settings=factory)
    assert judge(where, variant(inserts=(curtain,), factory_settings=factory), []).inserts == ()


def test_cover_that_takes_no_insert_loses_nothing_where_none_was_fitted() -> None:
    curtain = InsertFacts(3, "IN-1 Curtain insert", "field_of_view", "curtain")
    names = ("pir_range_m", "led")
    plain = {**SCHEMA, "properties": {name: SCHEMA["properties"][name] for name in names}, "required": list(names)}
    cover = variant(settings_schema=plain, factory_settings={name: SETTINGS[name] for name in names})
    without = judge(position(old=variant(9, inserts=(curtain,))), cover, [])
    narrow = position(old=variant(9, inserts=(curtain,)), settings=SETTINGS | {"field_of_view": "curtain"})
    fitted = judge(narrow, cover, [])
    assert texts(without) == []
    assert texts(fitted) == ["Field of view (curtain) is lost: the new cover has no such setting."]


def test_lost_anti_mask_is_said_once() -> None:
    schema = {**SCHEMA, "properties": {**SCHEMA["properties"], "anti_mask": {"type": "boolean"}}}
    where = position(old=masking(9, settings_schema=schema), settings=SETTINGS | {"anti_mask": True})
    judged = judge(where, variant(), [])
    assert [change.field for change in judged.setting_changes] == ["anti_mask"]
    assert texts(judged) == ["It does not detect masking, as the old one does."]


def test_what_only_the_new_cover_has_starts_as_it_leaves_the_factory() -> None:
    schema = {**SCHEMA, "properties": {**SCHEMA["properties"], "sensitivity": {"enum": ["low", "normal", "high"]}}}
    cover = variant(settings_schema=schema, factory_settings=SETTINGS | {"sensitivity": "normal"})
    judged = judge(position(), cover, [])
    assert judged.settings == SETTINGS | {"sensitivity": "normal"}
    assert judged.setting_changes == ()


def test_anti_mask_is_switched_on_where_the_grade_requires_it() -> None:
    schema = {**SCHEMA, "properties": {**SCHEMA["properties"], "anti_mask": {"type": "boolean"}}}
    loop = circuit("triple-eol", functions=frozenset({"alarm", "tamper", "mask"}))
    where = position(
        site_grade=3, board=board(5, "triple-eol"), circuits=(loop,), old=masking(9, settings_schema=schema),
        settings=SETTINGS | {"anti_mask": False},
    )
    judged = judge(where, masking(settings_schema=schema), [])
    assert judged.verdict == Verdict.FITS
    assert judged.settings == SETTINGS | {"anti_mask": True}
    assert texts(judged) == ["Anti mask: off becomes on; grade 3 requires that masking is detected."]


def test_which_settings_no_judgement_depends_on() -> None:
    filtered = InsertFacts(3, "IN-1 Curtain insert", "field_of_view", "curtain")
    short = {**SCHEMA, "properties": {"pir_range_m": SCHEMA["properties"]["pir_range_m"]}}
    other_range = {**SCHEMA, "properties": {**SCHEMA["properties"], "pir_range_m": {"enum": [6, 12]}}}

    def found(old: VariantFacts, *covers: VariantFacts) -> tuple[list[str], list[str]]:
        carried = carried_over(old, covers)
        return sorted(carried.names), sorted(carried.partial)

    assert found(variant(9), variant()) == (["field_of_view", "led", "pir_range_m"], [])
    assert found(variant(9), variant(inserts=(filtered,))) == (["led", "pir_range_m"], [])
    assert found(variant(9), variant(settings_schema=short)) == (
        ["field_of_view", "led", "pir_range_m"], ["field_of_view", "led"]
    )
    assert found(variant(9), variant(settings_schema=other_range)) == (["field_of_view", "led"], [])
    # Tied to each other by a rule of one cover.
    assert found(variant(9, settings_schema=PET_OLD), variant(settings_schema=PET_LIMITED)) == ([], [])
    assert full_settings({"led": False, "creep_zone": True}, {"pir_range_m": 9}, SCHEMA) == {
        "led": False, "pir_range_m": 9,
    }


# --- ranking ----------------------------------------------------------------------------------------


def test_ranking() -> None:
    where = position(old=variant(9, code="OLD", successor=4), settings=SETTINGS | {"pir_range_m": 18})
    short = {**SCHEMA, "properties": {**SCHEMA["properties"], "pir_range_m": {"enum": [6, 12], "default": 12}}}
    covers = [
        variant(1, grade=3),
        variant(2, maximum_ma=14.0),
        variant(3),
        variant(4, grade=3),
        variant(5, settings_schema=short),
        variant(6, discontinued=True),
        variant(7, grade=1),
    ]
    order = [(rank, judged.cover) for rank, judged in ranked(judge(where, cover, []) for cover in covers)]
    assert order == [(1, 4), (2, 2), (3, 3), (4, 1), (5, 5), (0, 6), (0, 7)]


def test_fits_ranks_before_fits_with_board() -> None:
    where = position(site_grade=3, circuits=(circuit("triple-eol"),))
    with_board = judge(where, masking(1), [board(5, "triple-eol")])
    as_is = replace(with_board, verdict=Verdict.FITS, order=(VERDICT_ORDER[Verdict.FITS], *with_board.order[1:]))
    assert [judged.verdict for _, judged in ranked([with_board, as_is])] == [Verdict.FITS, Verdict.FITS_BOARD]
