"""Loop resistances against a general-purpose solver and against published values.

The solver is networkx.resistance_distance (Klein and Randic 1993, from the Laplacian's pseudo-inverse). It gets a
netlist that this file draws core by core and that knows nothing of the project's topologies.
"""

from __future__ import annotations

import math
import random

import networkx as nx
import pytest

from installs.rules import network
from installs.rules.loops import (
    Band,
    CableSpec,
    Loop,
    LoopDevice,
    indistinguishable,
    state_intervals,
    state_table,
    verdict,
)
from installs.rules.network import Node, resistance_ohm
from installs.rules.topology import STANDARD_TOPOLOGIES, functions, parse_topology


class Netlist:
    """Two-terminal parts between named points; wires of no resistance join points."""

    def __init__(self) -> None:
        self.wires = nx.Graph()
        self.resistors: list[tuple[str, str, float]] = []

    def wire(self, a: str, b: str) -> None:
        self.wires.add_edge(a, b)

    def resistor(self, a: str, b: str, ohm: float) -> None:
        if ohm == 0:
            self.wire(a, b)
        else:
            self.resistors.append((a, b, ohm))

    def contact(self, a: str, b: str, closed: bool) -> None:
        if closed:
            self.wire(a, b)

    def resistance(self, a: str, b: str) -> float:
        self.wires.add_nodes_from([a, b, *(point for part in self.resistors for point in part[:2])])
        joined = {point: index for index, group in enumerate(nx.connected_components(self.wires)) for point in group}
        if joined[a] == joined[b]:
            return 0.0
        graph = nx.MultiGraph()
        graph.add_nodes_from(joined.values())
        for start, stop, ohm in self.resistors:
            if joined[start] != joined[stop]:
                graph.add_edge(joined[start], joined[stop], ohm=ohm)
        part = nx.node_connected_component(graph, joined[a])
        if joined[b] not in part:
            return math.inf
        return float(
            nx.resistance_distance(graph.subgraph(part).copy(), joined[a], joined[b], weight="ohm", invert_weight=True)
        )


def drawn(code: str, runs: list[float], values: list[dict[str, float]], eol: float, on: dict[int, set[str]]) -> float:
    """The circuit of a standard topology as an electrician draws it, every core of every run by itself."""
    net = Netlist()
    top, bottom = "panel+", "panel-"
    for place, (core_ohm, board) in enumerate(zip(runs, values, strict=True)):
        active = on.get(place, set())
        net.resistor(top, f"in{place}", core_ohm)
        net.resistor(bottom, f"return{place}", core_ohm)
        top, bottom = f"in{place}", f"return{place}"
        out = f"out{place}"
        if code == "single-eol-open":
            net.contact(top, bottom, "alarm" in active)
            continue
        if code.startswith(("closed-loop", "single-eol")):
            net.contact(top, out, not active)
        else:
            after_tamper, after_alarm = f"t{place}", f"a{place}"
            net.contact(top, after_tamper, "tamper" not in active)
            if code == "double-eol-tamper-mask":
                net.wire(after_tamper, after_alarm)
            else:
                net.contact(after_tamper, after_alarm, "alarm" not in active)
                net.resistor(after_tamper, after_alarm, board["alarm"])
            if code == "double-eol":
                net.wire(after_alarm, out)
            else:
                net.contact(after_alarm, out, not active & {"mask", "fault"})
                net.resistor(after_alarm, out, board["mask"])
        top = out
    if code.startswith("closed-loop"):
        net.wire(top, bottom)
    else:
        net.resistor(top, bottom, eol)
    return net.resistance("panel+", "panel-")


@pytest.mark.parametrize("code", sorted(STANDARD_TOPOLOGIES))
def test_standard_topologies_equal_the_general_solver(code: str) -> None:
    rng = random.Random(f"loops {code}")
    topology = parse_topology(STANDARD_TOPOLOGIES[code])
    states = 0
    for _ in range(25):
        count = rng.randint(1, 5)
        lengths = [rng.uniform(1, 120) for _ in range(count)]
        values = [{"alarm": rng.uniform(500, 10_000), "mask": rng.uniform(500, 12_000)} for _ in range(count)]
        eol, per_km = rng.uniform(500, 10_000), rng.uniform(20, 160)
        devices = tuple(
            LoopDevice(f"d{place}", f"D{place}", functions(topology), values[place], lengths[place])
            for place in range(count)
        )
        loop = Loop(topology, devices, CableSpec(per_km), eol_ohm=eol)
        cores = [length * per_km / 1000 for length in lengths]
        for state in state_intervals(loop):
            if state.state in ("open", "short"):
                continue
            if state.state == "all-alarm":
                on = {place: {"alarm"} for place in range(count)}
            elif state.state == "normal":
                on = {}
            else:
                on = {int(state.device_key[1:]): set(state.state.split("+"))}
            assert state.nominal_ohm == pytest.approx(drawn(code, cores, values, eol, on), rel=1e-9, abs=1e-9), state
            states += 1
    assert states > 75


