"""The swap rule: each verdict and each reason."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from installs.rules.loops import Band
from maintenance.rules.swap import judge, ranked
from maintenance.rules.swap_facts import Resistors, Verdict
from tests.maintenance.rules.swap_builders import (
    CLOSED_BANDS,
    FOREIGN,
    SETTINGS,
    board,
    circuit,
    masking,
    position,
    texts,
    topology,
    variant,
)


def test_same_kind_fits_as_is() -> None:
    judged = judge(position(), variant(), [board(), board(2)])
    assert judged.verdict == Verdict.FITS
    assert judged.proposable is True
    assert judged.board is None
    assert judged.settings == SETTINGS
    assert judged.reasons_against == ()
    assert judged.reasons_for == (
        "It clips to the backplate that is on the wall (generation 1).",
        "Its grade 2 meets the site's grade 2.",
        "Its environmental class II meets the site's class II.",
        "It draws no more current than the old one.",
        "The wiring in place carries its alarm and tamper signals.",
        "Board B1 stays in place, and the panel input reads it.",
        "Every setting of the old one can be set on it.",
    )


@pytest.mark.parametrize(
    ("where", "cover", "reason"),
    [
        ({}, {"family": 2}, "It belongs to another family and does not clip to this backplate."),
        ({}, {"backplate_generations": frozenset({2, 3})},
         "It clips to backplates of generation 2 and 3; the one on the wall is of generation 1."),
        # EN 50131-1 as trade pages restate it: a system has the grade of its lowest component.
        ({}, {"grade": 1},
         "It is grade 1 and the site is grade 2: a system is only as good as its lowest grade."),
        ({"site_class": 3}, {}, "It is made for environmental class II and the site is class III."),
        # EN 50131-2-2 as a trade page restates it: masking detection at grades 3 and 4.
        ({"site_grade": 3}, {"grade": 3}, "It does not detect masking, which grade 3 requires."),
        ({}, {"outputs": frozenset({"alarm"})},
         "It has no tamper output, and a circuit expects that signal: its contacts would be missing there."),
        ({}, {"supply_min_v": 20.0, "supply_max_v": 28.0}, "It runs on 20 to 28 V; the old one on 9 to 16 V."),
    ],
)
def test_what_keeps_a_cover_off(where: dict[str, Any], cover: dict[str, Any], reason: str) -> None:
    judged = judge(position(**where), variant(**cover), [])
    assert judged.verdict == Verdict.DOES_NOT_FIT
    assert judged.proposable is False
    assert texts(judged) == [reason]
    assert judged.reasons_against[0].decisive is True
    assert judged.cures != ()


def test_higher_grade_and_class_stand_in_for_lower() -> None:
    assert judge(position(), variant(grade=4, environmental_class=4), []).verdict == Verdict.FITS


@pytest.mark.parametrize(
    ("where", "cover", "reason"),
    [
        ({}, {"supply_min_v": 10.5}, "Its supply range, 10.5 to 16 V, is narrower than the old one's 9 to 16 V."),
        ({}, {"maximum_ma": 18.0}, "It draws 10 mA at rest and at most 18 mA; the old one 10 and 15 mA."),
        ({}, {"discontinued": True, "discontinued_on": date(2025, 3, 3)},
         "It is discontinued since 3 Mar 2025, so it is not proposed."),
        ({"old": masking(9, outputs=frozenset({"alarm", "tamper", "mask"}))}, {},
         "It does not detect masking, as the old one does."),
        ({"circuits": (circuit(bands=()),)}, {},
         "Whether the panel input reads the resistors could not be checked: its bands are not on record."),
    ],
)
def test_what_speaks_against_but_does_not_keep_off(
    where: dict[str, Any], cover: dict[str, Any], reason: str
) -> None:
    judged = judge(position(**where), variant(**cover), [])
    assert judged.verdict == Verdict.FITS
    assert texts(judged) == [reason]
    assert judged.reasons_against[0].decisive is False
    assert judged.cures != ()


def test_discontinued_cover_is_judged_but_not_proposed() -> None:
    judged = judge(position(), variant(discontinued=True), [])
    assert (judged.verdict, judged.proposable) == (Verdict.FITS, False)
    assert [rank for rank, _ in ranked([judged])] == [0]


# --- masking at grade 3 -----------------------------------------------------------------------------


def test_mask_pair_can_be_landed_on_spare_cores() -> None:
    judged = judge(position(site_grade=3), masking(), [board()])
    assert judged.verdict == Verdict.FITS_CORES
    assert judged.cores == (("green", "M1"), ("white", "M2"))
    assert texts(judged) == [
        "The mask output needs a pair of its own or a triple end-of-line loop; this circuit is double end-of-line. "
        "2 cores are spare (green, white), landed on nothing.",
    ]
    assert judged.cures == (
        "Land two spare cores (green, white) on M1 and M2 and give them a panel input for mask.",
    )


def test_without_spare_cores_a_cable_must_be_pulled() -> None:
    where = position(site_grade=3, landings={"red": "+", "black": "-", "blue": "A1", "yellow": "T2"})
    judged = judge(where, masking(), [board()])
    assert judged.verdict == Verdict.DOES_NOT_FIT
    assert texts(judged) == [
        "The mask output needs a pair of its own or a triple end-of-line loop; this circuit is double end-of-line "
        "and 0 cores are spare.",
    ]
    assert judged.cures == (
        "Pull a cable with two more cores, or set the panel input to a triple end-of-line profile, if the panel has "
        "one, and fit a board to suit.",
    )
    assert judged.cores == ()


def test_one_spare_core_is_one_too_few() -> None:
    where = position(site_grade=3, landings={"blue": "A1", "yellow": "T2", "green": None})
    judged = judge(where, masking(), [])
    assert judged.verdict == Verdict.DOES_NOT_FIT
    assert judged.cures[0].startswith("Pull a cable with one more core, or")


def test_backplate_without_mask_terminals() -> None:
    judged = judge(position(site_grade=3, terminals=("A1", "A2", "T1", "T2")), masking(), [])
    assert judged.verdict == Verdict.DOES_NOT_FIT
    assert texts(judged) == [
        "The mask output needs a pair of its own or a triple end-of-line loop; this backplate has no mask terminals."
    ]


def test_landed_mask_pair_without_a_panel_input() -> None:
    landings = {"blue": "A1", "yellow": "T2", "green": "M1", "white": "M2"}
    judged = judge(position(site_grade=3, landings=landings), masking(), [])
    assert judged.verdict == Verdict.FITS_CORES
    assert judged.cures == ("Give M1 and M2 (green and white) a panel input of their own and add it to the record.",)


def test_mask_pair_with_a_panel_input_fits_as_is() -> None:
    landings = {"blue": "A1", "yellow": "T2", "green": "M1", "white": "M2"}
    mask_loop = circuit("closed-loop-mask", functions=frozenset({"mask"}), carries_eol=False,
                        bands=(Band("normal", 0, 200), Band("mask", 20_000, None)))
    judged = judge(position(site_grade=3, landings=landings, circuits=(circuit(), mask_loop)), masking(), [])
    assert judged.verdict == Verdict.FITS
    assert judged.cores == ()


def test_triple_loop_needs_a_board_that_carries_mask() -> None:
    where = position(site_grade=3, circuits=(circuit("triple-eol"),))
    judged = judge(where, masking(), [board(), board(5, "triple-eol")])
    assert judged.verdict == Verdict.FITS_BOARD
    assert judged.board is not None
    assert judged.board.key == 5
    assert judged.cures == ("Fit board B5.",)


def test_unused_mask_output_is_told_below_grade_3() -> None:
    judged = judge(position(landings={"blue": "A1", "yellow": "T2"}), masking(), [])
    assert judged.verdict == Verdict.FITS
    assert texts(judged) == ["Its mask signal stays unused, which grade 2 allows: no circuit carries it."]


def test_tamper_is_needed_from_grade_2() -> None:
    bands = (Band("tamper", 0, 500), Band("normal", 800, 1500), Band("alarm", 20_000, None))
    where = position(circuits=(circuit("single-eol", functions=frozenset({"alarm"}), bands=bands),))
    one = replace(where, site_grade=1)
    assert judge(where, variant(), []).verdict == Verdict.FITS_CORES
    assert judge(one, variant(), []).verdict == Verdict.FITS


# --- boards and resistors ---------------------------------------------------------------------------


def test_board_for_another_panel_is_flagged_and_replaced() -> None:
    where = position(board=board(7, resistors=FOREIGN))
    judged = judge(where, variant(), [board(7, resistors=FOREIGN), board(2)])
    assert judged.verdict == Verdict.FITS_BOARD
    assert judged.board is not None
    assert judged.board.key == 2
    assert texts(judged)[0].startswith(
        "Board B7 in place (alarm 4.7 kΩ, end-of-line 4.7 kΩ) does not suit the panel input: Normal: "
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"families": frozenset({2})},
        {"generations": frozenset({2})},
        {"signalling_wires": 4},
        {"topology": topology("single-eol")},
        {"resistors": FOREIGN},
        {"resistors": None},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_boards_that_do_not_serve(changes: dict[str, Any]) -> None:
    where = position(board=board(7, resistors=FOREIGN))
    judged = judge(where, variant(), [board(2, **changes)])
    assert judged.verdict == Verdict.DOES_NOT_FIT
    assert judged.board is None


def test_hand_wired_resistors_stay() -> None:
    where = position(board=None, hand_wired=Resistors((("alarm", 1000.0), ("eol", 1000.0))))
    judged = judge(where, variant(), [board(2)])
    assert judged.verdict == Verdict.FITS
    assert "The hand-wired resistors stay behind the backplate, and the panel input reads them." in judged.reasons_for


def test_board_that_presets_only_the_wiring_takes_hand_wired_values() -> None:
    where = position(board=board(7, resistors=None), hand_wired=Resistors((("alarm", 1000.0), ("eol", 1000.0))))
    assert judge(where, variant(), []).verdict == Verdict.FITS


def test_missing_resistor_is_named() -> None:
    judged = judge(position(board=None), variant(), [])
    assert judged.verdict == Verdict.DOES_NOT_FIT
    assert texts(judged) == [
        "The wiring in place has no alarm and end-of-line resistor, which the alarm and tamper circuit needs."
    ]


def test_end_of_line_on_another_device() -> None:
    alarm_only = Resistors((("alarm", 1000.0),))
    shared = circuit(carries_eol=False, eol_ohm=1000.0)
    assert judge(position(board=None, hand_wired=alarm_only, circuits=(shared,)), variant(), []).verdict == Verdict.FITS


def test_closed_loop_needs_no_resistors() -> None:
    loop = circuit("closed-loop", functions=frozenset({"alarm"}), bands=CLOSED_BANDS)
    where = position(board=None, circuits=(loop,), site_grade=1)
    assert judge(where, variant(), []).verdict == Verdict.FITS
