"""What a device's record must satisfy before it is written; each refusal names field, value and remedy."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from config.errors import ChangedMeanwhile, Conflict, InvalidInput
from installs.models import Circuit, Device
from installs.rules import settings as settings_rules

if TYPE_CHECKING:
    from stock.models import Backplate, Board, CableType, Variant

# Power may double its cores to lose less voltage; a signal terminal holds one (common practice, no source).
_POWER = {"+", "-"}
_ROLES = {"eol", "alarm", "mask"}


def unchanged(device: Device, read_at: datetime | None) -> None:
    """Refuse a change made from an older state. `read_at` None: the caller does not mind."""
    if read_at is not None and device.changed_at != read_at:
        raise ChangedMeanwhile(
            f"Device {device.mark} was changed on {device.changed_at:%d.%m.%Y %H:%M}, after you read it.",
            field="changed_at",
            value=read_at.isoformat(),
            remedy="Read it again and repeat the change.",
        )


def live(device: Device) -> None:
    if device.removed_on is not None:
        raise Conflict(
            f"Device {device.mark} was removed on {device.removed_on:%d.%m.%Y}; a removed device is kept as it was.",
            field="device",
            value=device.mark,
            remedy="Fit another device in its place.",
        )


def settings(variant: Variant, values: Mapping[str, Any]) -> None:
    """Raise InvalidInput for the first setting that the variant's schema does not allow."""
    found = settings_rules.problems(variant.settings_schema, values)
    if found:
        first = found[0]
        raise InvalidInput(first.message, field=f"settings.{first.field}", value=first.value, remedy=first.remedy)


def landings(cable: CableType, backplate: Backplate, given: Mapping[str, str | None]) -> dict[str, str | None]:
    """Every core of the cable with its terminal, None for a spare one.

    Raises InvalidInput for a core that the cable has not, a terminal that the backplate has not, or a signal
    terminal with two cores.
    """
    taken: dict[str, str] = {}
    for core, terminal in given.items():
        if core not in cable.cores:
            raise InvalidInput(
                f"The cable {cable.name} has no {core} core.",
                field="core_landings",
                value=core,
                remedy=f"Use {', '.join(cable.cores)}.",
            )
        if terminal is None:
            continue
        if terminal not in backplate.terminals:
            raise InvalidInput(
                f"The backplate {backplate} has no terminal {terminal}.",
                field="core_landings",
                value=terminal,
                remedy=f"Use {', '.join(backplate.terminals)}, or nothing for a spare core.",
            )
        if terminal in taken and terminal not in _POWER:
            raise InvalidInput(
                f"Terminal {terminal} would hold the {taken[terminal]} and the {core} core.",
                field="core_landings",
                value=terminal,
                remedy="Land one core on each signal terminal.",
            )
        taken[terminal] = core
    return {core: given.get(core) for core in cable.cores}


def parts_fit(variant: Variant, backplate: Backplate, board: Board | None, signalling_wires: int) -> None:
    """Raise InvalidInput when the cover does not clip to the backplate or the board does not belong in it."""
    if variant.family_id != backplate.family_id or backplate.generation not in variant.backplate_generations:
        raise InvalidInput(
            f"The cover of {variant.code} does not clip to {backplate} (generation {backplate.generation}).",
            field="backplate",
            value=backplate,
            remedy="Choose a cover of the backplate's family that takes its generation.",
        )
    if board is None:
        return
    if backplate.generation not in board.generations or not board.families.filter(pk=backplate.family_id).exists():
        raise InvalidInput(
            f"The board {board} does not fit {backplate} (generation {backplate.generation}).",
            field="board",
            value=board,
            remedy="Choose a board of this family and generation, or none.",
        )
    if board.signalling_wires != signalling_wires:
        raise InvalidInput(
            f"The board {board} is wired for {board.signalling_wires} signalling wires, not {signalling_wires}.",
            field="signalling_wires",
            value=signalling_wires,
            remedy=f"Record {board.signalling_wires} wires or choose another board.",
        )


def hand_wired(values: Mapping[str, Any] | None) -> dict[str, float] | None:
    """Hand-wired resistors in ohms by role; None when there are none. Raises InvalidInput."""
    for role, ohm in (values or {}).items():
        if role not in _ROLES:
            raise InvalidInput(
                f"A resistor cannot have the part {role!r}.", field="hand_wired", value=role,
                remedy="Use eol, alarm or mask.",
            )
        if isinstance(ohm, bool) or not isinstance(ohm, int | float) or not 0 < ohm < 10_000_000:
            raise InvalidInput(
                f"The {role} resistor must be a number of ohms above 0 and below 10 MΩ.",
                field="hand_wired", value=ohm, remedy="Write ohms, for example 4700.",
            )
    return dict(values) if values else None


def carried(circuit: Circuit, device: Device, functions: Collection[str]) -> None:
    """Raise InvalidInput when the circuit's topology or the device cannot carry the functions.

    `circuit.topology` and `device.variant` must be loaded.
    """
    if not functions:
        raise InvalidInput(
            f"Device {device.mark} carries no signal on circuit {circuit.number}.",
            field="functions", value="", remedy="Name at least one, or leave the device out of the circuit.",
        )
    for function in functions:
        if function not in circuit.topology.functions:
            raise InvalidInput(
                f"Circuit {circuit.number} ({circuit.topology.name}) cannot carry the {function} signal of "
                f"device {device.mark}; it tells apart {_and(circuit.topology.functions)}.",
                field="functions", value=function,
                remedy=f"Carry {function} on another circuit, or change the circuit's topology.",
            )
        if function not in device.variant.outputs:
            raise InvalidInput(
                f"Device {device.mark} ({device.variant.code}) has no {function} output; it has "
                f"{_and(device.variant.outputs)}.",
                field="functions", value=function, remedy=f"Leave {function} out.",
            )


def wires_suffice(device: Device, circuits: Collection[int], functions: Collection[str]) -> None:
    """Raise InvalidInput when the device's signals need more pairs than its signalling wires make.

    Each circuit that a device is on takes one pair of its own: two wires make one pair. `functions` holds
    every carried function once for each circuit it travels on.
    """
    pairs = device.signalling_wires // 2
    if len(circuits) > pairs:
        raise InvalidInput(
            f"Device {device.mark} has {device.signalling_wires} signalling wires, enough for {pairs} "
            f"circuit{'' if pairs == 1 else 's'}; it would be on {len(circuits)}.",
            field="circuit",
            value=len(circuits),
            remedy="Put all its signals on fewer circuits, or land spare cores and record more wires first.",
        )
    twice = sorted({function for function in functions if list(functions).count(function) > 1})
    if twice:
        raise InvalidInput(
            f"The {twice[0]} signal of device {device.mark} would travel on two circuits.",
            field="functions", value=twice[0], remedy="Carry each signal on one circuit.",
        )


def _and(words: Collection[str]) -> str:
    if not words:
        return "nothing"
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
