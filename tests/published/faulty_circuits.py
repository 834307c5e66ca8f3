"""Circuits with a known fault, and a solver of their own, for the check of the diagnosis.

The solver is nodal analysis (Kirchhoff's current law at every node, G v = i, solved by numpy): each core of each run,
each contact and each resistor is an element between two nodes. It shares nothing with the project's ladder: no
topology trees, no reduction of series and parallel parts.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from installs.rules.diagnosis.model import Measurement, OtherBoard, Where
from installs.rules.loops import CableSpec, Loop, LoopDevice
from installs.rules.topology import STANDARD_TOPOLOGIES, parse_topology

OPEN_OHM = 1e9  # what stands for no connection; a reading above 10 MΩ is an open circuit
LINK_OHM = 1e-3  # the best joint there is
MIDDLE, LEAST, GREATEST = 0.0, -1.0, 1.0

# Values of common boards (common practice, no source): end of line, alarm, mask.
BOARDS = [
    (4700, 4700, 2200), (1000, 1000, 3000), (2200, 4700, 6800), (5600, 5600, 1500),
    (3300, 2700, 8200), (6800, 3900, 12000), (10000, 10000, 5100), (2000, 1500, 820),
]  # fmt: skip
# Per topology: the section in line for each function, whether a resistor lies across its contact, and the arrangement.
SECTIONS = {
    "closed-loop": (("alarm", ""),),
    "single-eol": (("alarm", ""),),
    "double-eol": (("tamper", ""), ("alarm", "alarm")),
    "triple-eol": (("tamper", ""), ("alarm", "alarm"), ("mask", "mask")),
    "single-eol-open": (),
    "bridging": (("tamper", ""),),
}
BRIDGING = {
    "arrangement": "parallel",
    "device": {"series": [{"contact": "alarm", "normally": "open"}, {"resistor": "alarm"}]},
    "through": {"contact": "tamper", "normally": "closed"},
    "end": {"resistor": "eol"},
}
FUNCTIONS = {
    "closed-loop": ("alarm",), "single-eol": ("alarm",), "double-eol": ("alarm", "tamper"),
    "triple-eol": ("alarm", "tamper", "mask"), "single-eol-open": ("alarm",), "bridging": ("alarm", "tamper"),
}  # fmt: skip
ROLES = {"double-eol": ("alarm",), "triple-eol": ("alarm", "mask"), "bridging": ("alarm",)}
JOINT_OHM, LEAK_OHM = (20.0, 2000.0), (1000.0, 100_000.0)


@dataclass
class Fault:
    """What is the matter. `group` names it apart from the place: devices alike in contribution are one group."""

    kind: str
    group: tuple[object, ...]
    places: tuple[int, ...] = ()
    operated: Mapping[int, frozenset[str]] = field(default_factory=dict)
    eol: float | None = None
    board: Mapping[int, Mapping[str, float]] = field(default_factory=dict)
    cut: int = -1
    in_line: int = -1  # a second end-of-line resistor here
    across: int = -1
    run: int = -1  # of joint, leak or short
    size: tuple[float, float] = (0.0, 0.0)  # least and greatest considered
    sized: str = ""
    words: tuple[str, ...] = ()  # all must be in the diagnosis's words
    any_of: tuple[str, ...] = ()  # and one of these, if there are any


@dataclass
class Case:
    code: str
    loop: Loop
    board: list[tuple[int, int, int]]
    fault: Fault
    eol_ohm: float


def grouped(boards: list[tuple[int, int, int]], roles: tuple[str, ...]) -> dict[tuple[int, ...], list[int]]:
    """Places by the values that matter."""
    found: dict[tuple[int, ...], list[int]] = {}
    for place, (_, alarm, mask) in enumerate(boards):
        found.setdefault(tuple({"alarm": alarm, "mask": mask}[role] for role in roles), []).append(place)
    return found


class Circuit:
    """The elements of one circuit, and what a meter reads under a list of faults."""

    def __init__(self, code: str, loop: Loop, board: list[tuple[int, int, int]], eol_ohm: float) -> None:
        self.code, self.loop, self.board, self.eol_ohm = code, loop, board, eol_ohm
        self.nodes = 0
        self.ends: list[tuple[int, int]] = []
        self.name: dict[tuple[object, ...], int] = {}
        top, bottom = self._node(), self._node()
        self.starts = [(top, bottom)]
        for place in range(len(board)):
            middle, under = self._node(), self._node()
            into, back = self._node(), self._node()
            self._add(("top1", place), top, middle)
            self._add(("top2", place), middle, into)
            self._add(("low1", place), bottom, under)
            self._add(("low2", place), under, back)
            self._add(("cross", place), middle, under)
            for function, role in SECTIONS[code]:
                out = self._node()
                self._add(("contact", place, function), into, out)
                if role:
                    self._add(("resistor", place, role), into, out)
                into = out
            self._add(("bridge", place), into, back)
            self._add(("early", place), into, back)
            top, bottom = into, back
            self.starts.append((top, bottom))
        self._add(("end",), top, bottom)
        self._add(("panel",), *self.starts[0])

    def _node(self) -> int:
        self.nodes += 1
        return self.nodes - 1

    def _add(self, name: tuple[object, ...], one: int, other: int) -> None:
        self.name[name] = len(self.ends)
        self.ends.append((one, other))

    def ohms(
        self, fault: Fault, draw: Draw, where: Where, first: int, known: Mapping[int, frozenset[str]]
    ) -> np.ndarray:
        """Every element's ohms under one fault, in the order of `ends`."""
        loop, code = self.loop, self.code
        value = np.full(len(self.ends), OPEN_OHM)
        for place, (_, alarm, mask) in enumerate(self.board):
            open_here = where is Where.TOWARDS_END and place < first
            core = loop.devices[place].cable_run_m / 1000 * loop.cable.ohm_per_km_20 * draw.cable()
            joint = draw.joint(place)
            share, cross = 0.5, OPEN_OHM
            if fault.run == place:
                size = draw.size(fault)
                if fault.sized == "joint":
                    joint += size
                elif fault.sized == "leak":
                    share, cross = draw.share(where), size
                elif fault.sized == "short":
                    share, cross = (size if where not in FAR else draw.far_share(fault)), LINK_OHM
            if fault.in_line == place:
                joint += self.eol_ohm * draw.resistor(("in-line", place))
            if fault.cut == place:
                joint = OPEN_OHM
            for half, part in (("1", share), ("2", 1 - share)):
                value[self.name["top" + half, place]] = max(part * core, LINK_OHM / 10)
                value[self.name["low" + half, place]] = max(part * core, LINK_OHM / 10)
            value[self.name["top1", place]] += joint
            value[self.name["cross", place]] = cross
            now = known.get(place, fault.operated.get(place, frozenset()))
            fitted = {"alarm": alarm, "mask": mask} | dict(fault.board.get(place, {}))
            for function, role in SECTIONS[code]:
                if function not in now:
                    value[self.name["contact", place, function]] = draw.contact((place, function))
                if role:
                    ohm = fitted[role] * draw.resistor((place, role))
                    value[self.name["resistor", place, role]] = min(max(ohm, LINK_OHM), OPEN_OHM)
            if code in ("single-eol-open", "bridging") and "alarm" in now:
                ohm = draw.contact((place, "bridge"))
                if code == "bridging":
                    ohm += fitted["alarm"] * draw.resistor((place, "alarm"))
                value[self.name["bridge", place]] = min(ohm, OPEN_OHM)
            if fault.across == place:
                value[self.name["early", place]] = self.eol_ohm * draw.resistor(("across", place))
            if open_here:
                for name, row in self.name.items():
                    if len(name) > 1 and name[1] == place:
                        value[row] = OPEN_OHM
        end = self.eol_ohm if fault.eol is None else fault.eol
        if code == "closed-loop":
            end = 0.0 if fault.eol is None else fault.eol
        value[self.name["end",]] = min(max(end * draw.resistor(("end",)), LINK_OHM), OPEN_OHM)
        if where is Where.FAR_END_JOINED:
            value[self.name["panel",]] = LINK_OHM
        return value

    def read(self, values: np.ndarray, where: Where, first: int) -> np.ndarray:
        """Ohms between the meter's leads, for many sets of element values: 1 A in, volts out."""
        plus, minus = self.starts[-1] if where in FAR else self.starts[first if where is Where.TOWARDS_END else 0]
        matrix = np.zeros((len(values), self.nodes, self.nodes))
        for (one, other), siemens in zip(self.ends, (1.0 / values).T, strict=True):
            matrix[:, one, one] += siemens
            matrix[:, other, other] += siemens
            matrix[:, one, other] -= siemens
            matrix[:, other, one] -= siemens
        keep = [node for node in range(self.nodes) if node != minus]
        current = np.zeros(len(keep))
        current[keep.index(plus)] = 1.0
        volts = np.linalg.solve(matrix[:, keep][:, :, keep], current[None, :, None])[:, keep.index(plus), 0]
        return np.where(volts > 1e7, math.inf, volts)


