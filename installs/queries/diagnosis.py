"""From what a meter shows on a circuit back to its likely causes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from config.errors import InvalidInput
from installs.models import CircuitPlace, Device, InputBand
from installs.queries import scope
from installs.queries.loop_values import CIRCUIT_FIELDS, DEVICE_FIELDS, PLACE_FIELDS, loop_of
from installs.rules.bands import Band, reading
from installs.rules.diagnosis.model import Diagnosis, Measurement, OtherBoard, Where
from installs.rules.diagnosis.search import diagnose
from installs.rules.errors import RuleError
from installs.rules.loops import Loop
from installs.rules.panel_inputs import PanelInput, ohm_at
from installs.rules.resistors import spoken_ohm
from stock.models import Board

if TYPE_CHECKING:
    from config.accounts.models import User

# Circuit, bands, places, devices, boards.
STATEMENTS = 5
MOST_MEASUREMENTS = 8
FUNCTIONS = ("alarm", "tamper", "mask", "fault")


@dataclass(frozen=True)
class Meter:
    """How far a meter may be off: percent of the reading, plus so many ohms."""

    words: str
    percent: float
    ohm: float


# Common practice, no source: the firm's own meters decide.
METERS: Mapping[str, Meter] = {
    "ordinary": Meter("ordinary multimeter, ±(1 % + 1 Ω)", 1.0, 1.0),
    "good": Meter("good multimeter, calibrated, ±(0.3 % + 0.3 Ω)", 0.3, 0.3),
    "rough": Meter("simple or old meter, ±(3 % + 5 Ω)", 3.0, 5.0),
}


@dataclass(frozen=True)
class Taken:
    """One measurement as a person gives it: ohms (inf: open circuit), or volts at the powered input's terminals.

    `known` holds, by place (0 is nearest to the panel), the functions operated on devices whose state was known.
    """

    ohm: float | None = None
    volts: float | None = None
    where: Where = Where.PANEL
    first: int = 0
    known: Mapping[int, frozenset[str]] = field(default_factory=dict)
    meter: str = "ordinary"


@dataclass(frozen=True)
class Place:
    """A device on the circuit; `number` counts from 0 at the panel, `at_m` is metres of cable from there."""

    number: int
    mark: str
    position: str
    functions: tuple[str, ...]
    at_m: float


@dataclass(frozen=True)
class Subject:
    """A circuit to be diagnosed. `loop` None: cannot be computed, and `problem` says why."""

    id: int
    number: int
    zone: str
    site_id: int
    site_name: str
    places: tuple[Place, ...]
    loop: Loop | None
    problem: str
    bands: tuple[Band, ...]
    boards: tuple[OtherBoard, ...]
    reference_v: float | None
    pull_up_ohm: float | None
    pull_up_tolerance_percent: float

    @property
    def takes_volts(self) -> bool:
        return self.reference_v is not None and self.pull_up_ohm is not None


@dataclass(frozen=True)
class Answer:
    """A diagnosis, with what the panel reads each measurement as: None where it says nothing about the panel."""

    measurements: tuple[Measurement, ...]
    reads: tuple[str | None, ...]
    diagnosis: Diagnosis


_CIRCUIT = (
    *CIRCUIT_FIELDS, "panel__system__site_id", "panel__system__site__name",
    "profile__reference_v", "profile__pull_up_ohm", "profile__pull_up_tolerance_percent",
)
_DEVICE = (*DEVICE_FIELDS, "position", "backplate__family_id", "backplate__generation")


def diagnosis_subject(user: User, circuit_id: int) -> Subject | None:
    """The circuit with its loop, bands and the boards that could be behind its covers, in STATEMENTS statements.

    None if there is no such circuit or the person may not see it.
    """
    row: Any = scope.circuits(user).filter(pk=circuit_id).values(*_CIRCUIT).first()
    if row is None:
        return None
    bands = tuple(
        Band(band.state, band.low_ohm, band.high_ohm)
        for band in InputBand.objects.filter(profile_id=row["profile_id"]).order_by("low_ohm")
    )
    places: list[Any] = list(
        CircuitPlace.objects.filter(circuit_id=circuit_id, device__removed_on=None)
        .order_by("order").values(*PLACE_FIELDS)
    )
    devices: dict[int, Any] = {
        device["id"]: device
        for device in Device.objects.filter(places__circuit_id=circuit_id, removed_on=None).values(*_DEVICE)
    }
    boards = _boards(devices.values())
    loop, problem = None, ""
    if not places:
        problem = "No device is recorded on this circuit, so nothing can be computed."
    else:
        try:
            loop = loop_of(row, places, devices)
        except RuleError as error:
            problem = f"Cannot be computed from the record: {error.message}. {error.remedy}"
    return Subject(
        id=row["id"], number=row["number"], zone=row["zone"],
        site_id=row["panel__system__site_id"], site_name=row["panel__system__site__name"],
        places=_places(places, devices), loop=loop, problem=problem, bands=bands, boards=boards,
        reference_v=row["profile__reference_v"], pull_up_ohm=row["profile__pull_up_ohm"],
        pull_up_tolerance_percent=row["profile__pull_up_tolerance_percent"],
    )


def _places(places: Sequence[Mapping[str, Any]], devices: Mapping[int, Mapping[str, Any]]) -> tuple[Place, ...]:
    found = []
    at_m = 0.0
    for number, place in enumerate(places):
        at_m += place["run_m"]
        device = devices[place["device_id"]]
        carried = tuple(name for name in FUNCTIONS if name in place["functions"])
        found.append(Place(number, device["mark"], device["position"], carried, at_m))
    return tuple(found)


def _boards(devices: Any) -> tuple[OtherBoard, ...]:
    """Boards with values that go behind the backplates of this circuit."""
    members = list(devices)
    found: Any = Board.objects.filter(
        presets_values=True,
        families__in={device["backplate__family_id"] for device in members} or {0},
        generations__overlap=sorted({device["backplate__generation"] for device in members}) or [0],
    ).order_by("id").distinct().values(
        "id", "item__name", "eol_ohm", "alarm_ohm", "mask_ohm", "tolerance_percent"
    )
    return tuple(
        OtherBoard(
            # A cause says "Board ..." of it.
            board["item__name"].removeprefix("Board "),
            {role: float(board[f"{role}_ohm"]) for role in ("eol", "alarm", "mask") if board[f"{role}_ohm"]},
            float(board["tolerance_percent"]),
        )
        for board in found
    )


def diagnose_circuit(subject: Subject, taken: Sequence[Taken]) -> Answer:
    """Ranked causes of what was measured; no SQL. Raises InvalidInput naming `measurements[1].ohm` and the like."""
    if subject.loop is None:
        raise InvalidInput(
            subject.problem, field="circuit", value=subject.number, remedy="Complete the record of this circuit first."
        )
    if not 1 <= len(taken) <= MOST_MEASUREMENTS:
        raise InvalidInput(
            f"{len(taken)} measurements cannot be judged together.", field="measurements", value=len(taken),
            remedy=f"Give 1 to {MOST_MEASUREMENTS}.",
        )
    measurements = tuple(_measurement(subject, one, f"measurements[{i}]") for i, one in enumerate(taken))
    try:
        found = diagnose(subject.loop, measurements, boards=subject.boards, pull_up_ohm=subject.pull_up_ohm)
    except RuleError as error:
        raise InvalidInput(
            f"{error.message[:1].upper()}{error.message[1:]}.", field=error.field, value=error.value,
            remedy=error.remedy,
        ) from error
    return Answer(measurements, tuple(_reads(subject, one) for one in measurements), found)


def _reads(subject: Subject, measured: Measurement) -> str | None:
    if measured.where is not Where.PANEL or not subject.bands:
        return None
    return reading(subject.bands, measured.ohm) or "nothing defined"


def _measurement(subject: Subject, one: Taken, name: str) -> Measurement:
    if (one.ohm is None) == (one.volts is None):
        raise InvalidInput(
            "A measurement is either a resistance or a voltage.", field=f"{name}.ohm", value=one.ohm,
            remedy="Give ohms ('4k7', 'open') or volts ('6.2 V').",
        )
    if not 0 <= one.first < max(len(subject.places), 1):
        raise InvalidInput(
            "There is no such device on the circuit.", field=f"{name}.first", value=one.first,
            remedy=f"Count from 0, nearest to the panel, to {len(subject.places) - 1}.",
        )
    for place, operated in one.known.items():
        carried = subject.places[place].functions if 0 <= place < len(subject.places) else None
        if carried is None or not operated <= set(carried):
            raise InvalidInput(
                "A device's state is not one that this circuit carries.", field=f"{name}.known", value=place,
                remedy="Give the number of a device of this circuit, and signals that it carries here.",
            )
    meter = METERS.get(one.meter)
    if meter is None:
        raise InvalidInput(
            "The meter is not one of the kinds known.", field=f"{name}.meter", value=one.meter,
            remedy=f"Give {', '.join(METERS)}.",
        )
    ohm, percent = one.ohm, meter.percent
    if ohm is None:
        ohm, percent = _ohm_of_volts(subject, one, name)
    if math.isnan(ohm) or ohm < 0:
        raise InvalidInput(
            "Is not a resistance.", field=f"{name}.ohm", value=ohm, remedy="Give 0 Ω or more, or 'open'."
        )
    return Measurement(
        ohm=ohm, where=one.where, first=one.first if one.where is Where.TOWARDS_END else 0, known=dict(one.known),
        meter_percent=percent, meter_ohm=meter.ohm,
    )


def _ohm_of_volts(subject: Subject, one: Taken, name: str) -> tuple[float, float]:
    """Ohms of the loop, and how far they may be off in percent: the input's own resistor divides."""
    volts, reference_v, pull_up_ohm = one.volts, subject.reference_v, subject.pull_up_ohm
    assert volts is not None
    if reference_v is None or pull_up_ohm is None:
        raise InvalidInput(
            "The record has no pull-up resistor and reference voltage for this input, so volts say nothing.",
            field=f"{name}.volts", value=volts, remedy="Disconnect the pair from the panel and measure ohms.",
        )
    if one.where is not Where.PANEL:
        raise InvalidInput(
            "Volts are measured at the panel's terminals only.", field=f"{name}.where", value=one.where.value,
            remedy="Choose 'at the panel', or measure ohms there.",
        )
    # A meter's own error puts an open loop a little above or below the reference.
    if not 0 <= volts <= reference_v * 1.05:
        raise InvalidInput(
            f"The input has {reference_v:g} V behind its pull-up resistor, so its terminals cannot show this.",
            field=f"{name}.volts", value=volts, remedy=f"Give 0 to {reference_v:g} V.",
        )
    meter = METERS[one.meter]
    if volts >= reference_v * (1 - meter.percent / 100):
        return math.inf, meter.percent
    ohm = ohm_at(PanelInput(reference_v, pull_up_ohm, subject.pull_up_tolerance_percent), volts)
    # An error of the volts grows by Vref / (Vref - V) on its way to ohms; the pull-up's comes on top.
    return float(ohm), meter.percent * reference_v / (reference_v - volts) + subject.pull_up_tolerance_percent


def spoken(ohm: float | None) -> str:
    """'4.7 kΩ'; None or inf: 'open circuit'."""
    return spoken_ohm(math.inf if ohm is None else ohm)
