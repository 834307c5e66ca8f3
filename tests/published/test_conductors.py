"""Copper conductors against the published tables."""

from __future__ import annotations

import pytest

from installs.rules.conductors import (
    COPPER_COEFFICIENT_PER_K,
    IEC_60228_OHM_PER_KM,
    MATERIALS,
    TEMPERATURES_C,
    class_temperatures_c,
    copper_ohm_per_km,
    core_ohm_per_km,
    correction_kt,
    pair_resistance_ohm,
    solid_area_mm2,
    standard_ohm_per_km,
    strand_area_mm2,
)

# IEC 60228:2004 tables 1, 2 and 3, as reprinted by a maker of cable lugs and by cable engineering pages:
# class, coated, then the greatest ohm/km at 20 °C of 0.5, 0.75, 1.0 and 1.5 mm².
IEC_60228 = [
    (1, False, ("36.0", "24.5", "18.1", "12.1")),
    (1, True, ("36.7", "24.8", "18.2", "12.2")),
    (2, False, ("36.0", "24.5", "18.1", "12.1")),
    (2, True, ("36.7", "24.8", "18.2", "12.2")),
    (5, False, ("39.0", "26.0", "19.5", "13.3")),
    (5, True, ("40.1", "26.7", "20.0", "13.7")),
]


@pytest.mark.parametrize(("conductor_class", "coated", "printed"), IEC_60228)
def test_resistance_by_class_and_size(conductor_class: int, coated: bool, printed: tuple[str, ...]) -> None:
    sizes = (0.5, 0.75, 1.0, 1.5)
    assert tuple(f"{standard_ohm_per_km(conductor_class, size, coated=coated):.1f}" for size in sizes) == printed


# IEC 60228 annex, as reprinted by trade pages: factor to bring a measured resistance to 20 °C.
@pytest.mark.parametrize(
    ("temperature_c", "printed"),
    [
        (5, "1.064"), (10, "1.042"), (15, "1.020"), (20, "1.000"), (25, "0.980"),
        (30, "0.962"), (40, "0.926"), (70, "0.833"), (100, "0.758"),
    ],
)  # fmt: skip
def test_correction_to_20_c(temperature_c: float, printed: str) -> None:
    assert f"{correction_kt(temperature_c):.3f}" == printed


def test_temperature_coefficient_agrees_with_the_correction_table() -> None:
    # IEC 60028:1925: 0.00393 per K. The annex's formula 250/(230+t) is 1/250 = 0.004 per K: within 1 % from 5 to 70 °C.
    assert COPPER_COEFFICIENT_PER_K == 0.00393
    for temperature_c in (5, 10, 15, 20, 25, 30, 40, 70):
        warm = pair_resistance_ohm(100.0, 80.0, temperature_c)
        assert warm * correction_kt(temperature_c) == pytest.approx(pair_resistance_ohm(100.0, 80.0, 20.0), rel=0.01)


def test_alarm_core_from_resistivity() -> None:
    # Make-up 7 x 0.2 mm: trade pages; IEC 60028 resistivity 0.017241 ohm mm²/m: 17.241 / 0.22 = 78.4 ohm/km.
    assert f"{strand_area_mm2(7, 0.2):.4f}" == "0.2199"
    assert f"{copper_ohm_per_km(0.22):.1f}" == "78.4"


def test_pair_counts_both_cores() -> None:
    # Computed: 60 m at 85 ohm/km per core, out and back, is 10.2 ohm; 15 mA then drops 0.153 V.
    ohm = pair_resistance_ohm(60.0, 85.0)
    assert ohm == pytest.approx(10.2, rel=1e-12)
    assert ohm * 0.015 == pytest.approx(0.153, rel=1e-12)


def test_sizes_outside_the_table_are_refused_by_name() -> None:
    # IEC 60228 starts at 0.5 mm²: 0.22 mm² is not in it.
    with pytest.raises(ValueError, match=r"area_mm2.*0\.22.*0\.5, 0\.75, 1, 1\.5"):
        standard_ohm_per_km(1, 0.22)
    with pytest.raises(ValueError, match=r"conductor_class.*3"):
        standard_ohm_per_km(3, 0.5)


def test_every_size_held_is_in_the_printed_table() -> None:
    # The same reprints: no size is held that the comparison above leaves out.
    assert {(number, "coated" if coated else "plain") for number, coated, _ in IEC_60228} == set(IEC_60228_OHM_PER_KM)
    assert {tuple(row) for row in IEC_60228_OHM_PER_KM.values()} == {(0.5, 0.75, 1.0, 1.5)}


def test_solid_cores_agree_with_class_1() -> None:
    # IEC 60228 table 1 is a greatest value: copper of exactly 0.5 mm² (IEC 60028) lies 1 to 8 % below it at every size.
    for size, printed in ((0.5, 36.0), (0.75, 24.5), (1.0, 18.1), (1.5, 12.1)):
        assert 0.92 < copper_ohm_per_km(size) / printed < 0.99
    # Solid alarm cores of 0.5 mm diameter: area from the circle, 17.241 / 0.19635 = 87.8 ohm/km (computed).
    assert f"{solid_area_mm2(0.5):.5f}" == "0.19635"
    assert f"{copper_ohm_per_km(solid_area_mm2(0.5)):.1f}" == "87.8"


def test_materials() -> None:
    # IEC 60028:1925 for copper; IEC 60889 (aluminium, 61 % of copper's conductivity) and ASTM B566 (copper-clad with a
    # tenth of copper by area, about 63 to 65 %), both from memory.
    copper = MATERIALS["copper"]
    assert (copper.resistivity_ohm_mm2_per_m, copper.coefficient_per_k) == (0.017241, 0.00393)
    assert copper.resistivity_ohm_mm2_per_m == pytest.approx(1 / 58, rel=1e-4)
    shares = {name: copper.resistivity_ohm_mm2_per_m / row.resistivity_ohm_mm2_per_m for name, row in MATERIALS.items()}
    assert {name: f"{share:.2f}" for name, share in shares.items()} == {
        "copper": "1.00", "aluminium": "0.61", "copper-clad aluminium": "0.64",
    }  # fmt: skip
    # 0.22 mm² copper-clad: 26.76 / 0.22 (computed).
    assert f"{core_ohm_per_km(0.22, MATERIALS['copper-clad aluminium']):.1f}" == "121.6"


def test_temperatures_by_environmental_class() -> None:
    # EN 50131-1 clause 7, from memory: the standard was not at hand.
    assert TEMPERATURES_C == {1: (5, 40), 2: (-10, 40), 3: (-25, 50), 4: (-25, 60)}
    # Each class holds the one before (follows from a higher class standing in for a lower one: common practice).
    for lower in (1, 2, 3):
        (cold, warm), (colder, warmer) = class_temperatures_c(lower), class_temperatures_c(lower + 1)
        assert colder <= cold
        assert warm <= warmer
    with pytest.raises(ValueError, match=r"environmental_class.*5.*1, 2, 3 or 4"):
        class_temperatures_c(5)
