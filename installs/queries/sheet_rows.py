"""The site sheet as plain dataclasses: what pages render and the endpoint answers, without the database."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from installs.sections import LastTest, NextVisit, OpenFlag

OUTCOME_WORDS = {
    "right": "Loop reads right",
    "thin": "Thin margin",
    "marginal": "Marginal loop",
    "wrong": "Loop reads wrong",
    "unknown": "Cannot be computed",
}


@dataclass(frozen=True)
class Setting:
    """One setting of a device in words; `changed` when it differs from the factory's."""

    name: str
    label: str
    value: str
    factory: str
    changed: bool


@dataclass(frozen=True)
class Landing:
    """A core of the device's cable and the backplate terminal it is landed on; None for a spare core."""

    core: str
    terminal: str | None


@dataclass(frozen=True)
class HandWired:
    """A hand-wired resistor."""

    role: str
    resistance_ohm: float


@dataclass(frozen=True)
class DeviceSheet:
    id: int
    mark: str
    position: str
    variant_code: str
    variant_name: str
    technology: str
    grade: int
    discontinued_on: date | None
    serial_number: str | None
    serial_id: int | None
    backplate: str
    backplate_generation: int
    board: str | None
    signalling_wires: int
    cable: str
    landings: tuple[Landing, ...]
    spare_cores: tuple[str, ...]
    hand_wired: tuple[HandWired, ...]
    settings: tuple[Setting, ...]
    changed_settings: int
    fitted_on: date
    flags: tuple[OpenFlag, ...]
    tests: tuple[LastTest, ...]


@dataclass(frozen=True)
class Band:
    """What the panel's input reads as one state; `high_ohm` None reaches to an open circuit."""

    state: str
    low_ohm: float
    high_ohm: float | None


@dataclass(frozen=True)
class ExpectedReading:
    """A state of the circuit and what the panel should measure then; None in ohms is an open circuit."""

    state: str
    label: str
    nominal_ohm: float | None
    least_ohm: float | None
    greatest_ohm: float | None
    reads_as: str
    right: bool
    words: str
    # Nominal, least and greatest across the far end, the pair off the panel: its cores open there, or joined.
    far_open_ohm: tuple[float | None, ...] = ()
    far_joined_ohm: tuple[float | None, ...] = ()
    margin_ohm: float | None = None
    margin_percent: float | None = None
    # How many loops of a hundred made of such parts the panel would misread in this state; only where some would be.
    misread_percent: float | None = None


@dataclass(frozen=True)
class DoubleReading:
    """Two signals at once: every pair of them that gives these values, in words."""

    labels: tuple[str, ...]
    nominal_ohm: float | None
    least_ohm: float | None
    greatest_ohm: float | None
    reads_as: str
    right: bool


@dataclass(frozen=True)
class LoopSheet:
    """Expected loop values of a circuit with the verdict in words, or the reason why there are none.

    `short` is one line of it: the nominal value of each state, for people who scan the page. `alike` names the states
    that the panel cannot tell apart; `normal_ohm` is nominal, least and greatest at rest, `normal_band_ohm` the edges
    of the panel's band for it."""

    readings: tuple[ExpectedReading, ...]
    short: str
    healthy: bool
    verdict: str
    notes: tuple[str, ...] = ()
    outcome: str = "unknown"
    doubles: tuple[DoubleReading, ...] = ()
    alike: tuple[str, ...] = ()
    cause: str = ""
    cure: str = ""
    nearest: str = ""
    least_margin_ohm: float | None = None
    least_margin_percent: float | None = None
    longest_cable_m: float | None = None
    normal_ohm: tuple[float | None, ...] = ()
    normal_band_ohm: tuple[float | None, ...] = ()
    bands: tuple[Band, ...] = ()

    @property
    def tone(self) -> str:
        """Colour only; the outcome's words say it all."""
        return {"right": "ok", "wrong": "bad"}.get(self.outcome, "warn")

    @property
    def outcome_words(self) -> str:
        return OUTCOME_WORDS[self.outcome]


@dataclass(frozen=True)
class PlaceSheet:
    """A device's place on the circuit. `device` is given once on a sheet, at its first place."""

    order: int
    run_m: float
    functions: tuple[str, ...]
    device_id: int
    mark: str
    position: str
    device: DeviceSheet | None


@dataclass(frozen=True)
class CircuitSheet:
    id: int
    number: int
    zone: str
    topology: str
    profile: str
    cable: str
    total_run_m: float
    eol_ohm: float | None
    eol_at_last_device: bool
    bands: tuple[Band, ...]
    loop: LoopSheet
    places: tuple[PlaceSheet, ...]
    flags: tuple[OpenFlag, ...]
    tests: tuple[LastTest, ...]


@dataclass(frozen=True)
class PanelSheet:
    id: int
    type: str
    grade: int
    serial_number: str
    place: str
    battery_ah: float | None
    battery_fitted_on: date | None
    flags: tuple[OpenFlag, ...]
    tests: tuple[LastTest, ...]


@dataclass(frozen=True)
class SystemSheet:
    id: int
    name: str
    panel: PanelSheet | None
    circuits: tuple[CircuitSheet, ...]
    unplaced: tuple[DeviceSheet, ...]


@dataclass(frozen=True)
class DocumentLine:
    id: int
    kind: str
    title: str
    added_at: datetime


@dataclass(frozen=True)
class SiteSheet:
    """Everything an engineer needs on site. `access_notes` is None where the person may not read them."""

    id: int
    reference: str
    name: str
    street: str
    town: str
    postcode: str
    grade: int
    environmental_class: str
    contract: str
    in_use_since: date
    branch: str
    customer: str
    customer_phone: str
    cautions: str
    access_notes: str | None
    next_visit: NextVisit | None
    flags: tuple[OpenFlag, ...]
    tests: tuple[LastTest, ...]
    systems: tuple[SystemSheet, ...]
    documents: tuple[DocumentLine, ...]
    open_flags: int
