"""Voltage at each device along its power cable, and what would cure one that gets too little.

A supply's outputs feed a tree of devices: one after another, with branches. Devices are taken to draw a constant
current whatever the voltage (common practice, and on the safe side: a resistive load would draw less as it falls),
so the drops add exactly: the cable before a device carries the current of everything behind it, out and back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from installs.rules.conductors import pair_resistance_ohm
from installs.rules.errors import RuleError
from installs.rules.loop_states import CableSpec

PANEL: Final = ""


# A run shortened by more than this share is another place for the device, not a cure.
MOST_SHORTENING: Final = 0.8


class Case(NamedTuple):
    """One of the four cases that are computed."""

    key: str
    brief: str
    words: str
    alarm: bool
    on_battery: bool


CASES: Final = (
    Case("quiescent mains", "Quiet, mains", "quiet, mains present", alarm=False, on_battery=False),
    Case("alarm mains", "Alarm, mains", "full alarm, mains present", alarm=True, on_battery=False),
    Case("quiescent battery", "Quiet, battery", "quiet, battery discharged", alarm=False, on_battery=True),
    Case("alarm battery", "Alarm, battery", "full alarm, battery discharged", alarm=True, on_battery=True),
)


@dataclass(frozen=True)
class FedDevice:
    """A device on the power network. `fed_from` is the key of the device that it is fed from, PANEL from the outputs.

    `spare_cores` of the cable before it that could be joined to the power pair; None: not known. `least_v` None: its
    least supply voltage is not known, so that there is no margin.
    """

    key: str
    label: str
    fed_from: str
    run_m: float
    cable: CableSpec
    quiescent_ma: float
    maximum_ma: float
    least_v: float | None = None
    cores_per_pole: int = 1
    area_mm2: float | None = None
    spare_cores: int | None = None


@dataclass(frozen=True)
class Supply:
    """A panel's supply: volts at the outputs on mains and on a discharged battery, the greatest current they give."""

    mains_v: float | None = None
    end_v: float | None = None
    output_ma: float | None = None


@dataclass(frozen=True)
class ThickerCable:
    """A cable that could be laid instead."""

    area_mm2: float
    cable: CableSpec


@dataclass(frozen=True)
class DeviceVolts:
    """A device's volts in each of the four CASES; None where the supply's figure is missing. `margin_v` is the least
    of them over the device's least supply voltage; negative: too little. Cures are checked by computing anew."""

    key: str
    label: str
    volts: Mapping[str, float | None]
    least_v: float | None
    lowest_v: float | None
    lowest_case: str
    margin_v: float | None
    cause: str = ""
    cures: tuple[str, ...] = field(default=())

    @property
    def short(self) -> bool:
        return self.margin_v is not None and self.margin_v < 0


_Cured: TypeAlias = Callable[[Mapping[str, FedDevice]], bool]


def check_network(devices: Sequence[FedDevice]) -> None:
    """Raises RuleError for a value that cannot be computed with, a key used twice, or an unknown feeder."""
    keys = [device.key for device in devices]
    if len(set(keys)) != len(keys) or PANEL in keys:
        raise RuleError("two devices have the same key", field="key", value=keys, remedy="Give each its own.")
    known = {*keys, PANEL}
    for device in devices:
        for name in ("run_m", "quiescent_ma", "maximum_ma"):
            _not_negative(device.label, name, getattr(device, name))
        _not_negative(device.label, "ohm_per_km_20", float(device.cable.ohm_per_km_20))
        if device.maximum_ma < device.quiescent_ma:
            raise RuleError(
                f"{device.label} would draw less in alarm than when quiet", field="maximum_ma", value=device.maximum_ma,
                remedy=f"Give {device.quiescent_ma:g} mA or more.",
            )
        if device.cores_per_pole < 1:
            raise RuleError(
                f"{device.label} has no core to each pole", field="cores_per_pole", value=device.cores_per_pole,
                remedy="Give 1 or more.",
            )
        if device.fed_from not in known:
            raise RuleError(
                f"{device.label} is fed from a device that is not here", field="fed_from", value=device.fed_from,
                remedy="Feed it from the panel or from a device of the same system.",
            )


