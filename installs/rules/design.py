"""A circuit before it is wired: how it would read, how far its cable may reach, which boards and resistors suit it.

A design is one panel input, one wiring, one cable, devices alike and their resistor values. Whatever is called right
here was judged by the same report as an installed circuit (`loop_report.report`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from installs.rules import design_search as search
from installs.rules.bands import Band, check_bands
from installs.rules.errors import RuleError
from installs.rules.loop_report import LoopReport, NamedBoard, NamedCable, report
from installs.rules.loop_states import CableSpec, Loop, LoopDevice
from installs.rules.loops import longest_cable_m
from installs.rules.resistors import SERIES, colours, format_ohm
from installs.rules.topology import EOL, Topology, functions, resistor_roles

# Hand-wired resistors are 1 % metal film (common practice, no source).
HAND_WIRED_TOLERANCE_PERCENT = 1.0
MOST_DEVICES = 40


@dataclass(frozen=True)
class BoardOffer:
    """A board of the catalogue. Without preset values it takes hand-wired ones."""

    key: str
    name: str
    topology: Topology
    signalling_wires: int
    resistor_ohm: Mapping[str, float]
    presets_values: bool = True
    tolerance_percent: float = 1.0


@dataclass(frozen=True)
class CableOffer:
    """A cable of the catalogue."""

    key: str
    name: str
    area_mm2: float
    cable: CableSpec


@dataclass(frozen=True)
class Plan:
    """What is to be wired. `runs_m` holds the metres of cable to each device from the panel or the device before;
    `resistor_ohm` the values given so far, by role; temperatures are those that the cable can have. Contacts, joints
    and `resistor_ppm_per_k` as in `Loop`; a margin below `enough_percent` of a state's value is thin."""

    topology: Topology
    cable: CableSpec
    runs_m: tuple[float, ...]
    carried: frozenset[str]
    resistor_ohm: Mapping[str, float]
    tolerance_percent: float = HAND_WIRED_TOLERANCE_PERCENT
    least_temperature_c: float = -10.0
    greatest_temperature_c: float = 40.0
    contact_ohm_max: float = 0.5
    joint_ohm_max: float = 0.0
    resistor_ppm_per_k: float = 0.0
    enough_percent: float = 2.0


@dataclass(frozen=True)
class Resistor:
    """One resistor to buy: value in ohms, as written, and its painted bands (1 %)."""

    role: str
    ohm: float
    written: str
    colours: tuple[str, ...]


@dataclass(frozen=True)
class PreferredSet:
    """Preferred values for hand wiring. Right or thin: every state reads right; marginal: each single signal does,
    several at once do not. `least_margin_ohm` is the least of the single signals."""

    resistors: tuple[Resistor, ...]
    outcome: str
    least_margin_ohm: float

    @property
    def resistor_ohm(self) -> dict[str, float]:
        """Values in ohms by role."""
        return {resistor.role: resistor.ohm for resistor in self.resistors}


@dataclass(frozen=True)
class Neighbour:
    """A typed value's next preferred one up or down, and how the circuit reads with it in its place."""

    role: str
    typed_ohm: float
    resistor: Resistor
    outcome: str


@dataclass(frozen=True)
class BoardFit:
    """How the circuit reads with a board of the catalogue on every device: right, thin, marginal or wrong, and why."""

    board: BoardOffer
    outcome: str
    reason: str


@dataclass(frozen=True)
class CableReach:
    """How long the pair may be in another cable; None: not even without cable."""

    offer: CableOffer
    longest_m: float | None
    reaches: bool


@dataclass(frozen=True)
class Design:
    """The answer. `used_ohm` are the values reported on (given, and the best preferred ones for those not given);
    `missing` are the roles without a given value; no report if no values can be found for them."""

    roles: tuple[str, ...]
    missing: tuple[str, ...]
    used_ohm: Mapping[str, float]
    report: LoopReport | None
    total_m: float
    boards: tuple[BoardFit, ...]
    cables: tuple[CableReach, ...]
    preferred: PreferredSet | None
    completing: PreferredSet | None
    neighbours: tuple[Neighbour, ...]
    notes: tuple[str, ...]


