"""The wiring half of the swap rule: how the cover's signals reach the panel, and whether its input reads them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from installs.rules.errors import RuleError
from installs.rules.loops import Band, CableSpec, Loop, LoopDevice, verdict
from installs.rules.resistors import spoken_ohm
from installs.rules.topology import EOL, Topology, resistor_roles
from installs.rules.topology import functions as functions_of
from maintenance.rules.swap_facts import Against, BoardFacts, CircuitFacts, Position, Resistors

# The first letter of a backplate's terminal mark (common practice, no source).
PAIR_LETTER = {"alarm": "A", "tamper": "T", "mask": "M", "fault": "F"}
ALARM = "alarm"


@dataclass(frozen=True)
class Route:
    """How one signal that no circuit carries today could reach the panel."""

    function: str
    circuit: int | None = None
    landings: tuple[tuple[str, str], ...] = ()
    against: Against | None = None


def words(parts: Sequence[str]) -> str:
    """A list as it is spoken: alarm, tamper and mask."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def circuit_text(circuit: CircuitFacts) -> str:
    """A circuit by what it carries: the alarm and tamper circuit."""
    carried = [name for name in PAIR_LETTER if name in circuit.functions]
    return f"the {words(carried)} circuit" if carried else "the circuit"


def pair_of(position: Position, function: str) -> list[str]:
    """The backplate's terminals for one signal."""
    return [terminal for terminal in position.terminals if terminal[:1].upper() == PAIR_LETTER[function]]


def route(position: Position, function: str, spare: Sequence[str]) -> Route:
    """The way for a signal that is needed and not carried: on a circuit that can tell it apart, else on a pair
    of its own made of the cores that are still spare."""
    for index, circuit in enumerate(position.circuits):
        if function in circuit.topology.functions and function not in circuit.functions:
            return Route(function, circuit=index)
    pair = pair_of(position, function)
    landed = {terminal: core for core, terminal in position.landings.items() if terminal is not None}
    own = f"The {function} output needs a pair of its own or {_shared(function)}"
    if len(pair) < 2:
        return Route(
            function,
            against=Against(
                f"{own}; this backplate has no {function} terminals.",
                f"Fit a backplate with {function} terminals, or {_sharing_cure(function)}.",
                decisive=True,
            ),
        )
    open_ends = [terminal for terminal in pair[:2] if terminal not in landed]
    if not open_ends:
        cores = words([landed[terminal] for terminal in pair[:2]])
        return Route(
            function,
            landings=tuple((landed[terminal], terminal) for terminal in pair[:2]),
            against=Against(
                f"The {function} pair is landed ({cores} on {words(pair[:2])}), but no panel input takes its signal.",
                f"Give {words(pair[:2])} ({cores}) a panel input of their own and add it to the record.",
            ),
        )
    if len(spare) >= len(open_ends):
        landings = tuple(zip(spare, open_ends, strict=False))
        count = {1: "one spare core", 2: "two spare cores"}[len(open_ends)]
        return Route(
            function,
            landings=landings,
            against=Against(
                f"{own}; {_circuits_are(position)}. {_spare(spare)}, landed on nothing.",
                f"Land {count} ({', '.join(core for core, _ in landings)}) on "
                f"{words([terminal for _, terminal in landings])} and give "
                f"{'it' if len(open_ends) == 1 else 'them'} a panel input for {function}.",
            ),
        )
    wanted = {1: "one more core", 2: "two more cores"}[len(open_ends) - len(spare)]
    return Route(
        function,
        against=Against(
            f"{own}; {_circuits_are(position)} and {_count(spare)} spare.",
            f"Pull a cable with {wanted}, or {_sharing_cure(function)}.",
            decisive=True,
        ),
    )


def _shared(function: str) -> str:
    return {
        "mask": "a triple end-of-line loop",
        "fault": "a triple end-of-line loop",
        "tamper": "a double end-of-line loop",
    }.get(function, "a circuit that carries it")


def _sharing_cure(function: str) -> str:
    loop = {"tamper": "double", "mask": "triple", "fault": "triple"}.get(function)
    if loop is None:
        return "give it a circuit of its own"
    return f"set the panel input to a {loop} end-of-line profile, if the panel has one, and fit a board to suit"


def _circuits_are(position: Position) -> str:
    if not position.circuits:
        return "this device is on no circuit"
    names = list(dict.fromkeys(_spoken_topology(circuit.topology.name) for circuit in position.circuits))
    return f"{'this circuit is' if len(position.circuits) == 1 else 'these circuits are'} {words(names)}"


def _spoken_topology(name: str) -> str:
    """A topology's name inside a sentence: 'Double EOL, alarm and tamper on one pair' is double end-of-line."""
    short = name.split(",")[0].replace("EOL", "end-of-line")
    return short[:1].lower() + short[1:]


def _count(spare: Sequence[str]) -> str:
    return f"{len(spare)} {'core is' if len(spare) == 1 else 'cores are'}"


