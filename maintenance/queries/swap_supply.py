"""What a swap does to the panel's supply: volts at the devices and the battery's need, before and after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from installs.queries.supply import computed, draw_of, system_facts
from installs.queries.supply_rows import Draw, SupplyAnswer, SupplyFacts

if TYPE_CHECKING:
    from installs.models import Device
    from maintenance.queries.swaps import WhyNot
    from stock.models import Variant

# What the facts of one system take; everything else is computed.
STATEMENTS = 6


@dataclass(frozen=True)
class SwapSupply:
    """Before and after, in words and figures: V, Ah; None where the record lacks a figure.

    `tone` is bad where something falls short after the swap, `headline` says it in a sentence, `warnings` what must
    be put right. The lowest device is the one with the least margin.
    """

    tone: str
    headline: str
    warnings: tuple[str, ...]
    before_lowest: str
    after_lowest: str
    before_needed_ah: float | None
    after_needed_ah: float | None
    before_own: str
    after_own: str
    fitted_ah: float | None
    missing: tuple[str, ...]


def swap_supply(device: Device, variant: Variant) -> SwapSupply | None:
    """What fitting a cover of `variant` on the device does to its panel's supply; None where the system has no
    panel. For callers that have checked that the person may see the device's swaps. Six statements."""
    facts = system_facts(device.system_id)
    return None if facts is None else effect(facts, device.pk, draw_of(variant))


def option_supplies(found: WhyNot) -> dict[str, SwapSupply]:
    """The same for every cover of `why_not`, by its code. Six statements, whatever their number."""
    facts = system_facts(found.device.system_id)
    if facts is None:
        return {}
    return {
        option.cover.code: effect(facts, found.device.pk, draw_of(option.cover)) for option in found.options
    }


def effect(facts: SupplyFacts, device_id: int, draw: Draw) -> SwapSupply:
    """Before and after, from the facts. No statement."""
    before, after = computed(facts), computed(facts, instead={device_id: draw})
    warnings = tuple(_warnings(before, after))
    known = after.worst is not None or after.battery.needed_ah is not None
    if warnings:
        tone, headline = "bad", "With this cover the supply falls short."
    elif not known:
        tone, headline = "info", "What the swap does to the supply cannot be computed."
    else:
        tone, headline = "ok", "The supply carries this cover, as far as the record tells."
    return SwapSupply(
        tone=tone,
        headline=headline,
        warnings=warnings,
        before_lowest=_lowest(before),
        after_lowest=_lowest(after),
        before_needed_ah=before.battery.needed_ah,
        after_needed_ah=after.battery.needed_ah,
        before_own=_own(before, device_id),
        after_own=_own(after, device_id),
        fitted_ah=after.battery.fitted_ah,
        missing=after.missing,
    )


def _warnings(before: SupplyAnswer, after: SupplyAnswer) -> list[str]:
    """What is short after the swap, and whether it was before."""
    found: list[str] = []
    was_short = {line.device_id for line in before.lines if line.short}
    for line in after.lines:
        if line.short and line.lowest_v is not None:
            today = " (as it does today already)" if line.device_id in was_short else ""
            found.append(
                f"{line.mark} gets too little{today}: {line.lowest_v:.2f} V in {line.lowest_case}, and it needs "
                f"{line.least_v:g} V."
            )
    fitted, needed, needed_before = after.battery.fitted_ah, after.battery.needed_ah, before.battery.needed_ah
    if fitted is not None and needed is not None and fitted < needed:
        today = " (as it is today already)" if needed_before is not None and fitted < needed_before else ""
        found.append(f"The fitted battery of {fitted:g} Ah is too small{today}: {needed:.2f} Ah are needed.")
    limit = after.battery.rechargeable_ah
    if needed is not None and limit is not None and needed > limit:
        found.append(f"The panel recharges {limit:.1f} Ah in time, and {needed:.1f} Ah are needed.")
    return found + [problem for problem in after.problems if problem not in found]


def _lowest(answer: SupplyAnswer) -> str:
    """The device with the least margin, in words."""
    worst = answer.worst
    if worst is None or worst.lowest_v is None or worst.margin_v is None:
        return "cannot be computed"
    return f"{worst.mark}: {worst.lowest_v:.2f} V in {worst.lowest_case}, margin {worst.margin_v:.2f} V"


def _own(answer: SupplyAnswer, device_id: int) -> str:
    """The swapped device's own lowest volts, in words."""
    line = next((line for line in answer.lines if line.device_id == device_id), None)
    if line is None or line.lowest_v is None:
        return "cannot be computed"
    return f"{line.lowest_v:.2f} V in {line.lowest_case}; it needs {line.least_v:g} V"