FAR = (Where.FAR_END_OPEN, Where.FAR_END_JOINED)


class Draw:
    """Element values: all at one limit of their tolerance, or drawn at random within it (the same at every reading)."""

    def __init__(self, loop: Loop, side: float, chance: random.Random | None = None) -> None:
        self.loop, self.side, self.chance = loop, side, chance
        self.kept: dict[object, float] = {}

    def _pick(self, key: object, low: float, high: float) -> float:
        if self.chance is None:
            return low if self.side < 0 else high
        if key not in self.kept:
            self.kept[key] = self.chance.uniform(low, high)
        return self.kept[key]

    def resistor(self, key: object) -> float:
        off = float(self.loop.tolerance_percent) / 100
        return self._pick(("resistor", key), 1 - off, 1 + off)

    def contact(self, key: object) -> float:
        return self._pick(("contact", key), LINK_OHM, float(self.loop.contact_ohm_max))

    def joint(self, place: int) -> float:
        return self._pick(("joint", place), 0.0, float(self.loop.joint_ohm_max))

    def cable(self) -> float:
        off = float(self.loop.cable.tolerance_percent) / 100
        cold, warm = float(self.loop.least_temperature_c), float(self.loop.greatest_temperature_c)
        warmth = 1 + 0.00393 * (self._pick("temperature", cold, warm) - 20)
        return warmth * self._pick("drum", 1 - off, 1 + off)

    def size(self, fault: Fault) -> float:
        low, high = fault.size
        if self.chance is None or low == high:
            return low if self.side < 0 else high
        if fault.sized == "short":
            return self._pick("size", low, high)
        return math.exp(self._pick("size", math.log(low), math.log(high)))

    def far_share(self, fault: Fault) -> float:
        low, high = fault.size
        return self.size(fault) if self.chance is not None else (high if self.side < 0 else low)

    def share(self, where: Where) -> float:
        if self.chance is not None:
            return self._pick("share", 0.0, 1.0)
        return float((self.side > 0) == (where not in FAR))


