"""How the demo sites are wired: schemes of circuits for each panel, landings of cores, boards and hand wiring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

from config.demo.catalogue import Catalogue
from config.demo.ranges import ProfileRow, VariantRow
from installs.models import Circuit, CircuitPlace, Device, Panel
from stock.models import Backplate, Board, CableType


@dataclass(frozen=True)
class Scheme:
    """A way to wire devices to a panel: signalling wires, and profile with functions for each kind of circuit.

    `alarm` is the circuit with the alarm; the others are shared, by as many devices as `shared` says.
    """

    name: str
    wires: int
    alarm: str
    functions: tuple[str, ...]
    per_circuit: int
    others: tuple[tuple[str, tuple[str, ...]], ...] = ()
    shared: int = 8
    normally_open: bool = False

    @property
    def masks(self) -> bool:
        """Whether the mask signal has a way to the panel."""
        return "mask" in self.functions or any("mask" in functions for _, functions in self.others)


_AT, _ATM = ("alarm", "tamper"), ("alarm", "tamper", "mask")
_TAMPER, _MASK = ("tamper",), ("mask",)


def _four(alarm: str, tamper: str, *, normally_open: bool = False) -> Scheme:
    return Scheme(f"4 wires {alarm}", 4, alarm, ("alarm",), 3, ((tamper, _TAMPER),), normally_open=normally_open)


def _six(value: str) -> Scheme:
    others = ((f"tamper-{value}", _TAMPER), (f"mask-{value}", _MASK))
    return Scheme(f"6 wires {value}", 6, f"eol-{value}", ("alarm",), 2, others)


def _two(profile: str) -> Scheme:
    return Scheme(f"2 wires {profile}", 2, profile, _AT, 2)


_CLOSED = _four("closed", "closed-tamper")
TEOL_4K7 = Scheme("2 wires teol-4k7-2k2", 2, "teol-4k7-2k2", _ATM, 1)
TEOL_1K = Scheme("2 wires teol-1k-3k", 2, "teol-1k-3k", _ATM, 1)
# Mask shares the alarm pair's triple loop, or the tamper pair.
TEOL_FOUR = Scheme("4 wires teol", 4, "teol-4k7-2k2", ("alarm", "mask"), 1, (("tamper-4k7", _TAMPER),))
TAMPER_MASK = Scheme("4 wires tamper-mask", 4, "eol-4k7", ("alarm",), 2, (("tamper-mask-4k7", ("tamper", "mask")),), 3)
DEOL_1K, DEOL_4K7, DEOL_2K2 = _two("deol-1k"), _two("deol-4k7"), _two("deol-2k2-4k7")
DEOL_2K2_VOLTS = _two("deol-2k2-4k7-volts")
FOUR_4K7, FOUR_1K = _four("eol-4k7", "tamper-4k7"), _four("eol-1k", "tamper-1k")
OPEN_1K = _four("open-1k", "tamper-1k", normally_open=True)

# By panel and whether the site needs masking signals (grade 3): the schemes in use there.
SCHEMES: dict[tuple[str, bool], tuple[Scheme, ...]] = {
    ("KH-8", False): (DEOL_1K, DEOL_4K7, _CLOSED),
    ("DM-12", False): (DEOL_1K, _CLOSED, FOUR_1K),
    ("KH-24", False): (DEOL_4K7, DEOL_1K, FOUR_4K7),
    ("HS-32", False): (DEOL_2K2, DEOL_1K, OPEN_1K, FOUR_1K),
    ("KH-24", True): (TEOL_4K7, TEOL_4K7, TEOL_FOUR, TAMPER_MASK, _six("4k7")),
    ("HS-32", True): (TEOL_1K, TEOL_1K, _six("1k")),
}

_SIGNAL_TERMINALS = {2: ("A1", "T2"), 4: ("A1", "A2", "T1", "T2"), 6: ("A1", "A2", "T1", "T2", "M1", "M2")}


def mask_terminals(catalogue: Catalogue, row: VariantRow) -> list[int]:
    """Generations of backplate that the variant clips to and that have mask terminals."""
    return [g for g in row.backplates if "M1" in catalogue.backplates[row.family, g].terminals]


def needs_mask_terminals(scheme: Scheme) -> bool:
    return scheme.wires == 6 or scheme is TAMPER_MASK


def land(cable: CableType, backplate: Backplate, scheme: Scheme) -> dict[str, str | None]:
    """Core colours to terminals: the power pair first, then the signals; what is left is spare."""
    signals = list(_SIGNAL_TERMINALS[scheme.wires])
    if scheme is TAMPER_MASK:
        signals[3] = "M2"
    elif scheme is TEOL_FOUR and "M2" in backplate.terminals:
        signals[1] = "M2"
    ends: list[str | None] = ["+", "-", *signals]
    return dict(zip(cable.cores, ends + [None] * (len(cable.cores) - len(ends)), strict=True))


def cable_for(catalogue: Catalogue, random: Random, wires: int) -> CableType:
    """A cable with enough cores; mostly some are left spare."""
    if wires == 6:
        return catalogue.cables["eight-core"]
    if wires == 4:
        return catalogue.cables[random.choice(("six-core", "six-core", "six-core-solid", "eight-core"))]
    return catalogue.cables[random.choices(("six-core", "four-core", "six-core-solid"), (7, 2, 1))[0]]


def board_for(
    catalogue: Catalogue, profile: ProfileRow, wires: int, family: str, *, presets: bool = True
) -> Board | None:
    """The board with the profile's topology and values (or, without presets, only its wiring), if there is one."""
    wanted = (profile.eol_ohm, profile.alarm_ohm, profile.mask_ohm) if presets else (None, None, None)
    for sku, row in catalogue.board_rows.items():
        if (row.topology, row.wires, row.values) == (profile.topology, wires, wanted) and family in row.families:
            return catalogue.boards[sku]
    return None


