"""What a drawing of a circuit is made from: the record, and nothing that depends on how it is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from installs.rules.topology import EOL, Gap, Link, Topology, Tree, wired


@dataclass(frozen=True)
class DrawnResistor:
    """A resistor at a device: its role, its value with tolerance, and whether it was wired by hand or sits on the
    board."""

    role: str
    ohm: float
    tolerance_percent: float
    hand_wired: bool


@dataclass(frozen=True)
class DrawnDevice:
    """A device's place on the circuit. `functions` are the signals that it carries here, `run_m` the cable from the
    panel or the device before, `topology` None: wired as the circuit says."""

    mark: str
    position: str
    functions: tuple[str, ...]
    resistors: tuple[DrawnResistor, ...]
    run_m: float
    board: str = ""
    topology: Topology | None = None

    @property
    def board_named(self) -> str:
        """The board as it is called on the drawing: 'board X', or X alone if that says board already."""
        return self.board if not self.board or "board" in self.board.casefold() else f"board {self.board}"


@dataclass(frozen=True)
class DrawnCircuit:
    """A circuit as recorded, devices in order from the panel. `hand_wired_eol` None: the last device's board carries
    the end-of-line resistor, if the topology has one."""

    input_name: str
    zone: str
    topology: Topology
    cable: str
    devices: tuple[DrawnDevice, ...]
    hand_wired_eol: DrawnResistor | None = None

    @cached_property
    def end(self) -> WiredPart:
        """The line's end, with the resistors that it takes."""
        last = self.devices[-1].resistors if self.devices else ()
        if self.hand_wired_eol is not None:
            last = (*(resistor for resistor in last if resistor.role != EOL), self.hand_wired_eol)
        return WiredPart(wired(self.topology.end, frozenset()), last)

    @property
    def end_stands_alone(self) -> bool:
        """Whether the line's end is outside the last device: wired by hand, or no device is recorded."""
        alone = self.hand_wired_eol is not None and not isinstance(self.end.tree, Link | Gap)
        return alone or not self.devices


@dataclass(frozen=True)
class WiredPart:
    """Contacts and resistors as they are really joined, without what the device does not carry."""

    tree: Tree
    resistors: tuple[DrawnResistor, ...]

    def resistor(self, role: str) -> DrawnResistor | None:
        """The resistor in this role; None where no value is recorded."""
        return next((resistor for resistor in self.resistors if resistor.role == role), None)


def in_line(circuit: DrawnCircuit, device: DrawnDevice) -> WiredPart:
    """What the device puts in line with the pair."""
    topology = device.topology or circuit.topology
    tree = topology.device if topology.arrangement == "series" else topology.through
    return WiredPart(wired(tree, frozenset(device.functions)), device.resistors)


def across(circuit: DrawnCircuit, device: DrawnDevice) -> WiredPart:
    """What the device puts across the pair, behind what it has in line; a gap in a series arrangement."""
    topology = device.topology or circuit.topology
    tree = Gap() if topology.arrangement == "series" else wired(topology.device, frozenset(device.functions))
    return WiredPart(tree, device.resistors)
