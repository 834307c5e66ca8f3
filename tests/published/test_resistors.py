"""Preferred values, colour code and letter code against the published lists."""

from __future__ import annotations

import pytest

from config.demo.ranges import BOARDS, BoardRow
from installs.rules.resistors import E12, E24, E96, colours, format_ohm, from_colours, nearest_preferred, parse_ohm

# IEC 60063:2015 series, as listed by qsl.net/g4usp and trade pages.
PRINTED_E12 = "10 12 15 18 22 27 33 39 47 56 68 82"
PRINTED_E24_MORE = "11 13 16 20 24 30 36 43 51 62 75 91"
# The same lists; E96 complete as in IEC 60063 (printed in full in most component tables; this copy is from memory).
PRINTED_E96 = """
100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174
178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309
316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549
562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976
"""


def numbers(text: str) -> tuple[int, ...]:
    return tuple(int(word) for word in text.split())


def test_the_series_are_complete() -> None:
    assert numbers(PRINTED_E12) == E12
    assert tuple(sorted(numbers(PRINTED_E12) + numbers(PRINTED_E24_MORE))) == E24
    assert numbers(PRINTED_E96) == E96


def test_e24_deviates_from_the_formula_where_published() -> None:
    # Trade pages say that E24 deviates from round(10 * 10^(i/24)); the eight values follow from the list.
    off = tuple(value for step, value in enumerate(E24) if round(10 * 10 ** (step / 24)) != value)
    assert off == (27, 30, 33, 36, 39, 43, 47, 82)


def test_e24_is_not_within_e96() -> None:
    # From the two lists: 4k7 is not an E96 value; its nearest there is 4k75, and of 1k2 it is 1k21.
    assert [value for value in (120, 180, 220, 270, 330, 390, 470) if value in E96] == []
    assert (nearest_preferred(4700, "E96"), nearest_preferred(1200, "E96")) == (4750, 1210)


# resistorcolorcodes.org examples of IEC 60062.
@pytest.mark.parametrize(
    ("bands", "ohm", "tolerance_percent"),
    [
        ("brown black red gold", 1000, 5),
        ("yellow violet red gold", 4700, 5),
        ("red red orange gold", 22_000, 5),
        ("brown black black gold brown", 10, 1),
    ],
)
def test_colour_code_both_ways(bands: str, ohm: float, tolerance_percent: float) -> None:
    painted = tuple(bands.split())
    assert from_colours(painted) == (ohm, tolerance_percent)
    assert colours(ohm, tolerance_percent) == painted


# IEC 60062 letter code; the examples are from memory of the standard.
@pytest.mark.parametrize(("text", "ohm"), [("4k7", 4700), ("2R2", 2.2), ("R47", 0.47), ("1M0", 1_000_000)])
def test_letter_code_both_ways(text: str, ohm: float) -> None:
    assert parse_ohm(text) == ohm
    assert format_ohm(ohm) == text


# IEC 60062 digits and multipliers, painted by hand from the standard's table: three digits at 1 %, two at 5 %.
PAINTED = {
    1000: ("brown black black brown brown", "brown black red gold"),
    2200: ("red red black brown brown", "red red red gold"),
    3000: ("orange black black brown brown", "orange black red gold"),
    4700: ("yellow violet black brown brown", "yellow violet red gold"),
}


@pytest.mark.parametrize("board", [row for row in BOARDS if any(row.values)], ids=lambda row: row.sku)
def test_colour_code_of_every_board_both_ways(board: BoardRow) -> None:
    for ohm in board.values:
        if ohm is not None:
            for painted, tolerance_percent in zip(PAINTED[ohm], (1.0, 5.0), strict=True):
                assert colours(ohm, tolerance_percent) == tuple(painted.split())
                assert from_colours(tuple(painted.split())) == (ohm, tolerance_percent)


def test_every_value_of_the_boards_is_painted() -> None:
    assert {ohm for row in BOARDS for ohm in row.values if ohm is not None} == set(PAINTED)