def resistors(
    catalogue: Catalogue, panel: str, scheme: Scheme, family: str, style: str
) -> tuple[Board | None, dict[str, int] | None]:
    """Board and hand-wired values of a device: `style` is board, wiring (a board that presets only the wiring)
    or hand. The end-of-line resistor of hand wiring is recorded with the circuit."""
    profile = catalogue.profile_rows[panel, scheme.alarm]
    board = None
    if style == "board" and scheme is not TAMPER_MASK:
        board = board_for(catalogue, profile, scheme.wires, family)
        if board is not None:
            return board, None
    elif style == "wiring":
        board = board_for(catalogue, profile, scheme.wires, family, presets=False)
    by_hand = {"alarm": profile.alarm_ohm, "mask": profile.mask_ohm}
    for code, _ in scheme.others:
        by_hand["mask"] = by_hand["mask"] or catalogue.profile_rows[panel, code].mask_ohm
    return board, {role: ohm for role, ohm in by_hand.items() if ohm is not None} or None


@dataclass
class Circuits:
    """The circuits of one panel, numbered as they come."""

    catalogue: Catalogue
    panel: Panel
    panel_code: str
    random: Random
    circuits: list[Circuit]
    places: list[CircuitPlace]
    ohm: dict[int, float]
    wrong: set[int]
    number: int = 0
    tampers: int = 0

    def wire(self, scheme: Scheme, devices: Sequence[Device], cable: CableType) -> None:
        """Put the devices on circuits as the scheme says."""
        start = 0
        while start < len(devices):
            step = self.random.randint(1, scheme.per_circuit)
            group = devices[start : start + step]
            start += step
            self._add(scheme.alarm, scheme.functions, group, cable, group[0].position.split(",")[0].capitalize())
        for profile, functions in scheme.others:
            for begin in range(0, len(devices), scheme.shared):
                self.tampers += 1
                zone = f"24 h {' and '.join(functions)} {self.tampers}"
                self._add(profile, functions, devices[begin : begin + scheme.shared], cable, zone)

    def _add(
        self, code: str, functions: tuple[str, ...], devices: Sequence[Device], cable: CableType, zone: str
    ) -> None:
        self.number += 1
        row = self.catalogue.profile_rows[self.panel_code, code]
        board = devices[-1].board
        carried = (
            board is not None
            and board.presets_values
            and "alarm" in functions
            and row.topology == self.catalogue.board_rows[board.item.sku].topology
        )
        circuit = Circuit(
            panel=self.panel,
            number=self.number,
            zone=zone,
            profile=self.catalogue.profiles[self.panel_code, code],
            topology=self.catalogue.topologies[row.topology],
            cable_type=cable,
            eol_ohm=None if carried else row.eol_ohm,
        )
        length = 0.0
        for order, device in enumerate(devices, 1):
            run = round(self.random.uniform(12, 60) if order == 1 else self.random.uniform(4, 18), 1)
            length += run
            carries: dict[str, Any] = {"functions": list(functions), "run_m": run}
            self.places.append(CircuitPlace(circuit=circuit, device=device, order=order, **carries))
        end = (board.eol_ohm if carried and board is not None else row.eol_ohm) or 0
        self.ohm[id(circuit)] = end + 2 * length * cable.ohm_per_km_20 / 1000
        if carried and end != row.eol_ohm:
            self.wrong.add(id(circuit))
        self.circuits.append(circuit)
