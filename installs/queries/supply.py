"""A panel's supply: volts at each device, and the battery against the firm's standby rule.

The record is read once into `SupplyFacts`; `computed` works on that alone, so that a swap can be supposed on it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from django.utils import timezone

from config.accounts.models import Firm
from installs.models import CircuitPlace, Device, Panel, PowerFeed, PsuType, Site, StandbyRule
from installs.queries import scope
from installs.queries.supply_rows import BatteryAnswer, DeviceLine, Draw, Feed, SupplyAnswer, SupplyFacts
from installs.rules import standby, supply
from installs.rules.conductors import class_temperatures_c
from installs.rules.errors import RuleError
from installs.rules.loop_states import CableSpec
from stock.models import CableType

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from config.accounts.models import User

# Panel with type, site; devices with variant, cable and feed; places; cables; the firm; its standby rules.
STATEMENTS = 6


def panel_supply(user: User, panel_id: int, *, on: date | None = None) -> SupplyAnswer | None:
    """The supply of a panel that the person may see, else None. Six statements; `on` is the day for the battery's
    age."""
    facts = _facts(scope.panels(user).filter(pk=panel_id))
    return None if facts is None else computed(facts, on=on)


def system_facts(system_id: int) -> SupplyFacts | None:
    """The facts of a system's panel, None if it has none, for callers that have checked that the person may see
    it. Six statements."""
    return _facts(Panel.objects.filter(system_id=system_id))


def power_feeds(user: User) -> QuerySet[PowerFeed]:
    """Recorded feeds at sites that the person may see."""
    return PowerFeed.objects.filter(device__system__site__in=Site.objects.visible_to(user))


def feed_shown(device: Device) -> dict[str, Any]:
    """A device's feed as a form shows it: as recorded, else as taken to follow the signals. Three statements."""
    feed = system_feeds(device.system_id)[1].get(device.pk)
    if feed is None:
        return {"cable_type": device.cable_type_id, "cores_per_pole": 1}
    return {
        "fed_from": feed.fed_from, "run_m": feed.run_m, "cable_type": feed.cable_type_id,
        "cores_per_pole": feed.cores_per_pole,
    }


def system_feeds(system_id: int) -> tuple[dict[int, Device], dict[int, Feed]]:
    """The live devices of a system and the known feeds among them. Three statements."""
    devices = {
        found.pk: found
        for found in Device.objects.filter(system_id=system_id, removed_on=None).select_related("power_feed")
    }
    cables = {cable.pk: cable for cable in CableType.objects.all()}
    return devices, feeds_of(devices, _places(system_id), cables)[0]


def _places(system_id: int) -> list[CircuitPlace]:
    """Places of live devices, by circuit number and then along the circuit."""
    return list(
        CircuitPlace.objects.filter(circuit__panel__system_id=system_id, device__removed_on=None)
        .select_related("circuit")
        .order_by("circuit__number", "order")
    )


def draw_of(variant: Any) -> Draw:
    """What a variant's cover draws and needs."""
    return Draw(
        float(variant.quiescent_ma), float(variant.maximum_ma), float(variant.supply_min_v), float(variant.supply_max_v)
    )


def _facts(panels: QuerySet[Panel]) -> SupplyFacts | None:
    panel = panels.select_related("type", "system__site").first()
    if panel is None:
        return None
    site = panel.system.site
    found = (
        Device.objects.filter(system_id=panel.system_id, removed_on=None)
        .select_related("variant", "power_feed")
        .order_by("mark", "id")
    )
    devices = {device.pk: device for device in sorted(found, key=lambda device: (len(device.mark), device.mark))}
    places = _places(panel.system_id)
    cables = {cable.pk: cable for cable in CableType.objects.all()}
    firm = Firm.objects.get(pk=1)
    rules = tuple(
        standby.StandbyRow(
            rule.scheme, rule.grade, rule.psu_type, rule.fault_signalled, float(rule.standby_hours),
            None if rule.recharge_hours is None else float(rule.recharge_hours), rule.source, rule.alarm_minutes,
            rule.recharge_percent,
        )
        for rule in StandbyRule.objects.filter(scheme=firm.standby_scheme)
    )
    feeds, unfed = feeds_of(devices, places, cables)
    return SupplyFacts(
        panel, site, devices, {pk: draw_of(device.variant) for pk, device in devices.items()}, feeds, unfed, cables,
        firm, rules,
    )


