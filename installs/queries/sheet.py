"""The site sheet: one look at everything that is installed at a site.

Measured: serializers and templates cost more than the database, so the sheet is read in a fixed number of
statements as plain values and rendered from dataclasses.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from config.accounts.rights import Right
from installs import sections
from installs.models import Circuit, CircuitPlace, Device, Document, InputBand, Site, System
from installs.queries import labels
from installs.queries.loop_values import PLACE_FIELDS, is_kept, kept_or_computed
from installs.queries.sheet_rows import (
    Band,
    CircuitSheet,
    DeviceSheet,
    DocumentLine,
    PanelSheet,
    PlaceSheet,
    SiteSheet,
    SystemSheet,
)
from installs.sections import NOTHING, SheetExtras, SubjectExtras
from stock.models.catalogue import EnvironmentalClass, Variant

if TYPE_CHECKING:
    from config.accounts.models import User

# Site, systems with panels, circuits, devices, places, documents; the sections come on top, and the bands while the
# loop table of some circuit is stale.
OWN_STATEMENTS = 6

_SITE = (
    "id", "reference", "name", "street", "town", "postcode", "grade", "environmental_class", "contract",
    "in_use_since", "cautions", "branch__name", "customer__name", "customer__phone",
)
_CIRCUIT = (
    "id", "number", "zone", "eol_ohm", "profile_id", "profile__code", "topology__name", "topology__circuit",
    "topology__functions", "cable_type__name", "cable_type__ohm_per_km_20",
    "cable_type__temperature_coefficient_per_k", "cable_type__tolerance_percent", "panel__system_id",
    "panel__system__site__environmental_class", "loop_table__stale", "loop_table__table",
)
_DEVICE = (
    "id", "system_id", "mark", "position", "serial_id", "serial__number", "signalling_wires", "core_landings",
    "hand_wired", "settings", "fitted_on", "variant__code", "variant__name", "variant__technology",
    "variant__grade", "variant__discontinued_on", "variant__settings_schema", "variant__factory_settings",
    "variant__outputs", "backplate__item__name", "backplate__generation", "board__item__name",
    "board__presets_values", "board__eol_ohm", "board__alarm_ohm", "board__mask_ohm",
    "board__tolerance_percent", "board__topology__name", "cable_type__name", "cable_type__cores",
)


def site_sheet(user: User, site_id: int) -> SiteSheet | None:
    """The sheet of a site in OWN_STATEMENTS statements (one more while a loop table is stale) plus those of the
    registered sections.

    None if there is no such site or the person may not open it. Access notes are not even read for a
    person whose role does not carry them.
    """
    fields = [*_SITE, *(["access_notes"] if user.has_right(Right.SEE_ACCESS_NOTES) else [])]
    site = Site.objects.visible_to(user).filter(pk=site_id).values(*fields).first()
    if site is None:
        return None
    systems: list[Any] = list(
        System.objects.filter(site_id=site_id)
        .order_by("id")
        .values(
            "id", "name", "panel__id", "panel__type__name", "panel__type__grade", "panel__serial_number",
            "panel__place", "panel__battery_ah", "panel__battery_fitted_on",
        )
    )
    circuits: list[Any] = list(
        Circuit.objects.filter(panel__system__site_id=site_id).order_by("panel_id", "number").values(*_CIRCUIT)
    )
    bands: dict[int, list[Band]] = defaultdict(list)
    stale = {circuit["profile_id"] for circuit in circuits if not is_kept(circuit)}
    if stale:
        for band in InputBand.objects.filter(profile_id__in=stale).order_by("profile_id", "low_ohm"):
            bands[band.profile_id].append(Band(band.state, band.low_ohm, band.high_ohm))
    devices: list[Any] = list(
        Device.objects.filter(system__site_id=site_id, removed_on=None).order_by("mark", "id").values(*_DEVICE)
    )
    places: dict[int, list[Any]] = defaultdict(list)
    for place in (
        CircuitPlace.objects.filter(circuit__panel__system__site_id=site_id)
        .order_by("circuit_id", "order")
        .values(*PLACE_FIELDS)
    ):
        places[place["circuit_id"]].append(place)
    documents = Document.objects.filter(site_id=site_id).order_by("-added_at", "-id")[:50].values(
        "id", "kind", "title", "added_at"
    )
    papers = tuple(
        DocumentLine(row["id"], Document.Kind(row["kind"]).label, row["title"], row["added_at"]) for row in documents
    )
    extras = sections.gather(user, site_id)
    return SiteSheet(
        **{name: site[name] for name in _SITE if "__" not in name and name not in _WORDED},
        environmental_class=EnvironmentalClass(site["environmental_class"]).label,
        contract=Site.Contract(site["contract"]).label,
        branch=site["branch__name"],
        customer=site["customer__name"],
        customer_phone=site["customer__phone"],
        access_notes=site.get("access_notes"),
        next_visit=extras.next_visit,
        flags=extras.site.flags,
        tests=extras.site.tests,
        systems=_systems(systems, circuits, devices, places, bands, extras),
        documents=papers,
        open_flags=sum(len(subject.flags) for subject in _subjects(extras)),
    )


_WORDED = {"environmental_class", "contract"}


def _subjects(extras: SheetExtras) -> Iterable[SubjectExtras]:
    return [extras.site, *extras.panels.values(), *extras.circuits.values(), *extras.devices.values()]


def _systems(
    systems: list[dict[str, Any]],
    circuits: list[dict[str, Any]],
    devices: list[dict[str, Any]],
    places: Mapping[int, list[dict[str, Any]]],
    bands: Mapping[int, list[Band]],
    extras: SheetExtras,
) -> tuple[SystemSheet, ...]:
    rows = {row["id"]: row for row in devices}
    sheets = {key: _device(row, extras.devices.get(key, NOTHING)) for key, row in rows.items()}
    placed: set[int] = set()
    of_system: dict[int, list[CircuitSheet]] = defaultdict(list)
    for circuit in circuits:
        live = [place for place in places.get(circuit["id"], []) if place["device_id"] in rows]
        lines = []
        for place in live:
            device = sheets[place["device_id"]]
            lines.append(
                PlaceSheet(
                    order=place["order"],
                    run_m=place["run_m"],
                    functions=tuple(place["functions"]),
                    device_id=device.id,
                    mark=device.mark,
                    position=device.position,
                    device=None if device.id in placed else device,
                )
            )
            placed.add(device.id)
        loop = kept_or_computed(circuit, live, rows, bands[circuit["profile_id"]])
        extra = extras.circuits.get(circuit["id"], NOTHING)
        of_system[circuit["panel__system_id"]].append(
            CircuitSheet(
                id=circuit["id"],
                number=circuit["number"],
                zone=circuit["zone"],
                topology=circuit["topology__name"],
                profile=circuit["profile__code"],
                cable=circuit["cable_type__name"],
                total_run_m=sum(place["run_m"] for place in live),
                eol_ohm=circuit["eol_ohm"],
                eol_at_last_device=circuit["eol_ohm"] is None and circuit["topology__circuit"].get("end") != "link",
                bands=loop.bands,
                loop=loop,
                places=tuple(lines),
                flags=extra.flags,
                tests=extra.tests,
            )
        )
    return tuple(
        SystemSheet(
            id=row["id"],
            name=row["name"],
            panel=_panel(row, extras.panels.get(row["panel__id"], NOTHING)) if row["panel__id"] else None,
            circuits=tuple(of_system.get(row["id"], ())),
            unplaced=tuple(
                sheets[key] for key, device in rows.items()
                if device["system_id"] == row["id"] and key not in placed
            ),
        )
        for row in systems
    )


def _panel(row: Mapping[str, Any], extra: SubjectExtras) -> PanelSheet:
    return PanelSheet(
        id=row["panel__id"],
        type=row["panel__type__name"],
        grade=row["panel__type__grade"],
        serial_number=row["panel__serial_number"],
        place=row["panel__place"],
        battery_ah=None if row["panel__battery_ah"] is None else float(row["panel__battery_ah"]),
        battery_fitted_on=row["panel__battery_fitted_on"],
        flags=extra.flags,
        tests=extra.tests,
    )


def _device(row: Mapping[str, Any], extra: SubjectExtras) -> DeviceSheet:
    landings = labels.landing_lines(row["cable_type__cores"], row["core_landings"])
    settings = labels.setting_lines(
        row["variant__settings_schema"], row["settings"], row["variant__factory_settings"]
    )
    return DeviceSheet(
        id=row["id"],
        mark=row["mark"],
        position=row["position"],
        variant_code=row["variant__code"],
        variant_name=row["variant__name"],
        technology=Variant.Technology(row["variant__technology"]).label,
        grade=row["variant__grade"],
        discontinued_on=row["variant__discontinued_on"],
        serial_number=row["serial__number"],
        serial_id=row["serial_id"],
        backplate=row["backplate__item__name"],
        backplate_generation=row["backplate__generation"],
        board=row["board__item__name"],
        signalling_wires=row["signalling_wires"],
        cable=row["cable_type__name"],
        landings=landings,
        spare_cores=tuple(landing.core for landing in landings if landing.terminal is None),
        hand_wired=labels.hand_wired_lines(row["hand_wired"]),
        settings=settings,
        changed_settings=sum(setting.changed for setting in settings),
        fitted_on=row["fitted_on"],
        flags=extra.flags,
        tests=extra.tests,
    )
