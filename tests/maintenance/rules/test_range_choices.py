"""Which variants could serve a position, with which parts, at what change; and why none."""

from __future__ import annotations

from typing import Any

from maintenance.rules.range_choices import Choices, choices_of
from maintenance.rules.swap_facts import InsertFacts, Position, VariantFacts
from stock.rules.fewest import Choice
from tests.maintenance.rules.swap_builders import (
    FOREIGN,
    NO_CREEP,
    PET_OLD,
    SETTINGS,
    board,
    masking,
    position,
    variant,
)

ITEMS = {1: 101, 2: 102, 3: 103, 9: 109}


def choices(place: Position, *covers: VariantFacts, keep: bool = True, boards: Any = ()) -> Choices:
    return choices_of(place, covers, boards, ITEMS, keep_settings=keep)


def test_the_cover_that_is_there_changes_nothing_and_another_counts_one() -> None:
    now, other = variant(1), variant(2)
    assert choices(position(old=now), now, other).choices == (Choice(1, (), 0), Choice(2, (), 1))


def test_covers_no_longer_made_or_of_another_family_serve_nothing() -> None:
    now = variant(1, discontinued=True)
    found = choices(position(old=now), now, variant(2, family=2))
    assert found == Choices((), "No variant of its family is still made.")
    # One that is still made takes the place of the one that is not.
    assert choices(position(old=now), now, variant(3)).choices == (Choice(3, (), 1),)


def test_every_board_that_would_do_is_a_choice() -> None:
    now = variant(1)
    place = position(old=now, board=board(9, resistors=FOREIGN))
    found = choices(place, now, boards=[board(1), board(2), board(3, signalling_wires=4)])
    assert found.choices == (Choice(1, (101,), 1), Choice(1, (102,), 1))


def test_inserts_are_parts_of_every_cover_that_needs_them() -> None:
    insert = InsertFacts(77, "Curtain", "field_of_view", "curtain")
    now, other = variant(1, inserts=(insert,)), variant(2, inserts=(insert,))
    place = position(old=now, settings={**SETTINGS, "field_of_view": "curtain"})
    # The cover that is there has its insert; a new one of the same kind needs one too.
    assert choices(place, now, other).choices == (Choice(1, (77,), 0), Choice(2, (77,), 2))


def test_a_setting_that_cannot_stay_counts_only_when_settings_may_change() -> None:
    now = variant(1, settings_schema=PET_OLD, factory_settings={"creep_zone": False, "pet_immunity_kg": 0})
    other = variant(2, settings_schema=NO_CREEP, factory_settings={"pet_immunity_kg": 0})
    place = position(old=now, settings={"creep_zone": True, "pet_immunity_kg": 12})
    assert choices(place, now, other).choices == (Choice(1, (), 0),)
    assert choices(place, now, other, keep=False).choices == (Choice(1, (), 0), Choice(2, (), 2))
    gone = choices(place, other)
    assert (gone.choices, gone.why.startswith("A setting cannot stay: creep zone")) == ((), True)


def test_the_reason_is_that_of_the_nearest_cover() -> None:
    place = position(old=variant(9), site_grade=3, site_class=3)
    near = masking(1, environmental_class=2)
    far = variant(2, environmental_class=2)
    assert choices(place, far, near).why == "It is made for environmental class II and the site is class III."


def test_spare_cores_are_named_as_what_is_missing() -> None:
    found = choices(position(old=variant(9), site_grade=3), masking(1))
    assert found == Choices((), "It would be served once spare cores are landed at the device.")