def design(
    plan: Plan,
    bands: Iterable[Band],
    *,
    boards: Sequence[BoardOffer] = (),
    cables: Sequence[CableOffer] = (),
    series: str = "E24",
) -> Design:
    """Judge the plan on a panel input with these bands, and say what else would do.

    Raises RuleError for a value that cannot be computed with and for signals that the wiring cannot carry.
    """
    ordered = check_bands(bands)
    _check(plan, ordered, series)
    roles = tuple(sorted(resistor_roles(plan.topology, plan.carried), key=_role_order))
    given = {role: plan.resistor_ohm[role] for role in roles if role in plan.resistor_ohm}
    missing = tuple(role for role in roles if role not in given)
    hand_wired = replace(plan, tolerance_percent=HAND_WIRED_TOLERANCE_PERCENT)
    preferred = preferred_set(hand_wired, ordered, series=series) if roles else None
    completing = preferred
    if missing and given:
        completing = preferred_set(hand_wired, ordered, series=series, fixed_ohm=given)
    used = given
    if missing:
        used = completing.resistor_ohm if completing else {}
    found = None
    if set(used) >= set(roles):
        named = [NamedCable(offer.name, offer.area_mm2, offer.cable) for offer in cables]
        # With no values given there is no board to change.
        others = [NamedBoard(offer.name, offer.resistor_ohm) for offer in boards if _same_parts(plan, offer)]
        found = report(
            loop_of(plan, used), ordered, cables=named, boards=others if given else (),
            enough_percent=plan.enough_percent,
        )
    return Design(
        roles=roles,
        missing=missing,
        used_ohm=used,
        report=found,
        total_m=sum(plan.runs_m),
        boards=tuple(_board_fit(plan, board, ordered, preferred) for board in boards),
        cables=_reaches(plan, used, ordered, cables) if found else (),
        preferred=preferred,
        completing=completing if missing and given else None,
        neighbours=_neighbours(hand_wired, given, ordered, series) if not missing else (),
        notes=_notes(plan, roles),
    )


def loop_of(plan: Plan, resistor_ohm: Mapping[str, float]) -> Loop:
    """The plan as a loop with these values at every device; the last one carries the end-of-line resistor."""
    return Loop(
        topology=plan.topology,
        devices=tuple(
            LoopDevice(f"D{place}", f"Device {place}", plan.carried, resistor_ohm, run_m)
            for place, run_m in enumerate(plan.runs_m, 1)
        ),
        cable=plan.cable,
        tolerance_percent=plan.tolerance_percent,
        contact_ohm_max=plan.contact_ohm_max,
        joint_ohm_max=plan.joint_ohm_max,
        resistor_ppm_per_k=plan.resistor_ppm_per_k,
        least_temperature_c=plan.least_temperature_c,
        greatest_temperature_c=plan.greatest_temperature_c,
    )


def preferred_set(
    plan: Plan, bands: Sequence[Band], *, series: str = "E24", fixed_ohm: Mapping[str, float] | None = None
) -> PreferredSet | None:
    """The preferred values with the greatest least margin; None: no values of the series read right.

    `fixed_ohm` holds roles whose value stays. Several signals at once count if that is possible at all, else single
    signals alone. Of values with the same least margin those with the greatest next one. Raises RuleError.
    """
    roles = resistor_roles(plan.topology, plan.carried)
    fixed = {role: ohm for role, ohm in (fixed_ohm or {}).items() if role in roles}
    values = _candidates(bands, series)
    if not roles or not values:
        return None
    candidates = {role: np.array([fixed[role]] if role in fixed else values) for role in sorted(roles)}
    for combined in (True, False):
        found = search.best(loop_of(plan, {}), bands, candidates, combined=combined)
        if found is None:
            continue
        # The search looks at the first and the last device; the report at every one.
        judged = report(loop_of(plan, found), bands, enough_percent=plan.enough_percent)
        if judged.outcome == "wrong" or (combined and judged.outcome == "marginal"):
            continue
        margins = [
            row.panel.margin_ohm for row in judged.rows
            if row.panel.margin_ohm is not None and row.panel.state not in search.COMBINED_STATES
        ]
        if min(margins) < 0:
            continue
        chosen = tuple(_resistor(role, found[role]) for role in sorted(found, key=_role_order))
        return PreferredSet(chosen, judged.outcome, min(margins))
    return None


def preferred_beside(ohm: float, series: str = "E24") -> tuple[float, float]:
    """The next preferred values below and above `ohm`, itself left out. Raises RuleError."""
    if series not in SERIES or not 0 < ohm < math.inf:
        raise RuleError("has no preferred values beside it", field="ohm", value=ohm, remedy="Give more than 0 Ω.")
    power = math.floor(math.log10(ohm)) - 3
    values = [float(Decimal(digits).scaleb(power + step)) for step in range(3) for digits in SERIES[series]]
    # A value typed as 4700.0000001 is 4k7.
    below = max(value for value in values if value < ohm * (1 - 1e-9))
    return below, min(value for value in values if value > ohm * (1 + 1e-9))


def _reaches(
    plan: Plan, used_ohm: Mapping[str, float], bands: Sequence[Band], cables: Sequence[CableOffer]
) -> tuple[CableReach, ...]:
    total_m = sum(plan.runs_m)
    loop = loop_of(plan, used_ohm)
    lengths = [longest_cable_m(replace(loop, cable=offer.cable), bands) for offer in cables]
    return tuple(
        CableReach(offer, metres, metres is not None and metres >= total_m)
        for offer, metres in zip(cables, lengths, strict=True)
    )


def _same_parts(plan: Plan, board: BoardOffer) -> bool:
    """Whether the board brings the resistors that the plan needs, and no more unless it is made for its wiring."""
    roles = resistor_roles(plan.topology, plan.carried)
    if not board.presets_values or not roles or not set(board.resistor_ohm) >= roles:
        return False
    return board.topology == plan.topology or resistor_roles(board.topology) <= roles


