"""What the page of a panel's supply shows, as plain rows, and the facts that it is computed from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from config.accounts.models import Firm
from installs.models import Device, Panel, Site
from installs.rules import standby, supply
from stock.models import CableType


@dataclass(frozen=True)
class Draw:
    """What a cover draws and needs: currents in mA, volts it works between."""

    quiescent_ma: float
    maximum_ma: float
    least_v: float
    greatest_v: float


@dataclass(frozen=True)
class Feed:
    """A device's power feed as taken: `fed_from` None is the panel. Not `recorded`: taken to follow the signals."""

    fed_from: int | None
    run_m: float
    cable: str
    cable_type_id: int
    cores_per_pole: int
    recorded: bool


@dataclass(frozen=True)
class SupplyFacts:
    """All that the computation of one panel needs, as read. `spec`: cables by key; `unfed`: devices without a known
    feed, and why."""

    panel: Panel
    site: Site
    devices: Mapping[int, Device]
    draws: Mapping[int, Draw]
    feeds: Mapping[int, Feed]
    unfed: Mapping[int, str]
    cables: Mapping[int, CableType]
    firm: Firm
    rules: tuple[standby.StandbyRow, ...]


@dataclass(frozen=True)
class DeviceLine:
    """One device's line: `volts` in the order of CASES, in volts; None where a figure is missing."""

    device_id: int
    mark: str
    position: str
    variant: str
    feed: Feed | None
    fed_from: str
    volts: tuple[float | None, ...]
    least_v: float
    lowest_v: float | None
    lowest_case: str
    margin_v: float | None
    cause: str
    cures: tuple[str, ...]
    note: str

    @property
    def readings(self) -> tuple[tuple[str, float | None], ...]:
        """Each case in brief with its volts."""
        return tuple((case.brief, volts) for case, volts in zip(supply.CASES, self.volts, strict=True))

    @property
    def short(self) -> bool:
        return self.margin_v is not None and self.margin_v < 0


@dataclass(frozen=True)
class BatteryAnswer:
    """The battery: capacities in Ah, currents in mA. `problems` need something done, `notes` should be known."""

    rule: standby.StandbyRow | None
    quiescent_ma: float
    alarm_ma: float
    needed_ah: float | None
    needed_size_ah: float | None
    high_current_ah: float | None
    fitted_ah: float | None
    fitted_on: date | None
    rechargeable_ah: float | None
    recharge_size_ah: float | None
    problems: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SupplyAnswer:
    """Everything on the page of one panel's supply."""

    panel: Panel
    site: Site
    lines: tuple[DeviceLine, ...]
    battery: BatteryAnswer
    output_ma: float
    output_limit_ma: float | None
    missing: tuple[str, ...]
    problems: tuple[str, ...]
    assumptions: tuple[str, ...]
    cases: tuple[supply.Case, ...] = field(default=supply.CASES)

    @property
    def worst(self) -> DeviceLine | None:
        """The device with the least margin; None where no margin is known."""
        known = [(line.margin_v, number) for number, line in enumerate(self.lines) if line.margin_v is not None]
        return self.lines[min(known)[1]] if known else None