def feeds_of(
    devices: Mapping[int, Device], places: Sequence[CircuitPlace], cables: Mapping[int, CableType]
) -> tuple[dict[int, Feed], dict[int, str]]:
    """Each device's feed, and why those without one have none.

    Without a recorded feed the power pair is taken to run with the signals of the device's first circuit (the lowest
    number) from the device before it there. `places` are in the order of circuit number and place.
    """
    followed: dict[int, Feed] = {}
    before: dict[int, int | None] = {}
    for place in places:
        last = before.get(place.circuit_id)
        before[place.circuit_id] = place.device_id
        cable = cables[place.circuit.cable_type_id]
        followed.setdefault(place.device_id, Feed(last, place.run_m, cable.name, cable.pk, 1, recorded=False))
    feeds: dict[int, Feed] = {}
    unfed: dict[int, str] = {}
    for pk, device in devices.items():
        row: PowerFeed | None = getattr(device, "power_feed", None)
        if row is not None:
            cable = cables[row.cable_type_id]
            feeds[pk] = Feed(row.fed_from_id, row.run_m, cable.name, cable.pk, row.cores_per_pole, recorded=True)
        elif pk in followed:
            feeds[pk] = followed[pk]
        else:
            unfed[pk] = "It is on no circuit and no power feed is recorded: record where it is fed from."
    # What hangs on a device without a known feed has none either.
    while True:
        lost = [pk for pk, feed in feeds.items() if feed.fed_from is not None and feed.fed_from not in feeds]
        if not lost:
            return feeds, unfed
        for pk in lost:
            feeder = feeds.pop(pk).fed_from
            known = feeder in devices
            unfed[pk] = (
                f"It is fed from {devices[feeder].mark}, whose own feed is not known."  # type: ignore[index]
                if known else "It is fed from a device that was removed: record where it is fed from now."
            )


def network_of(facts: SupplyFacts, draws: Mapping[int, Draw]) -> tuple[supply.FedDevice, ...]:
    """The devices with a known feed, as the rules want them."""
    return tuple(
        supply.FedDevice(
            key=str(pk),
            label=facts.devices[pk].mark,
            fed_from=supply.PANEL if feed.fed_from is None else str(feed.fed_from),
            run_m=feed.run_m,
            cable=_spec(facts.cables[feed.cable_type_id]),
            quiescent_ma=draws[pk].quiescent_ma,
            maximum_ma=draws[pk].maximum_ma,
            least_v=draws[pk].least_v,
            cores_per_pole=feed.cores_per_pole,
            area_mm2=float(facts.cables[feed.cable_type_id].area_mm2),
            # Cores are landed at the device whatever cable the feed names; of another cable nothing is known.
            spare_cores=_spare(facts.devices[pk]) if feed.cable_type_id == facts.devices[pk].cable_type_id else None,
        )
        for pk, feed in facts.feeds.items()
    )


def _spare(device: Device) -> int:
    return sum(terminal is None for terminal in device.core_landings.values())


def _spec(cable: CableType) -> CableSpec:
    return CableSpec(cable.ohm_per_km_20, cable.temperature_coefficient_per_k, cable.tolerance_percent)


