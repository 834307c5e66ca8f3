"""Resistance of conductors by material, cross-section and temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from installs.rules.errors import RuleError
from installs.rules.network import Ohms

# IEC 60028:1925: annealed copper at 20 °C.
COPPER_RESISTIVITY_OHM_MM2_PER_M: Final = 0.017241
COPPER_COEFFICIENT_PER_K: Final = 0.00393

# EN 50131-1 clause 7: the coldest and the warmest that equipment of each environmental class must stand, in °C. From
# memory; the standard was not at hand.
TEMPERATURES_C: Final[dict[int, tuple[float, float]]] = {
    1: (5.0, 40.0),
    2: (-10.0, 40.0),
    3: (-25.0, 50.0),
    4: (-25.0, 60.0),
}


@dataclass(frozen=True)
class Material:
    """What a core is made of: resistivity at 20 °C, and how much of it each kelvin adds."""

    name: str
    resistivity_ohm_mm2_per_m: float
    coefficient_per_k: float


# Copper: IEC 60028:1925. Aluminium: IEC 60889. Copper-clad aluminium with a tenth of its area in copper: ASTM B566.
# Both aluminium rows from memory; a cable's data sheet goes before all of them.
MATERIALS: Final[dict[str, Material]] = {
    "copper": Material("Copper", COPPER_RESISTIVITY_OHM_MM2_PER_M, COPPER_COEFFICIENT_PER_K),
    "aluminium": Material("Aluminium", 0.028264, 0.00403),
    "copper-clad aluminium": Material("Copper-clad aluminium", 0.02676, 0.00404),
}

# IEC 60228:2004 tables 1 to 3: greatest resistance of one core in ohm/km at 20 °C, by class, finish and area in mm².
# 0.22 mm² is not in the standard, whose range starts at 0.5 mm².
IEC_60228_OHM_PER_KM: Final[dict[tuple[int, str], dict[float, float]]] = {
    (1, "plain"): {0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1},
    (1, "coated"): {0.5: 36.7, 0.75: 24.8, 1.0: 18.2, 1.5: 12.2},
    (2, "plain"): {0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1},
    (2, "coated"): {0.5: 36.7, 0.75: 24.8, 1.0: 18.2, 1.5: 12.2},
    (5, "plain"): {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3},
    (5, "coated"): {0.5: 40.1, 0.75: 26.7, 1.0: 20.0, 1.5: 13.7},
}


def standard_ohm_per_km(conductor_class: int, area_mm2: float, *, coated: bool = False) -> float:
    """Greatest resistance of one core in ohm/km at 20 °C (IEC 60228). Raises RuleError for a size not held here."""
    finish = "coated" if coated else "plain"
    table = IEC_60228_OHM_PER_KM.get((conductor_class, finish))
    if table is None:
        raise RuleError(
            "is not a conductor class",
            field="conductor_class",
            value=conductor_class,
            remedy="Give 1 (solid), 2 (stranded) or 5 (flexible).",
        )
    if area_mm2 not in table:
        raise RuleError(
            "is not a cross-section of the table",
            field="area_mm2",
            value=area_mm2,
            remedy=f"Give one of {', '.join(f'{area:g}' for area in table)} mm², or compute it from resistivity.",
        )
    return table[area_mm2]


def strand_area_mm2(strands: int, diameter_mm: float) -> float:
    """Cross-section in mm² of a core of round strands (alarm cable: 7 of 0.2 mm, called 0.22 mm²)."""
    if strands < 1 or not diameter_mm > 0:
        raise RuleError(
            "a core has at least one strand with a diameter",
            field="strands",
            value=f"{strands} x {diameter_mm}",
            remedy="Give the make-up of the core, such as 7 and 0.2.",
        )
    return strands * math.pi * diameter_mm**2 / 4


def solid_area_mm2(diameter_mm: float) -> float:
    """Cross-section in mm² of a solid round core (0.5 mm: 0.196 mm²). Raises RuleError."""
    return strand_area_mm2(1, diameter_mm)


def copper_ohm_per_km(area_mm2: float) -> float:
    """Resistance of one copper core in ohm/km at 20 °C from its cross-section (IEC 60028 resistivity)."""
    return core_ohm_per_km(area_mm2, MATERIALS["copper"])


def core_ohm_per_km(area_mm2: float, material: Material) -> float:
    """Resistance of one core in ohm/km at 20 °C: resistivity over cross-section. Raises RuleError."""
    if not area_mm2 > 0:
        raise RuleError("is not a cross-section", field="area_mm2", value=area_mm2, remedy="Give more than 0 mm².")
    return material.resistivity_ohm_mm2_per_m * 1000 / area_mm2


def class_temperatures_c(environmental_class: int) -> tuple[float, float]:
    """The coldest and the warmest °C of an environmental class (EN 50131-1, from memory). Raises RuleError."""
    if environmental_class not in TEMPERATURES_C:
        raise RuleError(
            "is not an environmental class",
            field="environmental_class",
            value=environmental_class,
            remedy="Give 1, 2, 3 or 4.",
        )
    return TEMPERATURES_C[environmental_class]


def correction_kt(temperature_c: float) -> float:
    """Factor that brings a resistance measured at `temperature_c` to 20 °C: 250 / (230 + t), IEC 60228 annex."""
    if not temperature_c > -230:
        raise RuleError("is too cold", field="temperature_c", value=temperature_c, remedy="Give more than -230 °C.")
    return 250.0 / (230.0 + temperature_c)


def pair_resistance_ohm(
    length_m: Ohms,
    ohm_per_km_20: Ohms,
    temperature_c: Ohms = 20.0,
    *,
    temperature_coefficient_per_k: Ohms = COPPER_COEFFICIENT_PER_K,
) -> Ohms:
    """Resistance in ohms of both cores of a pair `length_m` long at a temperature, from one core's ohm/km at 20 °C.

    R = 2 l r20 (1 + a (t - 20)), with a of IEC 60028 for copper by default.
    """
    return 2 * length_m / 1000 * ohm_per_km_20 * (1 + temperature_coefficient_per_k * (temperature_c - 20))