def possible_faults(code: str, loop: Loop, board: list[tuple[int, int, int]], eol_ohm: float) -> list[Fault]:
    """The generator's own list of everything that it may draw for a circuit, from which also the rivals come.

    Devices alike in contribution are one group; of each the nearest and the farthest stand for all.
    """
    count, roles = len(board), ROLES.get(code, ())
    alike = grouped(board, roles)
    if code in ("single-eol-open", "bridging"):
        # Across the pair, no two devices contribute alike: the cable before them differs.
        alike = {(*values, place): [place] for values, places in alike.items() for place in places}
    ends = code != "closed-loop"
    found = [Fault("healthy", ("healthy",))]
    done = {"alarm": "in alarm", "tamper": "in tamper", "mask": "masked"}

    def few(places: list[int]) -> list[int]:
        return places if len(places) <= 2 else [places[0], places[-1]]

    operable = [(function, values, place) for function in FUNCTIONS[code] for values, p in alike.items() for place in p]
    for function, values, place in operable:
        on = {place: frozenset({function})}
        found.append(Fault("active", ("active", function, values), (place,), on, words=(done[function],)))
    for index, (one, values, place) in enumerate(operable):
        for other, more, further in operable[index + 1 :]:
            both = {place: frozenset({one})}
            both[further] = both.get(further, frozenset()) | {other}
            group = ("two", *sorted([(one, values), (other, more)]), place == further)
            words = (done[one], done[other])
            found.append(Fault("two-active", group, tuple(sorted({place, further})), both, words=words))
    if code in ("double-eol", "triple-eol") and len(alike) == 1:
        for number in range(3, count + 1):
            on = dict.fromkeys(range(number), frozenset({"alarm"}))
            words = ("in alarm",) if number == count else (f"{number} of",)
            found.append(Fault("many-active", ("many", number), tuple(range(number)), on, words=words))
    for place in range(count):
        found.append(Fault("cut", ("cut",), (place,), cut=place))
        for kind, size in (("joint", JOINT_OHM), ("leak", LEAK_OHM), ("short", (0.0, 1.0))):
            found.append(Fault(kind, (kind,), (place,), run=place, size=size, sized=kind))
        if ends and place < count - 1:
            found.append(Fault("eol-early", ("early", "in line"), (place,), in_line=place, words=("in line",)))
            found.append(Fault("eol-early", ("early", "across"), (place,), across=place, words=("across",)))
    if ends:
        for kind, ohm, words in (
            ("eol-missing", OPEN_OHM, ()), ("eol-shorted", 0.0, ()),
            ("eol-doubled", 2 * eol_ohm, ("in series",)), ("eol-doubled", eol_ohm / 2, ("in parallel",)),
            *slips(eol_ohm),
        ):  # fmt: skip
            found.append(Fault(kind, (kind, "eol", ohm), eol=ohm, words=words))
    for values, places in alike.items():
        for place in few(places):
            for role in roles:
                on = {place: frozenset({role})}
                old = {"alarm": board[place][1], "mask": board[place][2]}[role]
                for kind, ohm, words in (
                    ("resistor-missing", OPEN_OHM, ()), ("resistor-shorted", 0.0, ()), *slips(old)
                ):  # fmt: skip
                    group = (kind, role, values, ohm)
                    found.append(Fault(kind, group, (place,), on, board={place: {role: ohm}}, words=(role, *words)))
            with_end = ends and place == count - 1 and loop.eol_ohm is None
            found.extend(_boards(board, roles, values, place, with_end))
    return found


