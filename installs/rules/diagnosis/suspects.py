"""What may be wrong with a circuit that has no size: each fault with the values that go with it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from installs.rules.diagnosis import priors
from installs.rules.diagnosis.circuit import Array, Fitting, end_table
from installs.rules.diagnosis.model import OtherBoard
from installs.rules.loop_states import Loop
from installs.rules.resistors import E24
from installs.rules.topology import EOL, Link, resistor_roles


@dataclass
class Suspect:
    """One thing that may be wrong, without its size. `place` -1: the line's end. `ohm` is the value fitted instead of
    `instead_ohm`; `name` is the board's, or tells variants of a kind apart."""

    kind: str
    place: int
    weight: float
    fitting: int = 0
    end: int = 0
    role: str = ""
    ohm: float = 0.0
    instead_ohm: float = 0.0
    name: str = ""


def suspects_of(loop: Loop, boards: Sequence[OtherBoard]) -> tuple[list[Suspect], list[list[Fitting]], Array]:
    """Everything without a size that may be wrong, what is fitted at each place with it (first: as recorded), and the
    line's ends in ohms (first: as recorded)."""
    count = len(loop.devices)
    last = loop.devices[-1]
    eol_at_last = loop.eol_ohm is None
    ends_in_resistor = EOL in resistor_roles(loop.topology, frozenset())
    own_eol = last.resistor_ohm.get(EOL, 0.0) if loop.eol_ohm is None else loop.eol_ohm
    eol_ohm = float(own_eol)
    own = loop.eol_tolerance_percent if loop.eol_ohm is not None else last.tolerance_percent
    tolerance = float(loop.tolerance_percent if own is None else own)
    ends: list[tuple[float, float]] = [(eol_ohm, tolerance)]
    fittings: list[list[Fitting]] = [[Fitting({})] for _ in loop.devices]
    found: list[Suspect] = []
    roles_of: dict[object, list[str]] = {}
    values_of: dict[tuple[str, ...], list[tuple[str, tuple[float, ...], float]]] = {}

    def at_end(kind: str, ohm: float, name: str = "") -> None:
        ends.append((ohm, tolerance))
        found.append(Suspect(kind, -1, 1.0, end=len(ends) - 1, role=EOL, ohm=ohm, instead_ohm=eol_ohm, name=name))

    def at_place(kind: str, place: int, fitting: Fitting, end: int = 0, role: str = "", name: str = "") -> None:
        fittings[place].append(fitting)
        ohm = fitting.resistor_ohm.get(role, 0.0)
        instead = float(loop.devices[place].resistor_ohm[role]) if role else 0.0
        found.append(Suspect(kind, place, 1.0, len(fittings[place]) - 1, end, role, ohm, instead, name))

    if ends_in_resistor:
        at_end("eol-missing", math.inf)
        at_end("eol-shorted", 0.0)
        at_end("eol-doubled", 2 * eol_ohm, "two in series")
        at_end("eol-doubled", eol_ohm / 2, "two in parallel")
        for kind, ohm in _slips(eol_ohm):
            at_end(kind, ohm)
    for place, device in enumerate(loop.devices):
        topology = device.topology or loop.topology
        shape = (id(topology), device.functions)
        if shape not in roles_of:
            roles_of[shape] = sorted(resistor_roles(replace(topology, end=Link()), device.functions))
        roles = roles_of[shape]
        at_place("cut", place, Fitting({}, more="cut"))
        if ends_in_resistor and place < count - 1:
            at_place("eol-early", place, Fitting({}, more="eol-in-line"), name="in line")
            at_place("eol-early", place, Fitting({}, more="eol-across"), name="across the pair")
        for role in roles:
            instead = float(device.resistor_ohm[role])
            for kind, ohm in (("resistor-missing", math.inf), ("resistor-shorted", 0.0), *_slips(instead)):
                at_place(kind, place, Fitting({role: ohm}), role=role)
        with_end = ends_in_resistor and eol_at_last and place == count - 1
        wanted = tuple(sorted({*roles, EOL} if with_end else set(roles)))
        if wanted not in values_of:
            values_of[wanted] = _unlike(boards, wanted)
        fitted = tuple(device.resistor_ohm[role] for role in wanted)
        for name, ohms, percent in values_of[wanted]:
            if ohms == fitted:
                continue
            values = dict(zip(wanted, ohms, strict=True))
            end = 0
            if with_end:
                ends.append((values[EOL], percent))
                end = len(ends) - 1
            at_place("wrong-board", place, Fitting(values, percent), end=end, name=name)
    number_of = Counter(one.kind for one in found)
    for one in found:
        one.weight = priors.FAULT[one.kind] / number_of[one.kind]
    table = end_table(loop, [ohm for ohm, _ in ends], [percent for _, percent in ends])
    return found, fittings, table


@lru_cache(maxsize=1024)
def _slips(ohm: float) -> tuple[tuple[str, float], ...]:
    """Values that are taken for this one by mistake: its neighbours in E24, and the same digits a decade off."""
    if not 0 < ohm < math.inf:
        return ()
    decade = math.floor(math.log10(ohm)) - 1
    series = [value * 10.0 ** (decade + shift) for shift in (-1, 0, 1) for value in E24]
    return (
        ("preferred-value", max(value for value in series if value < ohm * (1 - 1e-6))),
        ("preferred-value", min(value for value in series if value > ohm * (1 + 1e-6))),
        ("decade", ohm * 10),
        ("decade", ohm / 10),
    )


def _unlike(boards: Sequence[OtherBoard], roles: tuple[str, ...]) -> list[tuple[str, tuple[float, ...], float]]:
    """Name, values of these roles and tolerance of each board that has them; boards alike in all three under one."""
    names: dict[tuple[tuple[float, ...], float], list[str]] = {}
    for board in boards:
        if roles and all(role in board.resistor_ohm for role in roles):
            ohms = tuple(float(board.resistor_ohm[role]) for role in roles)
            names.setdefault((ohms, board.tolerance_percent), []).append(board.name)
    return [(" or ".join(some), ohms, percent) for (ohms, percent), some in names.items()]
