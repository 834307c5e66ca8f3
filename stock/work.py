"""The work that needs stock. The stock app knows no visits or proposals: the app that does registers its answers here.

In the ready() of that app's AppConfig: `work.register(planned=..., dead=...)`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class PlannedPart:
    """A part that planned work needs.

    `day`: when (None: not planned yet). `reference`: the work, as reservations name it ("visit 12", "proposal 3").
    `visit`: the visit that it goes with, if there is one, in words. `van_of`: the key of the person who drives there.
    `reservation_id`: None where nothing is promised to the work yet.
    """

    item_id: int
    branch_id: int
    quantity: int
    day: date | None
    reference: str
    visit: str
    van_of: int | None
    reservation_id: int | None


# Everything that work planned up to and including that day (None: all of it) needs.
PlannedParts = Callable[[date | None], list[PlannedPart]]
# Of these references, those that name work which is over or was never there, each with what it is in words.
# References in a form that the registered app does not know are left out.
DeadReferences = Callable[[Collection[str]], Mapping[str, str]]


def _no_parts(_until: date | None) -> list[PlannedPart]:
    return []


def _none_dead(_references: Collection[str]) -> Mapping[str, str]:
    return {}


_PLANNED: PlannedParts = _no_parts
_DEAD: DeadReferences = _none_dead


def register(*, planned: PlannedParts, dead: DeadReferences) -> None:
    """Name the functions that answer from now on."""
    global _PLANNED, _DEAD
    _PLANNED, _DEAD = planned, dead


def planned_parts(until: date | None = None) -> list[PlannedPart]:
    """What planned work needs, as registered; soonest first. The statements of the registered function."""
    return _PLANNED(until)


def dead_references(references: Collection[str]) -> Mapping[str, str]:
    """References of reservations whose work is over or unknown, with why; nothing is asked for an empty list."""
    return _DEAD(references) if references else {}
