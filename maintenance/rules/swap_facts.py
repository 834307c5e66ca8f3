"""What the swap rule looks at, and what it answers: plain facts, no records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any

from installs.rules.loops import Band
from installs.rules.topology import Topology


class Verdict(StrEnum):
    """Best first. The values are those of the SwapVerdict records."""

    FITS = "fits"
    FITS_BOARD = "fits with board"
    FITS_CORES = "fits with cores"
    DOES_NOT_FIT = "does not fit"


PROPOSABLE = (Verdict.FITS, Verdict.FITS_BOARD)
VERDICT_ORDER: dict[Verdict, int] = {verdict: place for place, verdict in enumerate(Verdict)}


@dataclass(frozen=True)
class TopologyFacts:
    """A topology of the catalogue: its code, its name in words, and the circuit itself."""

    code: str
    name: str
    circuit: Topology
    functions: frozenset[str]


@dataclass(frozen=True)
class Resistors:
    """Resistor values in ohms by role (eol, alarm, mask); a role without a value is absent."""

    ohm: tuple[tuple[str, float], ...]
    tolerance_percent: float = 1.0


@dataclass(frozen=True)
class BoardFacts:
    """An end-of-line board. `resistors` is None for one that presets only the wiring."""

    key: int
    name: str
    topology: TopologyFacts
    signalling_wires: int
    resistors: Resistors | None
    families: frozenset[int]
    generations: frozenset[int]


@dataclass(frozen=True)
class CircuitFacts:
    """A panel input that the device is on: the device's signals there, and what the input reads as what.

    `eol_ohm` is the end-of-line resistor when something else than this device carries it (a resistor wired by
    hand, or the last device's board); `carries_eol` says that this device's board must. `cable_ohm` is both
    cores from the panel to this device. Without `bands` the input's readings are not on record.
    """

    functions: frozenset[str]
    topology: TopologyFacts
    bands: tuple[Band, ...]
    cable_ohm: float
    eol_ohm: float | None
    carries_eol: bool


@dataclass(frozen=True)
class InsertFacts:
    """An optical part that makes a setting true."""

    key: int
    name: str
    setting: str
    value: Any


@dataclass(frozen=True)
class VariantFacts:
    """A catalogue type of detector, as a cover to fit or as what is fitted now. Supply in volts, current in mA."""

    key: int
    code: str
    name: str
    family: int
    backplate_generations: frozenset[int]
    grade: int
    environmental_class: int
    anti_mask: bool
    outputs: frozenset[str]
    supply_min_v: float
    supply_max_v: float
    quiescent_ma: float
    maximum_ma: float
    settings_schema: Mapping[str, Any]
    factory_settings: Mapping[str, Any]
    successor: int | None = None
    discontinued_on: date | None = None
    discontinued: bool = False
    inserts: tuple[InsertFacts, ...] = ()


Cover = VariantFacts


@dataclass(frozen=True)
class Position:
    """Everything that stays on the wall and at the panel when a cover is changed, and what hangs there now.

    `landings` is core colour to backplate terminal, None for a spare core. `settings` may leave out those that are
    carried over whatever the cover; `in_use` names those of them that are in use and that some cover lacks.
    """

    family: int
    backplate_generation: int
    terminals: tuple[str, ...]
    signalling_wires: int
    landings: Mapping[str, str | None]
    board: BoardFacts | None
    hand_wired: Resistors | None
    circuits: tuple[CircuitFacts, ...]
    site_grade: int
    site_class: int
    old: VariantFacts
    settings: Mapping[str, Any]
    in_use: tuple[str, ...] = ()

    @property
    def carried(self) -> frozenset[str]:
        """The signals that reach the panel now."""
        return frozenset().union(*(circuit.functions for circuit in self.circuits))

    @property
    def spare_cores(self) -> tuple[str, ...]:
        """Cores behind the backplate that are landed on nothing."""
        return tuple(core for core, terminal in self.landings.items() if terminal is None)


@dataclass(frozen=True)
class Against:
    """A reason against a cover, and what would cure it. A decisive one keeps the cover off as things stand."""

    text: str
    cure: str
    decisive: bool = False


@dataclass(frozen=True)
class SettingNote:
    """A setting that cannot stay as it was: `new` in place of `old`, or lost altogether, and why."""

    field: str
    label: str
    old: object
    new: object
    why: str
    lost: bool = False


@dataclass(frozen=True)
class Judgement:
    """One cover judged for one position.

    `board` is the board to fit (only with FITS_BOARD), `cores` the landings to make (only with FITS_CORES),
    `settings` what to set on the cover, `setting_changes` what cannot be kept as it was.
    """

    cover: int
    verdict: Verdict
    proposable: bool
    board: BoardFacts | None
    reasons_for: tuple[str, ...]
    reasons_against: tuple[Against, ...]
    settings: Mapping[str, Any]
    setting_changes: tuple[SettingNote, ...]
    inserts: tuple[InsertFacts, ...] = ()
    cores: tuple[tuple[str, str], ...] = ()
    order: tuple[Any, ...] = field(default=(), compare=False)

    @property
    def cures(self) -> tuple[str, ...]:
        """What would cure the reasons against, in their order."""
        return tuple(against.cure for against in self.reasons_against if against.cure)