def computed(
    facts: SupplyFacts, *, instead: Mapping[int, Draw] | None = None, on: date | None = None
) -> SupplyAnswer:
    """The whole answer from the facts; `instead` supposes other covers on some devices. No statement."""
    draws = {**facts.draws, **(instead or {})}
    kind = facts.panel.type
    of_panel = supply.Supply(
        _number(kind.supply_mains_v), _number(kind.supply_end_v), _number(kind.supply_output_ma)
    )
    warmest_c = class_temperatures_c(facts.site.environmental_class)[1]
    thicker = [supply.ThickerCable(float(cable.area_mm2), _spec(cable)) for cable in facts.cables.values()]
    problems: list[str] = []
    rows: dict[str, supply.DeviceVolts] = {}
    try:
        rows = {
            row.key: row
            for row in supply.device_volts(
                network_of(facts, draws), of_panel, temperature_c=warmest_c, thicker=thicker
            )
        }
    except RuleError as error:
        problems.append(f"No volts can be computed: {error.message}. {error.remedy}")
    lines = tuple(_line(facts, pk, draws[pk], rows.get(str(pk)), of_panel.mains_v) for pk in facts.devices)
    output_ma = sum(draws[pk].maximum_ma for pk in facts.devices) + facts.panel.other_alarm_ma
    if of_panel.output_ma is not None and output_ma > of_panel.output_ma:
        problems.append(
            f"In full alarm the outputs are to give {output_ma:g} mA, {output_ma - of_panel.output_ma:g} mA more than "
            f"the {of_panel.output_ma:g} mA of {kind.name}: move devices to a supply of their own."
        )
    return SupplyAnswer(
        panel=facts.panel,
        site=facts.site,
        lines=lines,
        battery=_battery(facts, draws, on or timezone.localdate()),
        output_ma=output_ma,
        output_limit_ma=of_panel.output_ma,
        missing=_missing(facts),
        problems=tuple(problems),
        assumptions=(
            "Devices draw a constant current whatever the voltage; in full alarm every device draws its greatest.",
            f"Cable at {warmest_c:g} °C, the warmest of the site's environmental class, and at the top of its "
            "tolerance; both poles counted; joints and terminals taken as sound.",
            "The outputs hold their volts under load up to their greatest current.",
            "Power-supply ripple and inrush currents are not computed.",
        ),
    )


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _line(
    facts: SupplyFacts, pk: int, draw: Draw, row: supply.DeviceVolts | None, mains_v: float | None
) -> DeviceLine:
    device, feed = facts.devices[pk], facts.feeds.get(pk)
    notes = [facts.unfed.get(pk, "")]
    if mains_v is not None and mains_v > draw.greatest_v:
        notes.append(f"On mains the supply gives {mains_v:g} V; the device takes {draw.greatest_v:g} V at most.")
    fed_from = ""
    if feed is not None:
        fed_from = "the panel" if feed.fed_from is None else facts.devices[feed.fed_from].mark
    return DeviceLine(
        device_id=pk,
        mark=device.mark,
        position=device.position,
        variant=device.variant.code,
        feed=feed,
        fed_from=fed_from,
        volts=tuple(None if row is None else row.volts[case.key] for case in supply.CASES),
        least_v=draw.least_v,
        lowest_v=row.lowest_v if row else None,
        lowest_case=row.lowest_case if row else "",
        margin_v=row.margin_v if row else None,
        cause=row.cause if row else "",
        cures=row.cures if row else (),
        note=" ".join(filter(None, notes)),
    )


_FIGURES = (
    ("supply_mains_v", "volts at the device outputs on mains: the two cases with mains are left out"),
    ("supply_end_v", "volts at the device outputs on a discharged battery: the two cases on battery are left out"),
    ("supply_output_ma", "greatest output current: the load is not compared with it"),
    ("own_quiescent_ma", "own current when quiet: the battery's need is not computed"),
    ("own_alarm_ma", "own current in full alarm: the battery's need is not computed"),
    ("recharge_ma", "charging current: the largest battery it recharges is not computed"),
)


def _missing(facts: SupplyFacts) -> tuple[str, ...]:
    kind = facts.panel.type
    return tuple(
        f"{kind.name}: {words} ({name} of the panel type)." for name, words in _FIGURES if getattr(kind, name) is None
    )


