"""Resistor values as people write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from installs.rules.errors import RuleError
from installs.rules.resistors import (
    SERIES,
    colours,
    format_ohm,
    from_colours,
    is_preferred,
    nearest_preferred,
    parse_ohm,
    spoken_ohm,
)


@pytest.mark.parametrize(
    ("text", "ohm"),
    [
        ("2k2", 2200), ("2.2k", 2200), ("2200", 2200), ("2,2 kΩ", 2200), ("4K7", 4700), ("R47", 0.47), ("0R47", 0.47),
        ("1M0", 1e6), ("1 MΩ", 1e6), ("470R", 470), ("470 ohm", 470), ("3 kohms", 3000), ("k47", 470), (" 10 Ω ", 10),
        ("0", 0), ("4.7 k\N{OHM SIGN}", 4700), ("12k4", 12_400), ("2,200 k", 2200),
    ],
)  # fmt: skip
def test_written_values(text: str, ohm: float) -> None:
    assert parse_ohm(text) == ohm


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not a resistor value"),
        ("k", "is not a resistor value"),
        ("2k2k", "is not a resistor value"),
        ("2.", "is not a resistor value"),
        ("-5", "is not a resistor value"),
        ("4 k 7", "is not a resistor value"),
        ("1m0", "small m could mean milli or mega"),
        ("5 m", "small m could mean milli or mega"),
        ("2,200", "could mean thousands or a decimal part"),
    ],
)
def test_unclear_values_are_refused(text: str, words: str) -> None:
    with pytest.raises(RuleError, match=words) as caught:
        parse_ohm(text)
    assert (caught.value.field, caught.value.value) == ("resistor", text)
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("ohm", "text"),
    [(4700, "4k7"), (1000, "1k0"), (10_000, "10k"), (470, "470R"), (2.2, "2R2"), (0, "0R"), (2.7e6, "2M7")],
)
def test_letter_code(ohm: float, text: str) -> None:
    assert format_ohm(ohm) == text


@given(st.integers(1, 9_999_999), st.integers(-3, 3))
def test_letter_code_reads_back(number: int, power: int) -> None:
    ohm = float(f"{number}e{power}")
    assert parse_ohm(format_ohm(ohm)) == ohm


@pytest.mark.parametrize(
    ("ohm", "words"),
    [(0, "0 Ω"), (0.47, "0.5 Ω"), (472.4, "472 Ω"), (4700, "4.7 kΩ"), (4656.3, "4.656 kΩ"), (1.2e6, "1.2 MΩ"),
     (math.inf, "open circuit")],
)  # fmt: skip
def test_spoken_values(ohm: float, words: str) -> None:
    assert spoken_ohm(ohm) == words


def test_nearest_preferred_values() -> None:
    assert nearest_preferred(5000, "E12") == 4700
    assert nearest_preferred(5000, "E24") == 5100
    assert nearest_preferred(9.6, "E12") == 10
    assert nearest_preferred(980, "E96") == 976
    assert is_preferred(0.47)
    assert not is_preferred(0.48)
    with pytest.raises(RuleError, match="E12, E24 or E96"):
        nearest_preferred(100, "E7")
    with pytest.raises(RuleError, match="more than 0"):
        nearest_preferred(0)


@pytest.mark.parametrize(("series", "tolerance"), [("E12", 10.0), ("E24", 5.0), ("E96", 1.0)])
def test_every_preferred_value_is_painted_and_read_back(series: str, tolerance: float) -> None:
    for value in SERIES[series]:
        for decade in range(-2, 5):
            ohm = float(f"{value}e{decade}")
            assert from_colours(colours(ohm, tolerance)) == (ohm, tolerance)
            assert nearest_preferred(ohm, series) == ohm


def test_what_cannot_be_painted_is_refused() -> None:
    with pytest.raises(RuleError, match="cannot be painted with 2 digits"):
        colours(4750, 5)
    with pytest.raises(RuleError, match="tolerance_percent"):
        colours(4700, 3)
    with pytest.raises(RuleError, match=r"band 2.*pink"):
        from_colours(("brown", "pink", "red", "gold"))
    with pytest.raises(RuleError, match="4 or 5 colours"):
        from_colours(("brown", "black", "red"))
