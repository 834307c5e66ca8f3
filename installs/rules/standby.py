"""How long a supply must last without mains, what battery that takes, and what battery it can recharge.

The hours are data: sources disagree, and the firm may edit its own. The factor for ageing and the extra for a high
alarm current come from a fire standard by analogy (BS 5839-1:2025 Annex E, second hand); no source was found that
sets either for intruder systems.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from installs.rules.errors import RuleError

# Common sizes in Ah of 12 V batteries (open-exam-prep.com: 4, 7, 7.2, 10, 12, 18, 26, 40, 55; 17, 38 and 65 are
# common practice, no source).
COMMON_SIZES_AH: Final = (4.0, 7.0, 7.2, 10.0, 12.0, 17.0, 18.0, 26.0, 38.0, 40.0, 55.0, 65.0)
# Small sealed lead-acid batteries are changed after 3 to 5 years (battery-calculator.com: weak, and practice).
BATTERY_LIFE_YEARS: Final = 5
HIGH_CURRENT_FACTOR: Final = 1.75
# Share of the charge put in that comes back out. With it a battery that is to be recharged to 80 % comes out at
# current times hours, which is the simple form of the source; no source for the figure itself.
CHARGE_EFFICIENCY: Final = 0.8


@dataclass(frozen=True)
class StandbyRow:
    """How long a supply must last, for one scheme, grade, type of supply and whether a mains fault is signalled."""

    scheme: str
    grade: int
    psu_type: str
    fault_signalled: bool
    standby_hours: float
    recharge_hours: float | None
    source: str
    alarm_minutes: int = 15
    recharge_percent: int = 80


_EN = "EN 50131-6"
_PD = "PD 6662:2004"
_RECHARGE = "recharge time from memory, its 80 % second hand"
_QUARTER = "15 min of alarm: common practice, no source"
_A_LOW = f"EN 50131-6 ed. 2 as restated on three trade pages (second hand); {_RECHARGE}; {_QUARTER}"
_A_HIGH = (
    "EN 50131-6 ed. 2 as restated on a trade page (second hand); CONFLICT: 24 h under a UK scheme; "
    f"{_RECHARGE}; {_QUARTER}"
)
_A_HALF = (
    "EN 50131-6 ed. 2: 60 h halved where a mains fault is signalled (second hand); CONFLICT: 24 h under a UK scheme; "
    f"{_RECHARGE}"
)
_A_UK = (
    "PD 6662:2004 scheme (trade page, second hand); CONFLICT: 60 h in EN 50131-6 ed. 2, halved if signalled; "
    f"{_RECHARGE}; {_QUARTER}"
)
_A_UK_LOW = f"hours of EN 50131-6, which the scheme calls up (from memory); {_RECHARGE}; {_QUARTER}"
_B = f"trade page, citing PN-EN 50133-1:2000, an access-control standard (second hand, weak); {_QUARTER}"
_C = f"EN 50131-1: 30 days (from memory); {_QUARTER}"


def _standard() -> Iterable[StandbyRow]:
    for signalled in (False, True):
        for grade in (1, 2, 3, 4):
            low = grade <= 2
            recharge = 72.0 if low else 24.0
            if low:
                yield StandbyRow(_EN, grade, "A", signalled, 12.0, recharge, _A_LOW)
                yield StandbyRow(_PD, grade, "A", signalled, 12.0, recharge, _A_UK_LOW)
            else:
                hours, source = (30.0, _A_HALF) if signalled else (60.0, _A_HIGH)
                yield StandbyRow(_EN, grade, "A", signalled, hours, recharge, source)
                yield StandbyRow(_PD, grade, "A", signalled, 24.0, recharge, _A_UK)
            yield StandbyRow(_EN, grade, "B", signalled, 24.0 if low else 120.0, None, _B)
            yield StandbyRow(_EN, grade, "C", signalled, 720.0, None, _C)


STANDARD_STANDBY: Final[tuple[StandbyRow, ...]] = tuple(_standard())


def standby_row(
    rows: Iterable[StandbyRow], *, scheme: str, grade: int, psu_type: str, fault_signalled: bool
) -> StandbyRow | None:
    """The row for a supply, None if there is none. Without one for a signalled fault, the one for a fault that is
    not signalled holds: it never asks for less."""
    fitting = {
        row.fault_signalled: row
        for row in rows if (row.scheme, row.grade, row.psu_type) == (scheme, grade, psu_type)
    }
    return fitting.get(fault_signalled) or (fitting.get(False) if fault_signalled else None)


def battery_capacity_ah(
    quiescent_ma: float,
    standby_hours: float,
    alarm_ma: float,
    alarm_minutes: float,
    *,
    ageing_factor: float = 1.25,
    high_current: bool = False,
) -> float:
    """Capacity in Ah that a new battery needs: ageing x (Iq T + D x Ia Ta).

    D is 1. With `high_current` it is as in BS 5839-1:2025 Annex E, a fire standard, by analogy: 1 where a twentieth
    of the capacity is at least the alarm current, else 1.75. Raises RuleError.
    """
    given = {
        "quiescent_ma": quiescent_ma, "standby_hours": standby_hours, "alarm_ma": alarm_ma,
        "alarm_minutes": alarm_minutes,
    }
    for name, value in given.items():
        if not 0 <= value < float("inf"):
            raise RuleError("is not a figure to compute with", field=name, value=value, remedy="Give 0 or more.")
    if not 1 <= ageing_factor < 10:
        raise RuleError(
            "an old battery holds less than a new one, not more", field="ageing_factor", value=ageing_factor,
            remedy="Give 1 or more, such as 1.25.",
        )
    standby_ah, alarm_ah = quiescent_ma / 1000 * standby_hours, alarm_ma / 1000 * alarm_minutes / 60
    plain_ah = ageing_factor * (standby_ah + alarm_ah)
    if not high_current or plain_ah / 20 >= alarm_ma / 1000:
        return plain_ah
    return ageing_factor * (standby_ah + HIGH_CURRENT_FACTOR * alarm_ah)


def next_size_ah(capacity_ah: float, sizes_ah: Sequence[float] = COMMON_SIZES_AH) -> float | None:
    """The smallest common battery of at least that capacity in Ah; None: more than one battery would be needed."""
    return min((size for size in sizes_ah if size >= capacity_ah - 1e-9), default=None)


def rechargeable_ah(recharge_ma: float, recharge_hours: float, recharge_percent: float = 80.0) -> float:
    """The largest battery in Ah that a charging current brings back to `recharge_percent` in the time.

    C = efficiency x I x T / share, with an efficiency of 0.8: to 80 % this is the simple form, capacity = current x
    time, of which the source says that the standard asks for 80 % only. Counting the 80 % as a gain would allow a
    battery a quarter larger; the simple form is the one on the safe side, and the fifth pays for what charging loses.
    Raises RuleError.
    """
    if not (0 <= recharge_ma < float("inf") and 0 < recharge_hours < float("inf")):
        raise RuleError(
            "is not a charging current and time", field="recharge_ma", value=f"{recharge_ma} mA, {recharge_hours} h",
            remedy="Give 0 mA or more and more than 0 h.",
        )
    if not 0 < recharge_percent <= 100:
        raise RuleError(
            "is not a share of the capacity", field="recharge_percent", value=recharge_percent,
            remedy="Give more than 0 and at most 100 %.",
        )
    return CHARGE_EFFICIENCY * recharge_ma / 1000 * recharge_hours / (recharge_percent / 100)


def largest_size_ah(capacity_ah: float, sizes_ah: Sequence[float] = COMMON_SIZES_AH) -> float | None:
    """The largest common battery of at most that capacity in Ah; None: not even the smallest."""
    return max((size for size in sizes_ah if size <= capacity_ah + 1e-9), default=None)