def _not_negative(label: str, name: str, value: float) -> None:
    if not 0 <= value < math.inf:
        raise RuleError(
            f"{label}: is not a figure to compute with", field=name, value=value, remedy="Give 0 or more."
        )


def run_resistance_ohm(device: FedDevice, temperature_c: float = 40.0) -> float:
    """Greatest resistance in ohms of the cable before a device, both poles: warm, and as high as its drum may be."""
    spec = device.cable
    # A cable that falls with warmth does not exist here, but a cold 20 °C must not make the figure kinder.
    warm = max(temperature_c, 20.0)
    both = pair_resistance_ohm(
        device.run_m, spec.ohm_per_km_20, warm, temperature_coefficient_per_k=spec.temperature_coefficient_per_k
    )
    return float(both * (1 + float(spec.tolerance_percent) / 100) / device.cores_per_pole)


def forest_volts(
    feeder: NDArray[np.int64],
    resistance_ohm: NDArray[np.float64],
    current_ma: NDArray[np.float64],
    source_v: NDArray[np.float64] | float,
) -> NDArray[np.float64]:
    """Volts at each device of any number of power trees in one call.

    `feeder[i]` is the index of the device that feeds device i, -1 for a supply's outputs; `resistance_ohm` is of the
    cable before each device, both poles; `source_v` is the volts at the outputs that the device's tree hangs on.
    Kirchhoff's laws: the cable before a device carries the current of its subtree, and the drops on the way to it
    add. Work grows with devices times the longest chain's length. Raises RuleError for a ring (value: its indices).
    """
    depth = _depths(feeder)
    through_a = current_ma / 1000
    levels = [np.flatnonzero(depth == level) for level in range(int(depth.max(initial=-1)) + 1)]
    for level in reversed(levels[1:]):
        np.add.at(through_a, feeder[level], through_a[level])
    volts = np.broadcast_to(np.asarray(source_v, dtype=np.float64), feeder.shape) - resistance_ohm * through_a
    for level in levels[1:]:
        volts[level] = volts[feeder[level]] - resistance_ohm[level] * through_a[level]
    return volts