def _board_fit(plan: Plan, board: BoardOffer, bands: Sequence[Band], preferred: PreferredSet | None) -> BoardFit:
    roles = resistor_roles(plan.topology, plan.carried)
    if not board.presets_values:
        if board.topology != plan.topology:
            return BoardFit(board, "wrong", "It is made for another wiring.")
        if preferred is None:
            return BoardFit(board, "wrong", "It takes hand-wired resistors, and no preferred values read right here.")
        return BoardFit(board, preferred.outcome, "It takes hand-wired resistors: the preferred values shown here.")
    if not roles:
        return BoardFit(board, "wrong", "This wiring has no resistors: a board would only add its own.")
    lacking = sorted(roles - set(board.resistor_ohm))
    if lacking:
        return BoardFit(board, "wrong", f"It has no {lacking[0]} resistor, which this wiring needs.")
    if not _same_parts(plan, board):
        spare = " and ".join(sorted(resistor_roles(board.topology) - roles))
        return BoardFit(board, "wrong", f"It is made for another wiring, with a resistor for {spare}.")
    judged = report(
        loop_of(replace(plan, tolerance_percent=board.tolerance_percent), board.resistor_ohm), bands,
        enough_percent=plan.enough_percent,
    )
    words = [judged.cause] if judged.outcome == "thin" else judged.reasons[:1]
    if board.topology != plan.topology:
        words = [*words, "It is made for another wiring with the same resistors: see where its signals go."]
    return BoardFit(board, judged.outcome, " ".join(words))


def _neighbours(
    plan: Plan, given: Mapping[str, float], bands: Sequence[Band], series: str
) -> tuple[Neighbour, ...]:
    found = []
    for role in sorted(given, key=_role_order):
        if given[role] <= 0:
            continue
        for ohm in preferred_beside(given[role], series):
            judged = report(loop_of(plan, {**given, role: ohm}), bands, enough_percent=plan.enough_percent)
            found.append(Neighbour(role, given[role], _resistor(role, ohm), judged.outcome))
    return tuple(found)


def _candidates(bands: Sequence[Band], series: str) -> list[float]:
    """Every preferred value that could matter: from far below the lowest edge of a band to well above the highest."""
    edges = [edge for band in bands for edge in (band.low_ohm, band.high_ohm) if edge]
    if not edges:
        return []
    low, high = min(edges) / 20, 4 * max(edges)
    powers = range(math.floor(math.log10(low)) - 2, math.floor(math.log10(high)) - 1)
    values = (float(Decimal(digits).scaleb(power)) for power in powers for digits in SERIES[series])
    return [value for value in values if value >= 1 and low <= value <= high]


def _resistor(role: str, ohm: float) -> Resistor:
    try:
        painted = colours(ohm, HAND_WIRED_TOLERANCE_PERCENT)
    except RuleError:
        painted = ()
    return Resistor(role, ohm, format_ohm(ohm), painted)


def _notes(plan: Plan, roles: Sequence[str]) -> tuple[str, ...]:
    unused = [role for role in plan.resistor_ohm if role not in roles]
    return tuple(f"The {role} resistor is not used by this wiring and these signals." for role in sorted(unused))


def _role_order(role: str) -> tuple[int, str]:
    return ((EOL, "alarm", "mask").index(role) if role in (EOL, "alarm", "mask") else 3, role)


def _check(plan: Plan, bands: Sequence[Band], series: str) -> None:
    if series not in SERIES:
        raise RuleError("is not a series", field="series", value=series, remedy="Give E12, E24 or E96.")
    if not bands:
        raise RuleError(
            "the bands of this panel input are not recorded, so nothing says how it reads a loop",
            field="profile", value="", remedy="Record them in the administration, from the panel's manual.",
        )
    if not 1 <= len(plan.runs_m) <= MOST_DEVICES:
        raise RuleError(
            "is not a number of devices for one loop", field="devices", value=len(plan.runs_m),
            remedy=f"Give 1 to {MOST_DEVICES}.",
        )
    for run_m in plan.runs_m:
        if not 0 <= run_m <= 10_000:
            raise RuleError("is not a length of cable", field="runs_m", value=run_m, remedy="Give 0 to 10000 metres.")
    can = functions(plan.topology)
    if not plan.carried:
        raise RuleError("no signal is carried", field="signals", value="", remedy=f"Tick {_some_of(can)}.")
    for name in sorted(plan.carried - can):
        raise RuleError(
            f"this wiring cannot carry the {name} signal", field="signals", value=name,
            remedy=f"Choose of {_some_of(can)}, or a wiring with a {name} contact.",
        )
    for role, ohm in plan.resistor_ohm.items():
        if not 0 <= ohm <= 1e8:
            raise RuleError(
                "is not a resistor to wire", field=f"{role}_ohm", value=ohm, remedy="Give 0 Ω to 100 MΩ."
            )


def _some_of(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))
