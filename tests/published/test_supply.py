"""Volts against an independent nodal solution, and batteries against worked examples."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from installs.rules import standby, supply
from installs.rules.loop_states import CableSpec


def test_sixty_metres_of_alarm_cable() -> None:
    # Ohm's law worked by hand: 60 m of 0.22 mm² at 85 Ω/km a core, out and back, is 10.2 Ω; 15 mA drop 0.153 V.
    # The ohms per kilometre are the usual figure of data sheets: common practice, no source.
    device = supply.FedDevice("d", "D", "", 60.0, CableSpec(85.0), 15.0, 15.0)
    assert supply.run_resistance_ohm(device, 20.0) == pytest.approx(10.2, abs=1e-12)
    row, = supply.device_volts([device], supply.Supply(12.0), temperature_c=20.0)
    volts = row.volts["quiescent mains"]
    assert volts is not None
    assert 12.0 - volts == pytest.approx(0.153, abs=1e-12)


def nodal(feeder: list[int], ohm: list[float], milliamp: list[float], source_v: float) -> list[float]:
    """Modified nodal analysis: Kirchhoff's current law at every node (Ho, Ruehli, Brennan 1975; from memory), solved
    as one sparse linear system by scipy. Nothing of it is shared with the rules, which add drops along the tree."""
    size = len(feeder)
    matrix, right = lil_matrix((size, size)), np.zeros(size)
    for node, (above, resistance, current) in enumerate(zip(feeder, ohm, milliamp, strict=True)):
        conductance = 1 / resistance
        matrix[node, node] += conductance
        right[node] -= current / 1000
        if above < 0:
            right[node] += conductance * source_v
        else:
            matrix[above, above] += conductance
            matrix[node, above] -= conductance
            matrix[above, node] -= conductance
    return [float(value) for value in np.atleast_1d(spsolve(matrix.tocsc(), right))]


def test_a_thousand_random_trees_against_nodal_analysis() -> None:
    random = Random(20261125)
    compared = 0
    for _ in range(1000):
        count = random.randint(1, 25)
        feeder = [random.randint(-1, number - 1) for number in range(count)]
        runs = [random.uniform(0.5, 150) for _ in range(count)]
        quiet = [random.uniform(0.1, 30) for _ in range(count)]
        most = [value + random.uniform(0, 30) for value in quiet]
        cores = [random.randint(1, 3) for _ in range(count)]
        cable = CableSpec(random.uniform(18, 95), 0.00393, random.uniform(0, 10))
        warm = random.uniform(20, 60)
        devices = [
            supply.FedDevice(
                str(number), f"D{number}", "" if above < 0 else str(above), runs[number], cable, quiet[number],
                most[number], cores_per_pole=cores[number],
            )
            for number, above in enumerate(feeder)
        ]
        rows = supply.device_volts(devices, supply.Supply(13.7, 10.8), temperature_c=warm)
        # Both poles: 2 l r (1 + a (t - 20)), shared by the cores joined.
        ohm = [
            2 * run / 1000 * float(cable.ohm_per_km_20) * (1 + 0.00393 * (warm - 20))
            * (1 + float(cable.tolerance_percent) / 100) / joined
            for run, joined in zip(runs, cores, strict=True)
        ]
        for key, current, source_v in (
            ("quiescent mains", quiet, 13.7), ("alarm mains", most, 13.7),
            ("quiescent battery", quiet, 10.8), ("alarm battery", most, 10.8),
        ):
            assert [row.volts[key] for row in rows] == pytest.approx(
                nodal(feeder, ohm, current, source_v), rel=1e-9, abs=1e-9
            )
            compared += count
    assert compared > 40_000


def test_worked_example_with_the_extra_for_alarm_current() -> None:
    # BS 5839-1:2025 Annex E as restated by midlandfire.direct (second hand), a FIRE standard, used by analogy:
    # 1.25 x (0.25 A x 24 h + 1.75 x 0.75 A x 0.5 h) = 8.32 Ah; D is 1.75 as 8 Ah / 20 is below 0.75 A.
    needed = standby.battery_capacity_ah(250, 24, 750, 30, high_current=True)
    assert round(needed, 2) == 8.32


def test_worked_example_of_the_older_form() -> None:
    # scribd 623060922 (second hand, loose; a FIRE standard by analogy): 1.25 x (0.05 A x 24 h + 0.3 A x 1 h) prints
    # as 1.874 Ah; the sum itself is 1.875.
    assert standby.battery_capacity_ah(50, 24, 300, 60) == pytest.approx(1.875, abs=1e-12)


def test_durations_by_grade() -> None:
    # EN 50131-6 ed. 2 as restated on trade pages (second hand): type A 12, 12, 60, 60 h, the 60 h halved where a
    # mains fault is signalled. CONFLICT: 24 h at grades 3 and 4 under PD 6662:2004. Type B 24, 24, 120, 120 h: trade
    # page citing PN-EN 50133-1:2000 (weak). Type C 720 h: from memory.
    hours = {
        (row.scheme, row.psu_type, row.fault_signalled, row.grade): row.standby_hours
        for row in standby.STANDARD_STANDBY
    }
    published = {
        ("EN 50131-6", "A", False): (12, 12, 60, 60), ("EN 50131-6", "A", True): (12, 12, 30, 30),
        ("EN 50131-6", "B", False): (24, 24, 120, 120), ("EN 50131-6", "C", False): (720, 720, 720, 720),
    }
    for key, values in published.items():
        assert tuple(hours[*key, grade] for grade in (1, 2, 3, 4)) == values
    assert (hours["PD 6662:2004", "A", False, 3], hours["PD 6662:2004", "A", False, 4]) == (24, 24)
    assert all(row.source for row in standby.STANDARD_STANDBY)


def test_required_charge_current_simple_form() -> None:
    # Trade page (second hand): charge current is capacity over time. 17 Ah in 24 h takes 0.708 A.
    assert standby.rechargeable_ah(17 / 24 * 1000, 24) == pytest.approx(17)


def test_common_sizes_round_up() -> None:
    # open-exam-prep.com: 4, 7, 7.2, 10, 12, 18, 26, 40, 55 Ah; round up. 17 and 38: common practice, no source.
    assert {4, 7, 7.2, 10, 12, 18, 26, 40, 55} <= set(standby.COMMON_SIZES_AH)
    assert standby.next_size_ah(8.32) == 10
