"""Random loops of every kind, and the same loops as netlists for a solver that knows nothing of loops.

The solver: Kirchhoff's current law at every node as a matrix of conductances, solved by LAPACK (numpy.linalg.solve).
The netlist is drawn from the topology's JSON form, core by core, contact by contact.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from installs.rules.loop_states import CableSpec, Loop, LoopDevice
from installs.rules.network import Pick
from installs.rules.topology import FUNCTIONS, functions, parse_topology

State = Mapping[int, frozenset[str]]


@dataclass
class Netlist:
    """Resistors between numbered nodes; a wire makes two nodes one."""

    parts: list[tuple[int, int, float]] = field(default_factory=list)
    joined: list[int] = field(default_factory=list)

    def node(self) -> int:
        self.joined.append(len(self.joined))
        return len(self.joined) - 1

    def find(self, node: int) -> int:
        while self.joined[node] != node:
            node = self.joined[node]
        return node

    def wire(self, a: int, b: int) -> None:
        self.joined[self.find(a)] = self.find(b)

    def resistor(self, a: int, b: int, ohm: float) -> None:
        if ohm == 0:
            self.wire(a, b)
        else:
            self.parts.append((a, b, ohm))

    def between(self, a: int, b: int) -> float:
        """Ohms between two nodes: volts at `a` with 1 A fed in there and drawn off at `b`."""
        a, b = self.find(a), self.find(b)
        if a == b:
            return 0.0
        edges = [(self.find(x), self.find(y), 1.0 / ohm) for x, y, ohm in self.parts]
        reached, grew = {a}, True
        while grew:
            near = {node for x, y, _ in edges if x in reached or y in reached for node in (x, y)}
            grew = not near <= reached
            reached |= near
        if b not in reached:
            return math.inf
        place = {node: index for index, node in enumerate(sorted(reached - {b}))}
        matrix = np.zeros((len(place), len(place)))
        for x, y, siemens in edges:
            if x == y or x not in reached:
                continue
            for node in (x, y):
                if node != b:
                    matrix[place[node], place[node]] += siemens
            if b not in (x, y):
                matrix[place[x], place[y]] -= siemens
                matrix[place[y], place[x]] -= siemens
        current = np.zeros(len(place))
        current[place[a]] = 1.0
        return float(np.linalg.solve(matrix, current)[place[a]])


@dataclass(frozen=True)
class Made:
    """A device as it is wired: values as they are, not as they are written."""

    topology: Mapping[str, Any]
    carried: frozenset[str]
    ohm: Mapping[str, float]
    core_ohm: float
    joint_ohm: float


@dataclass(frozen=True)
class Wired:
    devices: tuple[Made, ...]
    end: Any
    end_values: Mapping[str, float]
    contact_ohm: float


def draw_tree(
    net: Netlist, tree: Any, a: int, b: int, made: Made, operated: frozenset[str], contact_ohm: float
) -> None:
    if tree == "gap":
        return
    if tree == "link":
        net.wire(a, b)
    elif "contact" in tree:
        if tree["contact"] not in made.carried:
            # Not on this circuit: the installer bridges a normally closed contact and leaves a normally open one off.
            if tree["normally"] == "closed":
                net.wire(a, b)
        elif (tree["normally"] == "closed") != (tree["contact"] in operated):
            net.resistor(a, b, contact_ohm)
    elif "resistor" in tree:
        net.resistor(a, b, made.ohm[tree["resistor"]])
    elif "series" in tree:
        points = [a, *(net.node() for _ in tree["series"][1:]), b]
        for part, start, stop in zip(tree["series"], points, points[1:], strict=False):
            draw_tree(net, part, start, stop, made, operated, contact_ohm)
    else:
        for part in tree["parallel"]:
            draw_tree(net, part, a, b, made, operated, contact_ohm)


def draw(
    wired: Wired, state: State, *, first: int = 0, cut: int | None = None
) -> tuple[Netlist, tuple[int, int, int, int]]:
    """The netlist from rung `first` on, and its four nodes: both cores where it starts, both cores at the end. `cut`
    opens one core in the run before that device."""
    net = Netlist()
    top, bottom = net.node(), net.node()
    start = top, bottom
    for place, made in enumerate(wired.devices[first:], start=first):
        inner, lower = net.node(), net.node()
        if place != cut:
            net.resistor(top, inner, made.core_ohm + made.joint_ohm)
        net.resistor(bottom, lower, made.core_ohm)
        operated = state.get(place, frozenset())
        out = net.node()
        if made.topology["arrangement"] == "series":
            draw_tree(net, made.topology["device"], inner, out, made, operated, wired.contact_ohm)
        else:
            draw_tree(net, made.topology.get("through", "link"), inner, out, made, operated, wired.contact_ohm)
            draw_tree(net, made.topology["device"], out, lower, made, operated, wired.contact_ohm)
        top, bottom = out, lower
    ending = Made({}, frozenset(), wired.end_values, 0.0, 0.0)
    draw_tree(net, wired.end, top, bottom, ending, frozenset(), wired.contact_ohm)
    return net, (*start, top, bottom)


def random_tree(rng: random.Random, depth: int) -> Any:
    kind = rng.random()
    if depth == 0 or kind < 0.35:
        leaf = rng.random()
        if leaf < 0.5:
            normally = "closed" if rng.random() < 0.75 else "open"
            return {"contact": rng.choice(FUNCTIONS), "normally": normally}
        if leaf < 0.95:
            return {"resistor": rng.choice(("alarm", "mask", "extra"))}
        return rng.choice(("link", "gap"))
    return {"series" if kind < 0.65 else "parallel": [random_tree(rng, depth - 1) for _ in range(rng.randint(1, 3))]}


def random_topology(rng: random.Random) -> dict[str, Any]:
    end = rng.choice((
        {"resistor": "eol"}, {"resistor": "eol"}, {"resistor": "eol"}, "link", "gap",
        {"series": [{"resistor": "eol"}, {"parallel": [{"resistor": "eol"}, {"resistor": "alarm"}]}]},
    ))
    if rng.random() < 0.6:
        return {"arrangement": "series", "device": random_tree(rng, 3), "end": end}
    device = random_tree(rng, 2)
    if rng.random() < 0.7:
        device = {"series": [{"contact": "alarm", "normally": "open"}, device]}
    through = random_tree(rng, 1) if rng.random() < 0.4 else "link"
    return {"arrangement": "parallel", "device": device, "end": end, "through": through}


@dataclass(frozen=True)
class Case:
    loop: Loop
    data: tuple[Mapping[str, Any], ...]

    def wired(self, pick: Pick) -> Wired:
        """The values as they are at the nominal or at either limit, worked out here by the words of the fields."""
        loop = self.loop
        sign = {Pick.NOMINAL: 0.0, Pick.LEAST: -1.0, Pick.GREATEST: 1.0}[pick]
        warm = {Pick.NOMINAL: 20.0, Pick.LEAST: -25.0, Pick.GREATEST: 50.0}[pick]
        most = pick is Pick.GREATEST
        ppm_percent = float(loop.resistor_ppm_per_k) * 45.0 / 1e4

        def off(tolerance: float | None) -> float:
            return 1 + sign * ((1.0 if tolerance is None else tolerance) + ppm_percent) / 100

        core_ohm_per_m = float(loop.cable.ohm_per_km_20) / 1000 * (1 + 0.00393 * (warm - 20.0)) * (1 + sign * 0.03)
        devices = tuple(
            Made(
                data,
                device.functions,
                {role: float(ohm) * off(device.tolerance_percent) for role, ohm in device.resistor_ohm.items()},  # type: ignore[arg-type]
                float(device.cable_run_m) * core_ohm_per_m,
                0.4 if most else 0.0,
            )
            for device, data in zip(loop.devices, self.data[1:], strict=True)
        )
        last = loop.devices[-1]
        own = {role: float(ohm) * off(last.tolerance_percent) for role, ohm in last.resistor_ohm.items()}  # type: ignore[arg-type]
        if loop.eol_ohm is not None:
            # With a hand-wired end its own tolerance goes for all that is joined there.
            end_off = off(loop.eol_tolerance_percent)  # type: ignore[arg-type]
            own = {role: float(ohm) * end_off for role, ohm in last.resistor_ohm.items()}
            own["eol"] = float(loop.eol_ohm) * end_off
        return Wired(devices, self.data[0]["end"], own, 0.5 if most else 0.0)


def random_case(rng: random.Random) -> Case:
    main = random_topology(rng)
    data: list[Mapping[str, Any]] = [main]
    devices = []
    for place in range(rng.randint(1, 8)):
        own = random_topology(rng) if rng.random() < 0.4 else None
        data.append(own or main)
        can = sorted(functions(parse_topology(own or main)))
        carried = frozenset(name for name in can if rng.random() < 0.8)
        board = rng.random() < 0.5
        values = {
            role: float(rng.choice((1000, 2200, 4700, 5600))) if board else rng.uniform(300, 12_000)
            for role in ("alarm", "mask", "extra", "eol")
        }
        tolerance = rng.choice((None, 0.5, 5.0)) if board else 1.0
        topology = parse_topology(own) if own else None
        devices.append(
            LoopDevice(f"d{place}", f"D{place}", carried, values, rng.uniform(0.5, 90), tolerance, topology)
        )
    loop = Loop(
        topology=parse_topology(main),
        devices=tuple(devices),
        cable=CableSpec(rng.uniform(20, 160), 0.00393, 3.0),
        eol_ohm=rng.uniform(500, 10_000) if rng.random() < 0.5 else None,
        least_temperature_c=-25.0,
        greatest_temperature_c=50.0,
        eol_tolerance_percent=2.0,
        joint_ohm_max=0.4,
        resistor_ppm_per_k=rng.choice((0.0, 100.0)),
    )
    return Case(loop, tuple(data))


def shorted_before(wired: Wired, place: int) -> tuple[float, float, float]:
    """Ohms at the panel, across the end with the panel's cores open, and joined, both cores touching after a run."""
    before, after = wired.devices[:place], wired.devices[place:]
    run = Made({"arrangement": "series", "device": "link"}, frozenset(), {}, after[0].core_ohm, after[0].joint_ohm)
    near, (top, bottom, *_) = draw(Wired((*before, run), "link", {}, wired.contact_ohm), {})
    here = Made(after[0].topology, after[0].carried, after[0].ohm, 0.0, 0.0)
    rest = Wired((here, *after[1:]), wired.end, wired.end_values, wired.contact_ohm)
    far, (start, back, far_top, far_bottom) = draw(rest, {})
    far.wire(start, back)
    ohm = far.between(far_top, far_bottom)
    # Whatever is done at the panel, the short hides it.
    return near.between(top, bottom), ohm, ohm