def _spare(spare: Sequence[str]) -> str:
    return f"{_count(spare).capitalize()} spare ({', '.join(spare)})"


def with_signals(circuits: Sequence[CircuitFacts], routes: Sequence[Route]) -> tuple[CircuitFacts, ...]:
    """The circuits as they would be once the routed signals travel on them."""
    out = list(circuits)
    for way in routes:
        if way.circuit is not None:
            out[way.circuit] = replace(
                out[way.circuit], functions=out[way.circuit].functions | {way.function}
            )
    return tuple(out)


@dataclass(frozen=True)
class Reading:
    """How the panel reads every state with some resistors, and why in words if not right throughout."""

    outcome: Literal["right", "marginal", "wrong"]
    problem: str = ""
    checked: bool = False


def read(circuits: Sequence[CircuitFacts], resistors: Resistors | None, whose: str) -> Reading:
    """How the panel inputs read every state of the circuits with these resistors. `whose` names their source in
    the problem text. A circuit whose bands or end-of-line value are not on record is not checked."""
    worst = Reading("right")
    for circuit in circuits:
        found = _read_one(circuit, resistors, whose)
        if found.outcome == "wrong":
            return found
        if found.checked and (worst.outcome == "right" or found.outcome == "marginal"):
            worst = found
    return worst


def _read_one(circuit: CircuitFacts, resistors: Resistors | None, whose: str) -> Reading:
    wanted = circuit.functions & functions_of(circuit.topology.circuit)
    roles = resistor_roles(circuit.topology.circuit, wanted)
    ohm = dict(resistors.ohm) if resistors else {}
    if not circuit.carries_eol:
        ohm.pop(EOL, None)
        if circuit.eol_ohm is not None:
            ohm[EOL] = circuit.eol_ohm
        elif EOL in roles:
            return Reading("right")  # the end of the line is not on record: nothing can be said
    missing = sorted(roles - ohm.keys())
    if missing:
        lacking = words([_spoken_role(role) for role in missing])
        return Reading("wrong", f"{whose} has no {lacking} resistor, which {circuit_text(circuit)} needs.", True)
    if not circuit.bands:
        return Reading("right")
    used = tuple((role, ohm[role]) for role in sorted(roles))
    outcome, reason = _loop_read(
        circuit.topology.circuit,
        wanted,
        used,
        circuit.bands,
        circuit.cable_ohm,
        resistors.tolerance_percent if resistors else 1.0,
    )
    values = f" ({', '.join(f'{_spoken_role(role)} {spoken_ohm(value)}' for role, value in used)})" if used else ""
    fault = "does not suit the panel input" if outcome == "wrong" else "is read only just by the panel input"
    return Reading(outcome, f"{whose}{values} {fault}: {reason}" if reason else "", True)


def _spoken_role(role: str) -> str:
    return "end-of-line" if role == EOL else role


@lru_cache(maxsize=8192)
def _loop_read(
    topology: Topology,
    wanted: frozenset[str],
    resistor_ohm: tuple[tuple[str, float], ...],
    bands: tuple[Band, ...],
    cable_ohm: float,
    tolerance_percent: float,
) -> tuple[Literal["right", "marginal", "wrong"], str]:
    # The resistance of the cable is given, so a length of 1 km at that many ohms per kilometre stands for it.
    device = LoopDevice("device", "Device", wanted, dict(resistor_ohm), 1000.0)
    loop = Loop(topology, (device,), CableSpec(cable_ohm / 2, 0.0), tolerance_percent=tolerance_percent)
    try:
        found = verdict(loop, bands)
    except RuleError as error:
        return "wrong", error.message
    return found.outcome, found.reasons[0] if found.reasons else ""


def fitting_boards(
    position: Position, circuits: Sequence[CircuitFacts], boards: Sequence[BoardFacts]
) -> list[BoardFacts]:
    """The boards that go on the backplate, take its wires, carry the signals and are read by the panel, best
    first: least change from the values in place, then by name."""
    places = [circuit for circuit in circuits if ALARM in circuit.functions] or list(circuits)
    good = [
        board
        for board in boards
        if (position.board is None or board.key != position.board.key)
        and position.family in board.families
        and position.backplate_generation in board.generations
        and board.signalling_wires == position.signalling_wires
        and all(
            board.topology.code == circuit.topology.code and circuit.functions <= board.topology.functions
            for circuit in places
        )
        and read(circuits, board.resistors or position.hand_wired, board.name).outcome == "right"
    ]
    now = position.hand_wired or (position.board.resistors if position.board else None)
    now_ohm = dict(now.ohm) if now else {}

    def change(board: BoardFacts) -> tuple[int, str]:
        ohm = (board.resistors or position.hand_wired or Resistors(())).ohm
        return sum(now_ohm.get(role) != value for role, value in ohm), board.name

    return sorted(good, key=change)
