"""What the panel measures in every state of a circuit.

Each value is computed with its limits: resistors within their tolerance, cable between the coldest and the warmest
temperature, closed contacts between 0 ohm and their greatest resistance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from installs.rules import network
from installs.rules.conductors import COPPER_COEFFICIENT_PER_K, pair_resistance_ohm
from installs.rules.errors import RuleError
from installs.rules.network import Node, Ohms
from installs.rules.topology import EOL, FUNCTIONS, Topology, build, functions

_DONE = {"alarm": "in alarm", "tamper": "tamper open", "mask": "masked", "fault": "in fault"}


@dataclass(frozen=True)
class CableSpec:
    """A cable: resistance of one core at 20 °C, and how it changes with temperature."""

    ohm_per_km_20: Ohms
    temperature_coefficient_per_k: Ohms = COPPER_COEFFICIENT_PER_K


@dataclass(frozen=True)
class LoopDevice:
    """One device on a loop.

    `functions` are those of its signals that travel on this loop; `resistor_ohm` holds its board's or hand-wired
    values by role (`eol`, `alarm`, `mask`); `cable_run_m` is the length from the panel or the device before.
    """

    key: str
    label: str
    functions: frozenset[str]
    resistor_ohm: Mapping[str, Ohms]
    cable_run_m: Ohms


@dataclass(frozen=True)
class Loop:
    """A circuit. Devices are in order from the panel; `eol_ohm` None: the last device's board carries the
    end-of-line resistor. Numbers may be arrays of one length: then it is that many circuits of one shape."""

    topology: Topology
    devices: tuple[LoopDevice, ...]
    cable: CableSpec
    eol_ohm: Ohms | None = None
    tolerance_percent: Ohms = 1.0
    contact_ohm_max: Ohms = 0.5
    least_temperature_c: Ohms = -10.0
    greatest_temperature_c: Ohms = 40.0


@dataclass(frozen=True)
class StateInterval:
    """What the panel measures in one state. `state` is normal, alarm, tamper, mask, fault (of one device), or
    alarm+mask (of one device), all-alarm, open, short; `device_key` is empty for states of the whole loop."""

    state: str
    device_key: str
    label: str
    nominal_ohm: Ohms
    least_ohm: Ohms
    greatest_ohm: Ohms


def check_loop(loop: Loop) -> None:
    """Raises RuleError when a value cannot be computed with, or a device carries what the topology cannot."""
    _check("tolerance_percent", loop.tolerance_percent, most=99.0)
    _check("contact_ohm_max", loop.contact_ohm_max)
    _check("ohm_per_km_20", loop.cable.ohm_per_km_20)
    if loop.eol_ohm is not None:
        _check("eol_ohm", loop.eol_ohm)
    if np.any(np.asarray(loop.least_temperature_c) > np.asarray(loop.greatest_temperature_c)):
        raise RuleError(
            "the coldest temperature is above the warmest",
            field="least_temperature_c",
            value=loop.least_temperature_c,
            remedy="Swap the two temperatures.",
        )
    can = functions(loop.topology)
    for device in loop.devices:
        _check(f"{device.label}: cable_run_m", device.cable_run_m)
        for role, ohm in device.resistor_ohm.items():
            _check(f"{device.label}: resistor_ohm.{role}", ohm)
        for name in sorted(device.functions - can):
            raise RuleError(
                f"this topology cannot carry the {name} signal of {device.label}",
                field="functions",
                value=name,
                remedy=f"Carry {name} on another circuit, or use a topology that has a {name} contact.",
            )


def state_intervals(loop: Loop) -> tuple[StateInterval, ...]:
    """Every state of the loop with its resistance in ohms: nominal, least and greatest.

    With arrays in the loop each value is an array: a thousand circuits of one shape in one call. Raises RuleError.
    """
    check_loop(loop)
    return tuple(_intervals(loop))


def _intervals(loop: Loop) -> Iterator[StateInterval]:
    none: dict[int, frozenset[str]] = {}

    def interval(state: str, key: str, label: str, node: Node) -> StateInterval:
        least, greatest = network.bounds(node)
        return StateInterval(state, key, label, network.resistance_ohm(node), least, greatest)

    yield interval("normal", "", "Normal", _network(loop, none))
    for index, device in enumerate(loop.devices):
        for name in FUNCTIONS:
            if name in device.functions:
                node = _network(loop, {index: frozenset({name})})
                yield interval(name, device.key, f"{device.label} {_DONE[name]}", node)
        if {"alarm", "mask"} <= device.functions:
            node = _network(loop, {index: frozenset({"alarm", "mask"})})
            yield interval("alarm+mask", device.key, f"{device.label} in alarm and masked", node)
    alarming = [index for index, device in enumerate(loop.devices) if "alarm" in device.functions]
    if len(alarming) > 1:
        node = _network(loop, dict.fromkeys(alarming, frozenset({"alarm"})))
        yield interval("all-alarm", "", f"All {len(alarming)} devices in alarm", node)
    yield interval("open", "", "Cable cut", network.Open())
    # A short may lie anywhere between the panel and the end: from 0 ohm to the whole pair and every closed contact.
    ended = _network(loop, none, end=network.Short())
    yield StateInterval("short", "", "Cable shorted", 0.0, 0.0, network.bounds(ended)[1])


def _network(loop: Loop, operated: Mapping[int, frozenset[str]], end: Node | None = None) -> Node:
    node = _end(loop) if end is None else end
    for index in range(len(loop.devices) - 1, -1, -1):
        device = loop.devices[index]
        cable = _cable(loop, device)
        through, body = (
            build(
                tree,
                carried=device.functions,
                operated=operated.get(index, frozenset()),
                resistor_ohm=device.resistor_ohm,
                tolerance_percent=loop.tolerance_percent,
                contact_ohm_max=loop.contact_ohm_max,
                owner=device.label,
            )
            for tree in (loop.topology.through, loop.topology.device)
        )
        if loop.topology.arrangement == "series":
            node = network.Series((cable, body, node))
        else:
            node = network.Series((cable, through, network.Parallel((body, node))))
    return node


def _end(loop: Loop) -> Node:
    last = loop.devices[-1] if loop.devices else None
    values: dict[str, Ohms] = dict(last.resistor_ohm) if last else {}
    if loop.eol_ohm is not None:
        values[EOL] = loop.eol_ohm
    return build(
        loop.topology.end,
        carried=frozenset(),
        operated=frozenset(),
        resistor_ohm=values,
        tolerance_percent=loop.tolerance_percent,
        owner=last.label if last else "the loop",
    )


def _cable(loop: Loop, device: LoopDevice) -> network.CableSegment:
    def at(temperature_c: Ohms) -> Ohms:
        return pair_resistance_ohm(
            device.cable_run_m,
            loop.cable.ohm_per_km_20,
            temperature_c,
            temperature_coefficient_per_k=loop.cable.temperature_coefficient_per_k,
        )

    cold, warm = loop.least_temperature_c, loop.greatest_temperature_c
    # Nominal is the data sheet's 20 °C, or the nearest temperature that the loop can have.
    return network.CableSegment(at(_clipped(20.0, cold, warm)), at(cold), at(warm))


def _clipped(value: float, low: Ohms, high: Ohms) -> Ohms:
    if isinstance(low, np.ndarray) or isinstance(high, np.ndarray):
        return np.asarray(np.clip(value, low, high), dtype=np.float64)
    return min(max(value, low), high)


def _check(name: str, value: Ohms, most: float = math.inf) -> None:
    if isinstance(value, float | int) and 0 <= value <= most and value < math.inf:
        return
    array = np.asarray(value, dtype=np.float64)
    if not np.all((array >= 0) & (array <= most) & np.isfinite(array)):
        raise RuleError(
            "is not a number that can be computed with",
            field=name,
            value=value,
            remedy="Give 0 or more." if math.isinf(most) else f"Give 0 to {most:g}.",
        )
