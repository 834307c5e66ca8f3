"""Questions that a diagnosis refuses."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from installs.rules.diagnosis.model import Measurement, OtherBoard, Where
from installs.rules.errors import RuleError
from installs.rules.loop_states import Loop, check_loop


def check_question(
    loop: Loop,
    measurements: Sequence[Measurement],
    boards: Sequence[OtherBoard],
    pull_up_ohm: float | None,
    most: int,
) -> None:
    """Raises RuleError naming field, value and remedy for a question that cannot be computed with."""
    if not loop.devices:
        _refuse("the circuit has no devices", "devices", 0, "Record at least one device on the circuit.")
    check_loop(loop)
    for device in loop.devices:
        if np.ndim(device.cable_run_m) or any(np.ndim(ohm) for ohm in device.resistor_ohm.values()):
            _refuse("is not one circuit but many", device.label, "an array", "Diagnose one circuit at a time.")
    if not measurements:
        _refuse("nothing was measured", "measurements", 0, "Give at least one measurement.")
    if most < 1:
        _refuse("is not a number of causes", "most", most, "Give 1 or more.")
    for number, measurement in enumerate(measurements, start=1):
        _check_measurement(loop, measurement, f"measurement {number}", pull_up_ohm)
    for board in boards:
        for role, ohm in board.resistor_ohm.items():
            if not 0 <= ohm < math.inf:
                _refuse("is not a resistor", f"board {board.name}: {role}", ohm, "Give 0 Ω or more.")
        if not 0 <= board.tolerance_percent <= 99:
            field = f"board {board.name}: tolerance_percent"
            _refuse("is not a tolerance", field, board.tolerance_percent, "Give 0 to 99.")


def _check_measurement(loop: Loop, one: Measurement, name: str, pull_up_ohm: float | None) -> None:
    if math.isnan(one.ohm) or one.ohm < 0:
        _refuse("is not a resistance", f"{name}: ohm", one.ohm, "Give 0 Ω or more, or open circuit.")
    if not 0 <= one.meter_percent <= 99:
        _refuse("is not an accuracy", f"{name}: meter_percent", one.meter_percent, "Give 0 to 99.")
    if not 0 <= one.meter_ohm < math.inf:
        _refuse("is not an accuracy", f"{name}: meter_ohm", one.meter_ohm, "Give 0 Ω or more.")
    if one.where is Where.PANEL_CONNECTED:
        if pull_up_ohm is None:
            remedy = "Give the input's pull-up resistor, or measure with the pair off the panel."
            _refuse("the panel's pull-up resistor is not known", "pull_up_ohm", None, remedy)
        elif not 0 < pull_up_ohm < math.inf:
            _refuse("is not a resistor", "pull_up_ohm", pull_up_ohm, "Give more than 0 Ω.")
    last = len(loop.devices) - 1
    if one.where is Where.TOWARDS_END and not 0 <= one.first <= last:
        _refuse("is not a place of this circuit", f"{name}: first", one.first, f"Give 0 to {last}.")
    for place, names in one.known.items():
        if not 0 <= place <= last:
            _refuse("is not a place of this circuit", f"{name}: known", place, f"Give 0 to {last}.")
        device = loop.devices[place]
        for function in sorted(names - device.functions):
            remedy = f"Give functions that {device.label} has on this circuit, or none for at rest."
            _refuse("is not a function of this device here", f"{name}: known", function, remedy)


def _refuse(message: str, field: str, value: object, remedy: str) -> None:
    raise RuleError(message, field=field, value=value, remedy=remedy)