def _battery(facts: SupplyFacts, draws: Mapping[int, Draw], today: date) -> BatteryAnswer:
    panel, kind, firm = facts.panel, facts.panel.type, facts.firm
    quiescent_ma = sum(draws[pk].quiescent_ma for pk in facts.devices) + panel.other_quiescent_ma
    alarm_ma = sum(draws[pk].maximum_ma for pk in facts.devices) + panel.other_alarm_ma
    quiescent_ma += kind.own_quiescent_ma or 0
    alarm_ma += kind.own_alarm_ma or 0
    problems: list[str] = []
    notes: list[str] = []
    signalled = facts.site.contract == Site.Contract.SIGNALLED
    rule = standby.standby_row(
        facts.rules, scheme=firm.standby_scheme, grade=facts.site.grade, psu_type=kind.psu_type,
        fault_signalled=signalled,
    )
    needed = high = recharge = None
    if rule is None:
        problems.append(
            f"No standby rule of {firm.standby_scheme} for grade {facts.site.grade} and a supply of type "
            f"{kind.psu_type}: add one on the administration pages, or choose another scheme in the firm's settings."
        )
    elif kind.own_quiescent_ma is not None and kind.own_alarm_ma is not None:
        try:
            needed, high = (
                standby.battery_capacity_ah(
                    quiescent_ma, rule.standby_hours, alarm_ma, rule.alarm_minutes,
                    ageing_factor=float(firm.battery_ageing_factor), high_current=extra,
                )
                for extra in (False, True)
            )
        except RuleError as error:
            problems.append(f"The battery's need cannot be computed: {error}")
    if rule is not None and kind.recharge_ma is not None and kind.psu_type == PsuType.A and rule.recharge_hours:
        recharge = standby.rechargeable_ah(kind.recharge_ma, rule.recharge_hours, rule.recharge_percent)
    fitted = _number(panel.battery_ah)
    if fitted is None:
        notes.append("The fitted battery's capacity is not recorded (battery_ah of the panel).")
    if fitted is not None and needed is not None and fitted < needed:
        problems.append(f"The fitted {fitted:g} Ah are {needed - fitted:.1f} Ah less than needed.")
    if fitted is not None and recharge is not None and rule is not None and fitted > recharge:
        problems.append(
            f"The panel recharges {recharge:.1f} Ah at most in {rule.recharge_hours:g} h; the fitted {fitted:g} Ah "
            "take longer."
        )
    if needed is not None and recharge is not None and needed > recharge:
        problems.append(
            f"No battery does: {needed:.1f} Ah are needed and the panel recharges {recharge:.1f} Ah in time. Take load "
            "off it, or fit a supply of its own for a part of the devices."
        )
    if fitted is not None and high is not None and needed is not None and needed <= fitted < high:
        notes.append(
            f"With the extra for a high alarm current (fire practice, by analogy) {high:.1f} Ah would be needed."
        )
    notes.extend(_age(panel.battery_fitted_on, today))
    return BatteryAnswer(
        rule=rule,
        quiescent_ma=quiescent_ma,
        alarm_ma=alarm_ma,
        needed_ah=needed,
        needed_size_ah=None if needed is None else standby.next_size_ah(needed),
        high_current_ah=high,
        fitted_ah=fitted,
        fitted_on=panel.battery_fitted_on,
        rechargeable_ah=recharge,
        recharge_size_ah=None if recharge is None else standby.largest_size_ah(recharge),
        problems=tuple(problems),
        notes=tuple(notes),
    )


def _age(fitted_on: date | None, today: date) -> list[str]:
    if fitted_on is None:
        return ["When the battery was fitted is not recorded (battery_fitted_on of the panel)."]
    years = (today - fitted_on).days / 365.25
    if years <= standby.BATTERY_LIFE_YEARS:
        return []
    return [f"The battery is {years:.1f} years old; small sealed batteries are changed after 3 to 5 years (practice)."]