def _boards(
    board: list[tuple[int, int, int]], roles: tuple[str, ...], values: tuple[int, ...], place: int, with_end: bool
) -> Iterator[Fault]:
    for eol, alarm, mask in BOARDS:
        fitted = {"alarm": alarm, "mask": mask}
        fitted = {role: fitted[role] for role in roles}
        if with_end and eol != board[place][0]:
            group = ("board at end", eol)
            alike = [f"B{n}" for n, some in enumerate(BOARDS) if some[0] == eol]
            yield Fault("wrong-board", group, (place,), board={place: fitted}, eol=eol, any_of=tuple(alike))
        elif not with_end:
            for role in roles:
                old = {"alarm": board[place][1], "mask": board[place][2]}[role]
                if fitted[role] != old:
                    group = ("board", role, values, fitted[role])
                    on = {place: frozenset({role})}
                    alike = [f"B{n}" for n, some in enumerate(BOARDS) if some[1 + (role == "mask")] == fitted[role]]
                    yield Fault("wrong-board", group, (place,), on, board={place: fitted}, any_of=tuple(alike))


def slips(ohm: float) -> list[tuple[str, float, tuple[str, ...]]]:
    """The E24 values beside this one (IEC 60063) and a decade off."""
    e24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
    series = [value * 10.0**power for power in range(5) for value in e24]
    up, down = min(v for v in series if v > ohm * 1.001), max(v for v in series if v < ohm * 0.999)
    named = [("preferred-value", up), ("preferred-value", down), ("decade", ohm * 10), ("decade", ohm / 10)]
    return [(kind, value, (spoken(value),)) for kind, value in named]


def spoken(ohm: float) -> str:
    return f"{ohm / 1000:g} kΩ in" if ohm >= 1000 else f"{ohm:g} Ω in"


