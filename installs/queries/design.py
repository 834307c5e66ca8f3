"""Designs of circuits not yet wired: what there is to choose from, and the answer for one choice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from config.accounts.models import Firm
from config.errors import InvalidInput
from installs.models import InputBand, InputProfile
from installs.queries.loop_values import CONTACT_OHM_MAX, JOINT_OHM_MAX, RESISTOR_PPM_PER_K, sheet_of
from installs.queries.sheet_rows import LoopSheet
from installs.rules import design as rules
from installs.rules.bands import Band
from installs.rules.conductors import class_temperatures_c
from installs.rules.errors import RuleError
from installs.rules.loops import CableSpec
from installs.rules.topology import functions, parse_topology
from stock.models.catalogue import Board, CableType, Topology

if TYPE_CHECKING:
    from config.accounts.models import User

# Input, its bands, cables, boards with their wirings, the firm; a wiring other than the input's adds one.
OWN_STATEMENTS = 5
CHOICES_STATEMENTS = 4
ROLES = ("eol", "alarm", "mask")


@dataclass(frozen=True)
class DesignRequest:
    """What is to be wired. No topology: as the input is set; no signals: all that the wiring can carry. A board's
    values stand in for `resistor_ohm`; with neither, the best preferred values are taken."""

    profile_id: int
    cable_id: int
    runs_m: tuple[float, ...]
    topology_id: int | None = None
    carried: frozenset[str] = frozenset()
    board_id: int | None = None
    resistor_ohm: Mapping[str, float] = field(default_factory=dict)
    series: str = "E24"
    environmental_class: int = 2


@dataclass(frozen=True)
class DesignAnswer:
    """A design with the names of what was chosen."""

    panel: str
    profile: str
    topology: str
    cable: str
    board: str | None
    series: str
    carried: tuple[str, ...]
    temperatures_c: tuple[float, float]
    design: rules.Design
    loop: LoopSheet | None

    @property
    def boards_that_fit(self) -> tuple[rules.BoardFit, ...]:
        """Boards that read right, at nominal values at least; the best first."""
        order = ("right", "thin", "marginal")
        fits = [fit for fit in self.design.boards if fit.outcome in order]
        return tuple(sorted(fits, key=lambda fit: order.index(fit.outcome)))

    @property
    def other_boards(self) -> tuple[rules.BoardFit, ...]:
        """Boards that read wrong here, or cannot be wired so."""
        return tuple(fit for fit in self.design.boards if fit.outcome == "wrong")


@dataclass(frozen=True)
class DesignChoices:
    """Choices of the form: inputs by panel type, and the rest, each with its key and name."""

    profiles: tuple[tuple[str, tuple[tuple[int, str], ...]], ...]
    topologies: tuple[tuple[int, str], ...]
    cables: tuple[tuple[int, str], ...]
    boards: tuple[tuple[int, str], ...]


def design_choices(_user: User) -> DesignChoices:
    """What a design can be made of, in CHOICES_STATEMENTS statements. The catalogue is open to everybody."""
    grouped: dict[str, list[tuple[int, str]]] = {}
    for pk, code, panel, topology in InputProfile.objects.order_by("panel_type__name", "code").values_list(
        "id", "code", "panel_type__name", "topology__name"
    ):
        grouped.setdefault(panel, []).append((pk, f"{code}: {topology}"))
    return DesignChoices(
        profiles=tuple((panel, tuple(rows)) for panel, rows in grouped.items()),
        topologies=tuple(Topology.objects.order_by("name").values_list("id", "name")),
        cables=tuple(CableType.objects.order_by("name").values_list("id", "name")),
        boards=tuple(
            Board.objects.filter(presets_values=True).order_by("item__name").values_list("id", "item__name")
        ),
    )


def design_circuit(_user: User, request: DesignRequest) -> DesignAnswer:
    """Judge a design, in OWN_STATEMENTS statements (one more for a wiring other than the input's).

    Nothing is stored. Raises InvalidInput naming what cannot be computed with.
    """
    profile = (
        InputProfile.objects.select_related("panel_type", "topology").filter(pk=request.profile_id).first()
    )
    if profile is None:
        raise _unknown("profile", request.profile_id, "Choose an input of the list.")
    bands = [
        Band(*row)
        for row in InputBand.objects.filter(profile=profile).order_by("low_ohm")
        .values_list("state", "low_ohm", "high_ohm")
    ]
    wired: Topology | None = profile.topology
    if request.topology_id not in (None, profile.topology_id):
        wired = Topology.objects.filter(pk=request.topology_id).first()
    if wired is None:
        raise _unknown("topology", request.topology_id, "Choose a wiring of the list.")
    cables = {cable.pk: cable for cable in CableType.objects.order_by("ohm_per_km_20", "name")}
    if request.cable_id not in cables:
        raise _unknown("cable", request.cable_id, "Choose a cable of the list.")
    boards = {
        board.pk: board for board in Board.objects.select_related("item", "topology").order_by("item__name")
    }
    board = None
    if request.board_id is not None:
        board = boards.get(request.board_id)
        if board is None:
            raise _unknown("board", request.board_id, "Choose a board of the list.")
    enough = Firm.objects.values_list("loop_margin_percent", flat=True).first()
    try:
        topology = parse_topology(wired.circuit)
        temperatures_c = class_temperatures_c(request.environmental_class)
        plan = rules.Plan(
            topology=topology,
            cable=_cable(cables[request.cable_id]),
            runs_m=request.runs_m,
            carried=request.carried or functions(topology),
            resistor_ohm=dict(request.resistor_ohm),
            least_temperature_c=temperatures_c[0],
            greatest_temperature_c=temperatures_c[1],
            contact_ohm_max=CONTACT_OHM_MAX,
            joint_ohm_max=JOINT_OHM_MAX,
            resistor_ppm_per_k=RESISTOR_PPM_PER_K,
            enough_percent=2.0 if enough is None else float(enough),
        )
        if board is not None:
            # One hand-wired resistor among the board's, and the worst speaks for all.
            least = rules.HAND_WIRED_TOLERANCE_PERCENT if request.resistor_ohm else 0.0
            plan = replace(
                plan, resistor_ohm=_values(board) | dict(request.resistor_ohm),
                tolerance_percent=max(float(board.tolerance_percent), least),
            )
        found = rules.design(
            plan, bands, series=request.series,
            boards=[
                rules.BoardOffer(
                    str(offer.pk), offer.item.name, parse_topology(offer.topology.circuit), offer.signalling_wires,
                    _values(offer), offer.presets_values, float(offer.tolerance_percent),
                )
                for offer in boards.values()
            ],
            cables=[rules.CableOffer(str(pk), offer.name, float(offer.area_mm2), _cable(offer))
                for pk, offer in cables.items()],
        )
    except RuleError as error:
        raise InvalidInput(
            f"{error.field}: {error.message}.", field=error.field, value=error.value, remedy=error.remedy
        ) from error
    return DesignAnswer(
        panel=profile.panel_type.name,
        profile=profile.code,
        topology=wired.name,
        cable=cables[request.cable_id].name,
        board=None if board is None else board.item.name,
        series=request.series,
        carried=tuple(sorted(plan.carried)),
        temperatures_c=temperatures_c,
        design=found,
        loop=None if found.report is None else sheet_of(
            found.report, {f"D{place}": f"Device {place}" for place in range(1, len(plan.runs_m) + 1)}
        ),
    )


def _cable(row: CableType) -> CableSpec:
    return CableSpec(row.ohm_per_km_20, row.temperature_coefficient_per_k, row.tolerance_percent)


def _values(board: Board) -> dict[str, float]:
    given = {role: getattr(board, f"{role}_ohm") for role in ROLES}
    return {role: float(ohm) for role, ohm in given.items() if ohm is not None}


def _unknown(name: str, value: object, remedy: str) -> InvalidInput:
    return InvalidInput(f"There is no {name} {value}.", field=name, value=value, remedy=remedy)
