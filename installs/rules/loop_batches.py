"""Many circuits of one shape at once, for nightly work and caches of pages."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from installs.rules.bands import Band, accepted_spans, check_bands
from installs.rules.errors import RuleError
from installs.rules.loops import COMBINED_STATES, CableSpec, Loop, LoopDevice, expected_states, state_intervals
from installs.rules.network import Ohms

RIGHT, MARGINAL, WRONG = 0, 1, 2
OUTCOMES = ("right", "marginal", "wrong")


def shape(loop: Loop) -> Hashable:
    """What circuits must have in common to be stacked: topology, signals, resistor roles and own wiring of each place,
    and which values are given for it alone."""
    places = tuple(
        (device.functions, frozenset(device.resistor_ohm), device.topology, device.tolerance_percent is None)
        for device in loop.devices
    )
    return loop.topology, places, loop.eol_ohm is None, loop.eol_tolerance_percent is None


def stack(loops: Sequence[Loop]) -> Loop:
    """One loop whose numbers are arrays, one entry for each of `loops`. Raises RuleError if their shapes differ."""
    if not loops or len({shape(loop) for loop in loops}) != 1:
        raise RuleError(
            "the circuits are not of one shape",
            field="loops",
            value=len(loops),
            remedy="Group them by shape() and stack each group.",
        )
    first = loops[0]
    devices = tuple(
        LoopDevice(
            key=device.key,
            label=device.label,
            functions=device.functions,
            resistor_ohm={
                role: _array([loop.devices[place].resistor_ohm[role] for loop in loops]) for role in device.resistor_ohm
            },
            cable_run_m=_array([loop.devices[place].cable_run_m for loop in loops]),
            tolerance_percent=_or_none([loop.devices[place].tolerance_percent for loop in loops]),
            topology=device.topology,
        )
        for place, device in enumerate(first.devices)
    )
    cable = CableSpec(*(_array([getattr(loop.cable, part.name) for loop in loops]) for part in fields(CableSpec)))
    ppm = [loop.resistor_ppm_per_k for loop in loops]
    return Loop(
        topology=first.topology,
        devices=devices,
        cable=cable,
        eol_ohm=_or_none([loop.eol_ohm for loop in loops]),
        tolerance_percent=_array([loop.tolerance_percent for loop in loops]),
        contact_ohm_max=_array([loop.contact_ohm_max for loop in loops]),
        least_temperature_c=_array([loop.least_temperature_c for loop in loops]),
        greatest_temperature_c=_array([loop.greatest_temperature_c for loop in loops]),
        eol_tolerance_percent=_or_none([loop.eol_tolerance_percent for loop in loops]),
        joint_ohm_max=_array([loop.joint_ohm_max for loop in loops]),
        # Left a number where it is 0, so that no temperature is worked into tolerances that do not feel it.
        resistor_ppm_per_k=_array(ppm) if any(ppm) else 0.0,
    )


def outcomes(stacked: Loop, bands: Sequence[Band]) -> NDArray[np.int8]:
    """RIGHT, MARGINAL or WRONG for every circuit of a stacked loop on inputs with these bands.

    The same judgement as `loops.verdict` gives for each alone. Raises RuleError.
    """
    ordered = check_bands(bands)
    worst: NDArray[np.int8] = np.zeros(np.shape(stacked.tolerance_percent) or (1,), dtype=np.int8)
    for interval in state_intervals(stacked):
        _, accepted = expected_states(stacked.topology, interval.state)
        nominal, least, greatest = (
            np.broadcast_to(np.asarray(value, dtype=np.float64), worst.shape)
            for value in (interval.nominal_ohm, interval.least_ohm, interval.greatest_ohm)
        )
        inside = np.zeros(worst.shape, dtype=bool)
        nominal_inside = np.zeros(worst.shape, dtype=bool)
        for low, high in accepted_spans(ordered, accepted):
            below = np.ones(worst.shape, dtype=bool) if high is None else greatest < high
            inside |= (least >= low) & below
            nominal_inside |= (nominal >= low) & (True if high is None else nominal < high)
        mild = np.full(worst.shape, True) if interval.state in COMBINED_STATES else nominal_inside
        judged = np.where(inside, RIGHT, np.where(mild, MARGINAL, WRONG)).astype(np.int8)
        worst = np.maximum(worst, judged)
    return worst


def _or_none(values: Sequence[Ohms | None]) -> NDArray[np.float64] | None:
    """The values as an array; circuits of one shape have all of them or none."""
    given = [value for value in values if value is not None]
    return _array(given) if given else None


def _array(values: Sequence[Ohms]) -> NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)