def draw_case(chance: random.Random, code: str | None = None, kind: str | None = None) -> tuple[Circuit, Fault, Draw]:
    """A circuit of 1 to 12 devices with one fault, every element within its tolerance. Kinds are drawn evenly."""
    while True:
        here = code or chance.choice(list(SECTIONS))
        count = chance.randint(1, 12)
        common = chance.choice(BOARDS)
        board = [common] * count
        if count > 2 and here in ROLES and chance.random() < 0.25:
            board[chance.randrange(count - 1)] = chance.choice(BOARDS)
        topology = parse_topology(BRIDGING if here == "bridging" else STANDARD_TOPOLOGIES[here])
        separate = chance.random() < 0.5
        roles = ("eol", "alarm", "mask")
        devices = tuple(
            LoopDevice(
                f"d{place}", f"D{place + 1}", frozenset(FUNCTIONS[here]),
                dict(zip(roles, map(float, values), strict=True)), round(chance.uniform(2, 25), 1),
            )
            for place, values in enumerate(board)
        )  # fmt: skip
        loop = Loop(
            topology, devices, CableSpec(chance.choice([36.0, 85.0, 92.0]), tolerance_percent=3.0),
            eol_ohm=float(board[-1][0]) if separate else None, tolerance_percent=1.0,
            least_temperature_c=0.0, greatest_temperature_c=35.0, joint_ohm_max=0.3,
        )  # fmt: skip
        by_kind: dict[str, list[Fault]] = {}
        for fault in possible_faults(here, loop, board, float(board[-1][0])):
            by_kind.setdefault(fault.kind, []).append(fault)
        wanted = kind or chance.choice(KINDS)
        if wanted in by_kind:
            fault = chance.choice(by_kind[wanted])
            return Circuit(here, loop, board, float(board[-1][0])), fault, Draw(loop, MIDDLE, chance)


KINDS = (
    "healthy", "active", "active", "active", "two-active", "many-active", "cut", "joint", "joint", "leak", "short",
    "short", "eol-missing", "eol-shorted", "eol-doubled", "eol-early", "wrong-board", "wrong-board",
    "preferred-value", "decade", "resistor-missing", "resistor-shorted",
)  # fmt: skip
OTHER_BOARDS = tuple(
    OtherBoard(f"B{number}", {"eol": float(eol), "alarm": float(alarm), "mask": float(mask)})
    for number, (eol, alarm, mask) in enumerate(BOARDS)
)


def measured(
    circuit: Circuit,
    fault: Fault,
    draw: Draw,
    chance: random.Random,
    where: Where = Where.PANEL,
    first: int = 0,
    known: Mapping[int, frozenset[str]] | None = None,
) -> Measurement:
    """What the meter shows, within 1 % and 1 Ω of the truth."""
    states = known or {}
    ohm = float(circuit.read(circuit.ohms(fault, draw, where, first, states)[None], where, first)[0])
    if math.isfinite(ohm):
        # The reading's own accuracy must cover the truth: the error is of the reading, not of the truth.
        off = chance.uniform(-1, 1)
        ohm = max(0.0, (ohm + off) / (1 - off * 0.01 * chance.random()))
    return Measurement(ohm, where, first, states)


def intervals(circuit: Circuit, faults: list[Fault]) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest reading at the panel under each fault: every element at its limit (Rayleigh's law)."""
    limits = []
    for side in (LEAST, GREATEST):
        draw = Draw(circuit.loop, side)
        values = np.stack([circuit.ohms(fault, draw, Where.PANEL, 0, {}) for fault in faults])
        limits.append(circuit.read(values, Where.PANEL, 0))
    return limits[0], limits[1]


def others(faults: list[Fault], true: Fault) -> list[Fault]:
    """Faults of another group than the true one, the nearest and the farthest of each group."""
    groups: dict[tuple[object, ...], list[Fault]] = {}
    for fault in faults:
        if fault.group != true.group:
            groups.setdefault(fault.group, []).append(fault)
    return [fault for some in groups.values() for fault in {id(one): one for one in (some[0], some[-1])}.values()]