def _depths(feeder: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many devices each one's supply passes on its way, by doubling steps. Raises RuleError for a ring."""
    above, steps = feeder.copy(), np.zeros(feeder.shape, dtype=np.int64)
    steps[feeder >= 0] = 1
    for _ in range(max(len(feeder), 1).bit_length() + 1):
        open_ = np.flatnonzero(above >= 0)
        if not open_.size:
            return steps
        steps[open_] += steps[above[open_]]
        above[open_] = above[above[open_]]
    at = int(open_[0])
    for _ in range(len(feeder)):
        at = int(feeder[at])
    ring = [at]
    while int(feeder[ring[-1]]) != at:
        ring.append(int(feeder[ring[-1]]))
    raise RuleError(
        "devices feed one another in a ring", field="fed_from", value=ring, remedy="Feed one of them from the panel."
    )


def _feeders(devices: Sequence[FedDevice]) -> NDArray[np.int64]:
    index = {device.key: number for number, device in enumerate(devices)} | {PANEL: -1}
    return np.array([index[device.fed_from] for device in devices], dtype=np.int64)


def check_no_ring(devices: Sequence[FedDevice]) -> None:
    """Raises RuleError naming the devices that feed one another in a ring."""
    try:
        _depths(_feeders(devices))
    except RuleError as error:
        ring = [devices[index].label for index in error.value]  # type: ignore[attr-defined]
        raise RuleError(
            f"{_and(ring)} feed one another in a ring" if len(ring) > 1 else f"{ring[0]} is fed from itself",
            field="fed_from", value=", ".join(ring),
            remedy="Feed one of them from the panel or from a device outside the ring.",
        ) from None


def _case_volts(
    devices: Sequence[FedDevice], supply: Supply, temperature_c: float
) -> dict[str, NDArray[np.float64] | None]:
    feeder = _feeders(devices)
    ohm = np.array([run_resistance_ohm(device, temperature_c) for device in devices])
    currents = {
        False: np.array([device.quiescent_ma for device in devices], dtype=np.float64),
        True: np.array([device.maximum_ma for device in devices], dtype=np.float64),
    }
    found: dict[str, NDArray[np.float64] | None] = {}
    for case in CASES:
        source = supply.end_v if case.on_battery else supply.mains_v
        found[case.key] = None if source is None else forest_volts(feeder, ohm, currents[case.alarm], source)
    return found


def device_volts(
    devices: Sequence[FedDevice],
    supply: Supply,
    *,
    temperature_c: float = 40.0,
    thicker: Sequence[ThickerCable] = (),
) -> tuple[DeviceVolts, ...]:
    """Volts at every device of one supply in the four CASES, with cause and cures of each that gets too little.

    `temperature_c` is the warmest that the cable gets, `thicker` the cables that could be laid instead. Raises
    RuleError for a value that cannot be computed with and for a ring.
    """
    check_network(devices)
    check_no_ring(devices)
    volts = _case_volts(devices, supply, temperature_c)
    rows = tuple(_row(device, number, volts) for number, device in enumerate(devices))
    return tuple(_explained(row, devices, supply, temperature_c, thicker) if row.short else row for row in rows)


def _row(device: FedDevice, number: int, volts: Mapping[str, NDArray[np.float64] | None]) -> DeviceVolts:
    own = {case.key: None if (found := volts[case.key]) is None else float(found[number]) for case in CASES}
    known = [(value, case.words) for case in CASES if (value := own[case.key]) is not None]
    lowest, words = min(known) if known else (None, "")
    margin = None if lowest is None or device.least_v is None else lowest - device.least_v
    # Volts that differ from the least by rounding of the machine only are enough.
    if margin is not None and abs(margin) < 1e-9:
        margin = 0.0
    return DeviceVolts(device.key, device.label, own, device.least_v, lowest, words, margin)


def _explained(
    row: DeviceVolts,
    devices: Sequence[FedDevice],
    supply: Supply,
    temperature_c: float,
    thicker: Sequence[ThickerCable],
) -> DeviceVolts:
    """The row of a device that gets too little, with why, and what would cure it."""
    path = _path(devices, row.key)
    case = next(case for case in CASES if case.words == row.lowest_case)
    source_v = supply.end_v if case.on_battery else supply.mains_v
    assert source_v is not None
    assert row.least_v is not None
    assert row.lowest_v is not None
    if source_v < row.least_v:
        return replace(
            row,
            cause=f"The supply itself gives only {source_v:.2f} V in {row.lowest_case}; {row.label} needs "
            f"{row.least_v:g} V.",
            cures=(f"A device that works from {_down(source_v, 1):g} V or less, or a supply that is cut off earlier "
                   "and gives more: no cable cures this.",),
        )
    metres = sum(step.run_m for step in path)
    cause = (
        f"{source_v - row.lowest_v:.2f} V are lost on {metres:g} m of cable from the panel to {row.label} in "
        f"{row.lowest_case}; at most {source_v - row.least_v:.2f} V may be."
    )

    through_a = _through_a(path, devices, alarm=case.alarm)

    def cured(changed: Mapping[str, FedDevice]) -> bool:
        """Computed anew with the change, in all cases; its own way first, which rules out most."""
        assert row.least_v is not None
        lost_v = sum(
            run_resistance_ohm(changed.get(step.key, step), temperature_c) * through_a[step.key] for step in path
        )
        if source_v - lost_v < row.least_v - 1e-9:
            return False
        network = [changed.get(device.key, device) for device in devices]
        number = next(index for index, device in enumerate(network) if device.key == row.key)
        return not _row(network[number], number, _case_volts(network, supply, temperature_c)).short

    cures: list[str] = []
    cures.extend(_more_cores(path, cured))
    cures.extend(_other_cable(path, cured, thicker))
    cures.extend(_shorter(path, row, through_a, temperature_c, cured))
    if not cures:
        cures.append(f"Feed {row.label} from a supply nearer to it: neither more cores nor a cable of the catalogue "
                     "cures this.")
    return replace(row, cause=cause, cures=tuple(cures))


def _path(devices: Sequence[FedDevice], key: str) -> list[FedDevice]:
    """The devices on the way from the panel to one, itself last."""
    by_key = {device.key: device for device in devices}
    path = [by_key[key]]
    while path[-1].fed_from != PANEL:
        path.append(by_key[path[-1].fed_from])
    return path[::-1]


def _more_cores(path: Sequence[FedDevice], cured: _Cured) -> list[str]:
    """The least number of cores to each pole, on the shortest stretch from the panel, that cures it."""
    for cores in (2, 3):
        for end in range(1, len(path) + 1):
            stretch = [step for step in path[:end] if step.cores_per_pole < cores]
            if stretch and cured({step.key: replace(step, cores_per_pole=cores) for step in stretch}):
                lacking = [
                    step for step in stretch
                    if step.spare_cores is None or step.spare_cores < 2 * (cores - step.cores_per_pole)
                ]
                count = {2: "Two", 3: "Three"}[cores]
                text = f"{count} cores per pole from the panel to {path[end - 1].label}"
                if not lacking:
                    return [f"{text}: the cable has the spare cores."]
                unknown = [step for step in lacking if step.spare_cores is None]
                if unknown:
                    return [f"{text}, if the cable before {_and([step.label for step in unknown])} has cores to spare."]
                where = _and([step.label for step in lacking])
                return [f"{text}, in a second cable: the one before {where} has too few spare cores."]
    return []


def _other_cable(path: Sequence[FedDevice], cured: _Cured, thicker: Sequence[ThickerCable]) -> list[str]:
    """The thinnest other cable, on the shortest stretch from the panel, that cures it."""
    for option in sorted(thicker, key=lambda option: option.area_mm2):
        for end in range(1, len(path) + 1):
            better = float(option.cable.ohm_per_km_20)
            stretch = [step for step in path[:end] if float(step.cable.ohm_per_km_20) > better]
            changed = {
                step.key: replace(step, cable=option.cable, area_mm2=option.area_mm2) for step in stretch
            }
            if stretch and cured(changed):
                areas = sorted({f"{step.area_mm2:g} mm²" for step in stretch if step.area_mm2 is not None})
                instead = f" instead of {_and(areas)}" if areas else ""
                return [f"{option.area_mm2:g} mm²{instead} from the panel to {path[end - 1].label}."]
    return []


def _through_a(path: Sequence[FedDevice], devices: Sequence[FedDevice], *, alarm: bool) -> dict[str, float]:
    """Current in A through the cable before each device of a path, by its key."""
    by_key = {device.key: device for device in devices}
    through = {step.key: 0.0 for step in path}
    for device in devices:
        current_a = (device.maximum_ma if alarm else device.quiescent_ma) / 1000
        at = device.key
        while at != PANEL:
            if at in through:
                through[at] += current_a
            at = by_key[at].fed_from
    return through


def _shorter(
    path: Sequence[FedDevice],
    row: DeviceVolts,
    through_a: Mapping[str, float],
    temperature_c: float,
    cured: _Cured,
) -> list[str]:
    """How many metres less, where each metre loses most, cure it; nothing if hardly a metre would be left."""
    assert row.margin_v is not None
    found: list[tuple[int, FedDevice]] = []
    for step in path:
        lost_v_per_m = run_resistance_ohm(replace(step, run_m=1.0), temperature_c) * through_a[step.key]
        # Compared before it is rounded: next to no current would ask for metres beyond any number.
        if -row.margin_v <= MOST_SHORTENING * step.run_m * lost_v_per_m and lost_v_per_m > 0:
            found.append((math.ceil(-row.margin_v / lost_v_per_m), step))
    for less_m, step in sorted(found, key=lambda pair: pair[0]):
        if less_m <= step.run_m and cured({step.key: replace(step, run_m=step.run_m - less_m)}):
            return [f"{less_m} m less cable before {step.label}."]
    return []


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""


def _down(value: float, digits: int) -> float:
    scale = 10.0**digits
    return math.floor(value * scale + 1e-9) / scale