def test_any_series_parallel_network_equals_the_general_solver() -> None:
    rng = random.Random("networks")

    def tree(depth: int) -> Node:
        kind = rng.random()
        if depth == 0 or kind < 0.3:
            leaf = rng.random()
            if leaf < 0.1:
                return network.Contact(closed=rng.random() < 0.5)
            return network.Resistor(rng.uniform(1, 10_000)) if leaf < 0.8 else network.CableSegment(rng.uniform(1, 50))
        parts = tuple(tree(depth - 1) for _ in range(rng.randint(1, 4)))
        return network.Series(parts) if kind < 0.65 else network.Parallel(parts)

    def draw(net: Netlist, node: Node, a: str, b: str) -> None:
        match node:
            case network.Series():
                points = [a, *(f"{a}.{index}{id(node)}" for index in range(len(node.parts) - 1)), b]
                for part, start, stop in zip(node.parts, points, points[1:], strict=False):
                    draw(net, part, start, stop)
            case network.Parallel():
                for part in node.parts:
                    draw(net, part, a, b)
            case network.Contact():
                net.contact(a, b, node.closed)
            case network.Resistor() | network.CableSegment():
                net.resistor(a, b, float(node.ohm))

    finite = 0
    for _ in range(500):
        root = tree(4)
        net = Netlist()
        draw(net, root, "a", "b")
        value = resistance_ohm(root)
        assert value == pytest.approx(net.resistance("a", "b"), rel=1e-9)
        finite += 0 < value < math.inf
    assert finite > 300


def one_device(code: str, eol: float | None, alarm: float | None = None, mask: float | None = None) -> dict[str, float]:
    topology = parse_topology(STANDARD_TOPOLOGIES[code])
    board = {role: ohm for role, ohm in (("alarm", alarm), ("mask", mask)) if ohm is not None}
    device = LoopDevice("d", "D", functions(topology), board, 0.0)
    loop = Loop(topology, (device,), CableSpec(0.0), eol_ohm=eol, tolerance_percent=0.0, contact_ohm_max=0.0)
    return {state.state: float(state.nominal_ohm) for state in state_intervals(loop)}


@pytest.mark.parametrize(
    ("eol", "alarm", "in_alarm"),
    [(1000, 1000, 2000), (4700, 4700, 9400), (4700, 2200, 6900), (2200, 4700, 6900)],
)
def test_double_eol_values(eol: float, alarm: float, in_alarm: float) -> None:
    # Normal Re, alarm Re + Ra, tamper open, short 0: trade guides state 1k + 1k; the rest is series arithmetic.
    assert one_device("double-eol", eol, alarm) == {
        "normal": eol, "alarm": in_alarm, "tamper": math.inf, "open": math.inf, "short": 0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("eol", "alarm", "mask", "in_alarm", "masked", "both"),
    [
        (1000, 1000, 3000, 2000, 4000, 5000),
        (4700, 4700, 2200, 9400, 6900, 11600),
        (1000, 1000, 1000, 2000, 2000, 3000),
    ],
)
def test_triple_eol_values(
    eol: float, alarm: float, mask: float, in_alarm: float, masked: float, both: float
) -> None:
    # Common practice, no source: series-circuit arithmetic (Re, Re+Ra, Re+Rm, Re+Ra+Rm).
    assert one_device("triple-eol", eol, alarm, mask) == {
        "normal": eol, "alarm": in_alarm, "tamper": math.inf, "mask": masked, "fault": masked, "alarm+mask": both,
        "open": math.inf, "short": 0,
    }  # fmt: skip


def test_loops_with_one_resistor_or_none() -> None:
    # Trade guides: series resistor, closed contact: open means alarm. Parallel resistor, open contact: short does.
    assert one_device("closed-loop", None) == {"normal": 0, "alarm": math.inf, "open": math.inf, "short": 0}
    assert one_device("single-eol", 4700) == {"normal": 4700, "alarm": math.inf, "open": math.inf, "short": 0}
    assert one_device("single-eol-open", 4700) == {"normal": 4700, "alarm": 0, "open": math.inf, "short": 0}


def test_equal_alarm_and_mask_resistors_are_refused() -> None:
    # Series arithmetic: Re = Ra = Rm = 1k puts alarm and mask both at 2000 ohm.
    topology = parse_topology(STANDARD_TOPOLOGIES["triple-eol"])
    device = LoopDevice("d", "D", frozenset({"alarm", "mask"}), {"alarm": 1000, "mask": 1000}, 0.0)
    loop = Loop(topology, (device,), CableSpec(80.0), eol_ohm=1000)
    bands = (Band("normal", 700, 1400), Band("alarm", 1400, 2500), Band("mask", 2500, 6000), Band("tamper", 6000, None))
    clashes = indistinguishable(state_table(loop, bands))
    assert [(clash.first.state, clash.second.state, clash.overlap) for clash in clashes] == [("alarm", "mask", True)]
    assert verdict(loop, bands).outcome == "wrong"


def test_detectors_in_alarm_add_up() -> None:
    # Series arithmetic: n detectors on one double EOL loop, k in alarm: Re + k Ra.
    topology = parse_topology(STANDARD_TOPOLOGIES["double-eol"])
    for count in range(2, 11):
        devices = tuple(LoopDevice(str(i), str(i), functions(topology), {"alarm": 2200}, 0.0) for i in range(count))
        loop = Loop(topology, devices, CableSpec(0.0), eol_ohm=4700)
        values = {state.state: state.nominal_ohm for state in state_intervals(loop)}
        assert (values["alarm"], values["all-alarm"]) == (6900, 4700 + count * 2200)


def test_five_percent_double_eol_with_a_hundred_ohm_of_cable() -> None:
    # Interval arithmetic: 1k/1k at 5 %, cable 0 to 100 ohm: normal 950-1150, alarm 1900-2200.
    cable = network.CableSegment(50.0, 0.0, 100.0)
    eol, alarm = network.Resistor(1000.0, 5.0), network.Resistor(1000.0, 5.0)
    assert network.bounds(network.Series((cable, eol))) == (950.0, 1150.0)
    assert network.bounds(network.Series((cable, eol, alarm))) == (1900.0, 2200.0)
