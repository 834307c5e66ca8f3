"""Preferred values, and resistor values as written, spoken and painted."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Final

from installs.rules.errors import RuleError

# IEC 60063. E12 and E24 were fixed before the formula and are listed; E96 follows round(100 * 10^(i/96)) throughout.
E12: Final = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24: Final = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
E96: Final = tuple(round(100 * 10 ** (step / 96)) for step in range(96))
SERIES: Final = {
    "E12": tuple(value * 10 for value in E12),
    "E24": tuple(value * 10 for value in E24),
    "E96": E96,
}

# IEC 60062. Grey as a tolerance is left out: editions disagree about it.
DIGIT_COLOURS: Final = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white")
_MULTIPLIER: Final = {**{colour: power for power, colour in enumerate(DIGIT_COLOURS)}, "gold": -1, "silver": -2}
_TOLERANCE_PERCENT: Final = {
    "brown": 1.0,
    "red": 2.0,
    "orange": 0.05,
    "yellow": 0.02,
    "green": 0.5,
    "blue": 0.25,
    "violet": 0.1,
    "gold": 5.0,
    "silver": 10.0,
}
_FACTOR: Final = {"": 0, "r": 0, "k": 3, "m": 6}
_WRITTEN = re.compile(r"(\d*)([.,rkm]?)(\d*)\s*([km]?)\s*(?:Ω|ohms?|r)?", re.IGNORECASE)


def nearest_preferred(ohm: float, series: str = "E24") -> float:
    """The value of E12, E24 or E96 nearest to `ohm` by ratio, in ohms. Raises RuleError."""
    if series not in SERIES:
        raise RuleError("is not a series", field="series", value=series, remedy="Give E12, E24 or E96.")
    if not 0 < ohm < math.inf:
        raise RuleError("has no preferred value", field="ohm", value=ohm, remedy="Give more than 0 Ω.")
    decade = math.floor(math.log10(ohm))
    powers = (decade - 3, decade - 2, decade - 1)
    candidates = [float(Decimal(value).scaleb(power)) for power in powers for value in SERIES[series]]
    return min(candidates, key=lambda candidate: abs(math.log(candidate / ohm)))


def is_preferred(ohm: float, series: str = "E24") -> bool:
    """Whether `ohm` is a value of the series."""
    return math.isclose(nearest_preferred(ohm, series), ohm, rel_tol=1e-9)


def parse_ohm(text: str) -> float:
    """Ohms from text as people write it: 2k2, 2.2k, 2200, '2,2 kΩ', 4K7, R47, 1M0. Raises RuleError."""
    written = text.strip().replace("\N{OHM SIGN}", "Ω").replace("Ω", "Ω")
    match = _WRITTEN.fullmatch(written)
    if match is None or not (match[1] or match[3]):
        raise RuleError(
            "is not a resistor value", field="resistor", value=text, remedy="Write it as 2k2, 2.2k, 2200 or R47."
        )
    whole, mark, rest, unit = match[1], match[2].lower(), match[3], match[4]
    if "m" in (match[2], unit):
        raise RuleError(
            "small m could mean milli or mega", field="resistor", value=text, remedy="Write M for a million ohms."
        )
    if mark == "," and len(rest) == 3 and not unit:
        raise RuleError(
            "could mean thousands or a decimal part",
            field="resistor",
            value=text,
            remedy=f"Write {whole}{rest} or {whole}.{rest}.",
        )
    letter = mark if mark in ("r", "k", "m") else ""
    if (letter and unit) or (mark in (".", ",") and not rest):
        raise RuleError(
            "is not a resistor value", field="resistor", value=text, remedy="Use one letter, as in 2k2 or 2.2k."
        )
    power = _FACTOR[letter or unit.lower()]
    return float(Decimal(f"{whole or 0}.{rest or 0}").scaleb(power))


def format_ohm(ohm: float) -> str:
    """A resistor value in letter code (IEC 60062): 4k7, 1k0, 470R, R47, 1M0. Raises RuleError."""
    if not 0 <= ohm < math.inf:
        raise RuleError("cannot be a resistor", field="ohm", value=ohm, remedy="Give 0 Ω or more.")
    power, letter = (6, "M") if ohm >= 1e6 else (3, "k") if ohm >= 1e3 else (0, "R")
    digits = format(Decimal(repr(float(ohm))).scaleb(-power).normalize(), "f")
    whole, _, rest = digits.partition(".")
    if not rest and len(whole) == 1 and power:
        rest = "0"
    return f"{'' if whole == '0' and rest else whole}{letter}{rest}"


def spoken_ohm(ohm: float) -> str:
    """A measured resistance for people to read: '0 Ω', '472 Ω', '4.7 kΩ', 'open circuit'. At most 4 digits."""
    if math.isinf(ohm):
        return "open circuit"
    if ohm < 1e3:
        return f"{float(f'{ohm:.1f}' if ohm < 100 else f'{ohm:.0f}'):g} Ω"
    if ohm < 1e6:
        return f"{float(f'{ohm:.4g}') / 1e3:g} kΩ"
    return f"{float(f'{ohm:.4g}') / 1e6:g} MΩ"


def colours(ohm: float, tolerance_percent: float) -> tuple[str, ...]:
    """The painted bands of a resistor: 2 digits for 5 % and wider, 3 for 2 % and tighter (IEC 60062).

    Raises RuleError for a value or tolerance that has no colours.
    """
    names = {value: name for name, value in _TOLERANCE_PERCENT.items()}
    if tolerance_percent not in names:
        raise RuleError(
            "has no colour",
            field="tolerance_percent",
            value=tolerance_percent,
            remedy=f"Give one of {', '.join(f'{value:g}' for value in sorted(names))}.",
        )
    count = 2 if tolerance_percent >= 5 else 3
    exact = Decimal(repr(float(ohm)))
    if exact > 0:
        power = exact.adjusted() - (count - 1)
        digits = exact.scaleb(-power)
        painted = {value: name for name, value in _MULTIPLIER.items()}
        if digits == digits.to_integral_value() and power in painted:
            first = (DIGIT_COLOURS[int(digit)] for digit in str(int(digits)))
            return (*first, painted[power], names[tolerance_percent])
    raise RuleError(
        f"cannot be painted with {count} digits",
        field="ohm",
        value=ohm,
        remedy="Give a preferred value of the series that goes with this tolerance.",
    )


def from_colours(bands: tuple[str, ...]) -> tuple[float, float]:
    """Ohms and tolerance in percent of 4 or 5 painted bands. Raises RuleError naming the band."""
    if len(bands) not in (4, 5):
        raise RuleError(
            "is not a number of bands read here", field="bands", value=len(bands), remedy="Give 4 or 5 colours."
        )
    *digits, multiplier, tolerance = (band.strip().lower() for band in bands)
    allowed = [DIGIT_COLOURS] * len(digits) + [tuple(_MULTIPLIER), tuple(_TOLERANCE_PERCENT)]
    for place, (band, choice) in enumerate(zip((*digits, multiplier, tolerance), allowed, strict=True), start=1):
        if band not in choice:
            raise RuleError(
                "is not a colour of this band", field=f"band {place}", value=band, remedy=f"Give {', '.join(choice)}."
            )
    number = int("".join(str(DIGIT_COLOURS.index(digit)) for digit in digits))
    return float(Decimal(number).scaleb(_MULTIPLIER[multiplier])), _TOLERANCE_PERCENT[tolerance]
