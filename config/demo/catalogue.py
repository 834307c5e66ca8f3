# mypy: disable-error-code="no-untyped-call"
"""The catalogue of the invented firm as records of the database, from the plain rows in ranges.py."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

from config.demo import factories as make
from config.demo.ranges import BOARDS, FAMILIES, PANELS, VARIANTS, BoardRow, ProfileRow, VariantRow, bands_of
from config.demo.schemas import factory_settings, settings_schema
from config.demo.topologies import topology_rows
from installs.models import InputBand, InputProfile, PanelType
from stock.models import Backplate, Board, CableType, Family, Item, KitLine, Topology, Variant

TERMINALS = ["A1", "A2", "T1", "T2", "M1", "M2", "+", "-"]
TERMINALS_WITHOUT_MASK = ["A1", "A2", "T1", "T2", "+", "-"]

_CORES = ["red", "black", "blue", "yellow", "green", "white", "orange", "brown"]
# code, name, cores, mm² of a core, Ω/km of a core at 20 °C (7/0.2 mm: common practice; 0.5 mm² plain class 1:
# IEC 60228:2004, Table 1)
CABLES = (
    ("four-core", "4-core alarm cable 7/0.2", 4, "0.220", 85.0),
    ("six-core", "6-core alarm cable 7/0.2", 6, "0.220", 85.0),
    ("eight-core", "8-core alarm cable 7/0.2", 8, "0.220", 85.0),
    ("six-core-solid", "6-core solid 0.5 mm²", 6, "0.500", 36.0),
)
# sku, name, setting, value, families
INSERTS = (
    ("IN-CUR-BF", "Curtain insert Brackenfold", "field_of_view", "curtain", ("bf", "ox")),
    ("IN-CUR-QS", "Curtain insert Quernstone and Fenwillow", "field_of_view", "curtain", ("qs", "fw")),
    ("IN-CREEP", "Creep-zone optic", "creep_zone", True, ("qs", "fw")),
    ("IN-WLF-A", "White-light filter A", "white_light_filter", True, ("bf", "ml")),
    ("IN-WLF-B", "White-light filter B", "white_light_filter", True, ("fw", "qs")),
)
SPARES = (
    ("SP-BAT-7", "Battery 12 V 7 Ah", Item.Tracking.BATCH),
    ("SP-BAT-17", "Battery 12 V 17 Ah", Item.Tracking.BATCH),
    ("SP-SCREW", "Cover screws, bag of 50", Item.Tracking.NONE),
    ("SP-RES-4K7", "Resistors 4k7 1 %, bag of 100", Item.Tracking.NONE),
    ("SP-RES-1K", "Resistors 1k 1 %, bag of 100", Item.Tracking.NONE),
    ("SP-LABEL", "Service labels, roll", Item.Tracking.NONE),
)


@dataclass
class Catalogue:
    """What the generator looks things up in."""

    rows: dict[str, VariantRow] = field(default_factory=dict)
    variants: dict[str, Variant] = field(default_factory=dict)
    covers: dict[str, Item] = field(default_factory=dict)
    backplates: dict[tuple[str, int], Backplate] = field(default_factory=dict)
    boards: dict[str, Board] = field(default_factory=dict)
    board_rows: dict[str, BoardRow] = field(default_factory=dict)
    cables: dict[str, CableType] = field(default_factory=dict)
    topologies: dict[str, Topology] = field(default_factory=dict)
    panels: dict[str, PanelType] = field(default_factory=dict)
    profiles: dict[tuple[str, str], InputProfile] = field(default_factory=dict)
    profile_rows: dict[tuple[str, str], ProfileRow] = field(default_factory=dict)
    inserts: dict[str, Item] = field(default_factory=dict)
    spares: dict[str, Item] = field(default_factory=dict)
    kits: dict[str, list[Item]] = field(default_factory=dict)


def load_catalogue(today: date) -> Catalogue:
    """Write the whole catalogue; `today` anchors the dates of discontinued variants."""
    catalogue = Catalogue()
    for code, row in topology_rows().items():
        catalogue.topologies[code] = make.TopologyFactory.create(code=code, **row)
    families = _families(catalogue)
    _boards(catalogue, families)
    _small_parts(catalogue, families)
    _variants(catalogue, families, today)
    _kits(catalogue)
    _panels(catalogue)
    return catalogue


def _families(catalogue: Catalogue) -> dict[str, Family]:
    families: dict[str, Family] = {}
    for code, (name, years, generations, with_mask) in FAMILIES.items():
        family = families[code] = make.FamilyFactory.create(code=code, name=name, service_life_years=years)
        for generation in generations:
            item = make.ItemFactory.create(
                sku=f"BP-{code.upper()}-{generation}",
                name=f"Backplate {name}, generation {generation}",
                kind=Item.Kind.BACKPLATE,
                family=family,
            )
            catalogue.backplates[code, generation] = make.BackplateFactory.create(
                item=item,
                family=family,
                generation=generation,
                terminals=TERMINALS if generation in with_mask else TERMINALS_WITHOUT_MASK,
            )
    return families


def _boards(catalogue: Catalogue, families: dict[str, Family]) -> None:
    for row in BOARDS:
        item = make.ItemFactory.create(sku=row.sku, name=row.name, kind=Item.Kind.BOARD)
        catalogue.board_rows[row.sku] = row
        catalogue.boards[row.sku] = make.BoardFactory.create(
            item=item,
            topology=catalogue.topologies[row.topology],
            signalling_wires=row.wires,
            presets_values=row.eol_ohm is not None,
            eol_ohm=row.eol_ohm,
            alarm_ohm=row.alarm_ohm,
            mask_ohm=row.mask_ohm,
            generations=[1, 2],
            families=[families[code] for code in row.families],
        )


def _small_parts(catalogue: Catalogue, families: dict[str, Family]) -> None:
    for sku, name, setting, value, fits in INSERTS:
        item = make.ItemFactory.create(sku=sku, name=name, kind=Item.Kind.INSERT)
        make.InsertFactory.create(item=item, setting=setting, value=value, families=[families[code] for code in fits])
        catalogue.inserts[sku] = item
    for code, name, cores, area, ohm in CABLES:
        item = make.ItemFactory.create(sku=f"CB-{code.upper()}", name=name, kind=Item.Kind.CABLE, unit="m")
        catalogue.cables[code] = make.CableTypeFactory.create(
            item=item, code=code, name=name, cores=_CORES[:cores], area_mm2=area, ohm_per_km_20=ohm
        )
        catalogue.spares[item.sku] = item
    for sku, name, tracking in SPARES:
        catalogue.spares[sku] = make.ItemFactory.create(sku=sku, name=name, tracking=tracking)


def _variants(catalogue: Catalogue, families: dict[str, Family], today: date) -> None:
    for row in VARIANTS:
        family = families[row.family]
        dual = row.features.microwave
        cover = make.CoverFactory.create(sku=f"CV-{row.code}", name=f"Cover {row.code}", family=family)
        catalogue.rows[row.code] = row
        catalogue.covers[row.code] = cover
        catalogue.variants[row.code] = make.VariantFactory.create(
            code=row.code,
            name=f"{family.name} {row.words}",
            family=family,
            cover=cover,
            technology=Variant.Technology.PIR_MICROWAVE if dual else Variant.Technology.PIR,
            grade=row.grade,
            environmental_class=row.environmental_class,
            generation=row.generation,
            anti_mask=row.features.anti_mask,
            outputs=list(row.outputs),
            backplate_generations=list(row.backplates),
            supply_min_v=9 if row.generation == 2 else 10,
            supply_max_v=16 if row.generation == 2 else 15,
            quiescent_ma=(14 if dual else 8) + (4 if row.features.anti_mask else 0),
            maximum_ma=(24 if dual else 14) + (6 if row.features.anti_mask else 0),
            settings_schema=settings_schema(row.features),
            factory_settings=factory_settings(row.features),
            discontinued_on=today - timedelta(days=round(365.25 * row.gone_years)) if row.gone_years else None,
        )
    for row in VARIANTS:
        if row.successor:
            variant = catalogue.variants[row.code]
            variant.successor = catalogue.variants[row.successor]
            variant.save(update_fields=["successor"])


def _kits(catalogue: Catalogue) -> None:
    """A complete detector: cover, backplate of the newest generation it clips to, board, and its inserts."""
    lines = []
    for code, row in catalogue.rows.items():
        board = "BD-T-4K7" if row.features.anti_mask else "BD-D-4K7"
        items = [
            catalogue.covers[code],
            catalogue.backplates[row.family, max(row.backplates)].item,
            catalogue.boards[board].item,
        ]
        if row.features.creep_zone:
            items.append(catalogue.inserts["IN-CREEP"])
        elif row.features.curtain:
            items.append(catalogue.inserts["IN-CUR-BF" if row.family in ("bf", "ox") else "IN-CUR-QS"])
        catalogue.kits[code] = items
        lines += [KitLine(variant=catalogue.variants[code], item=item) for item in items]
    KitLine.objects.bulk_create(lines)


_SUPPLY = (
    "supply_mains_v", "supply_end_v", "supply_output_ma", "own_quiescent_ma", "own_alarm_ma", "recharge_ma",
)
_SOURCE = ("reference_v", "pull_up_ohm", "pull_up_tolerance_percent")


def _panels(catalogue: Catalogue) -> None:
    bands = []
    for panel in PANELS:
        panel_type = make.PanelTypeFactory.create(
            code=panel.code, name=panel.name, grade=panel.grade, **dict(zip(_SUPPLY, panel.supply, strict=True))
        )
        catalogue.panels[panel.code] = panel_type
        for row in panel.profiles:
            profile = make.InputProfileFactory.create(
                panel_type=panel_type, code=row.code, topology=catalogue.topologies[row.topology],
                **dict(zip(_SOURCE, row.source, strict=True)),
            )
            catalogue.profiles[panel.code, row.code] = profile
            catalogue.profile_rows[panel.code, row.code] = row
            # The ohms of bands in volts follow by trigger.
            low, high = ("low_v", "high_v") if row.volts else ("low_ohm", "high_ohm")
            bands += [
                InputBand(profile=profile, state=state, **{low: first, high: last})
                for state, first, last in row.volts or bands_of(row)
            ]
    InputBand.objects.bulk_create(bands)
