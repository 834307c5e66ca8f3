"""Panel inputs that read terminal volts: the loop and a pull-up resistor divide the reference voltage.

V = Vref R / (Rp + R), hence R = Rp V / (Vref - V), with Vref the reference, Rp the pull-up, R the loop (voltage
divider: Thevenin's source Vref behind Rp, loaded with R). The database computes bands by the same formula
(BAND_OHM_FROM_VOLTS of the models); the reference itself is taken as exact, for such inputs measure against it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from installs.rules.bands import Band, check_bands
from installs.rules.errors import RuleError
from installs.rules.network import Ohms


@dataclass(frozen=True)
class PanelInput:
    """What feeds the loop terminals: volts behind a resistor, which is right within plus or minus its tolerance."""

    reference_v: float
    pull_up_ohm: float
    pull_up_tolerance_percent: float = 0.0


@dataclass(frozen=True)
class VoltBand:
    """Terminal volts from `low_v` up to but not including `high_v` read as `state`; None: up to the reference, an open
    circuit included."""

    state: str
    low_v: float
    high_v: float | None


def check_input(panel_input: PanelInput) -> None:
    """Raises RuleError for an input that cannot be computed with."""
    for name, most in (("reference_v", math.inf), ("pull_up_ohm", math.inf)):
        value = getattr(panel_input, name)
        if not 0 < value < most:
            raise RuleError("must be more than 0", field=name, value=value, remedy="Give the panel maker's value.")
    tolerance = panel_input.pull_up_tolerance_percent
    if not 0 <= tolerance < 100:
        raise RuleError(
            "is not a tolerance", field="pull_up_tolerance_percent", value=tolerance, remedy="Give 0 to below 100 %."
        )


def volts_at(panel_input: PanelInput, loop_ohm: Ohms) -> Ohms:
    """Volts across the terminals with `loop_ohm` between them (inf: open circuit). Raises RuleError."""
    check_input(panel_input)
    ohm = np.asarray(loop_ohm, dtype=np.float64)
    if not np.all(ohm >= 0):
        raise RuleError("is not a resistance", field="loop_ohm", value=loop_ohm, remedy="Give 0 Ω or more.")
    # With the loop's conductance an open circuit is a plain 0.
    with np.errstate(divide="ignore", over="ignore"):
        volts = panel_input.reference_v / (1.0 + panel_input.pull_up_ohm / ohm)
    return float(volts) if volts.ndim == 0 else np.asarray(volts, dtype=np.float64)


def ohm_at(panel_input: PanelInput, terminal_v: Ohms) -> Ohms:
    """Resistance of the loop in ohms from the volts across the terminals (inf at the reference). Raises RuleError for
    volts that no loop gives."""
    check_input(panel_input)
    volts = np.asarray(terminal_v, dtype=np.float64)
    if not np.all((volts >= 0) & (volts <= panel_input.reference_v)):
        raise RuleError(
            "no loop gives this voltage",
            field="terminal_v",
            value=terminal_v,
            remedy=f"Give 0 V to {panel_input.reference_v:g} V, or look for a foreign voltage on the loop.",
        )
    with np.errstate(divide="ignore"):
        ohm = panel_input.pull_up_ohm * volts / (panel_input.reference_v - volts)
    return float(ohm) if ohm.ndim == 0 else np.asarray(ohm, dtype=np.float64)


def ohm_bounds(panel_input: PanelInput, terminal_v: Ohms) -> tuple[Ohms, Ohms]:
    """Least and greatest resistance in ohms that these volts can mean, for the pull-up is only known to within its
    tolerance. Raises RuleError."""
    ohm, share = ohm_at(panel_input, terminal_v), panel_input.pull_up_tolerance_percent / 100.0
    return ohm * (1.0 - share), ohm * (1.0 + share)


def bands_in_ohm(panel_input: PanelInput, bands: Iterable[VoltBand]) -> tuple[Band, ...]:
    """The bands in ohms from low to high, drawn in by the pull-up's tolerance at both edges: what lies inside reads
    right whatever the pull-up really is. Raises RuleError for bands outside the reference, overlapping, or so narrow
    that nothing of them is left."""
    check_input(panel_input)
    share = panel_input.pull_up_tolerance_percent / 100.0
    found: list[Band] = []
    for band in bands:
        if not 0 <= band.low_v < panel_input.reference_v or (band.high_v is not None and not band.high_v > band.low_v):
            raise RuleError(
                f"the {band.state} band does not lie between 0 V and {panel_input.reference_v:g} V",
                field="low_v",
                value=(band.low_v, band.high_v),
                remedy="Give the lower edge below the upper, both within the reference voltage.",
            )
        low = float(ohm_at(panel_input, band.low_v)) * (1.0 + share)
        open_ended = band.high_v is None or band.high_v >= panel_input.reference_v
        high = None if band.high_v is None or open_ended else float(ohm_at(panel_input, band.high_v)) * (1.0 - share)
        if high is not None and high <= low:
            raise RuleError(
                f"nothing is left of the {band.state} band within the pull-up's tolerance",
                field="pull_up_tolerance_percent",
                value=panel_input.pull_up_tolerance_percent,
                remedy="Check the tolerance, or make the band wider.",
            )
        found.append(Band(band.state, low, high))
    return check_bands(found)
