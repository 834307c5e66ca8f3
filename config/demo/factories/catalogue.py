# mypy: disable-error-code="no-untyped-call,no-untyped-def,untyped-decorator"
"""Factories of the catalogue."""

from __future__ import annotations

import copy
from typing import Any

from factory.declarations import LazyAttribute, LazyFunction, SelfAttribute, Sequence, SubFactory
from factory.django import DjangoModelFactory
from factory.helpers import post_generation

from config.demo.topologies import topology_rows
from stock.models import Backplate, Board, CableType, Family, Insert, Item, KitLine, Topology, Variant

SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "properties": {
        "pir_range_m": {"type": "integer", "minimum": 6, "maximum": 18},
        "pet_immunity_kg": {"anyOf": [{"const": 0}, {"type": "integer", "minimum": 12, "maximum": 30}]},
        "led": {"type": "boolean"},
    },
    "required": ["pir_range_m", "pet_immunity_kg", "led"],
    "additionalProperties": False,
}
SETTINGS: dict[str, Any] = {"pir_range_m": 12, "pet_immunity_kg": 0, "led": True}


class TopologyFactory(DjangoModelFactory[Topology]):
    code = "double-eol"
    name = LazyAttribute(lambda t: topology_rows()[t.code]["name"])
    circuit = LazyAttribute(lambda t: topology_rows()[t.code]["circuit"])
    functions = LazyAttribute(lambda t: topology_rows()[t.code]["functions"])

    class Meta:
        model = Topology
        django_get_or_create = ("code",)


class FamilyFactory(DjangoModelFactory[Family]):
    code = Sequence(lambda n: f"family-{n}")
    name = Sequence(lambda n: f"Family {n}")
    service_life_years = 10

    class Meta:
        model = Family


class ItemFactory(DjangoModelFactory[Item]):
    """A spare part kept by quantity."""

    sku = Sequence(lambda n: f"SKU-{n:05d}")
    name = Sequence(lambda n: f"Item {n}")
    kind = Item.Kind.SPARE
    tracking = Item.Tracking.NONE

    class Meta:
        model = Item


class CoverFactory(ItemFactory):
    kind = Item.Kind.COVER
    tracking = Item.Tracking.SERIAL


class BackplateFactory(DjangoModelFactory[Backplate]):
    family = SubFactory(FamilyFactory)
    item = SubFactory(ItemFactory, kind=Item.Kind.BACKPLATE, family=SelfAttribute("..family"))
    generation = 1
    terminals = LazyFunction(lambda: ["A1", "A2", "T1", "T2", "M1", "M2", "+", "-"])

    class Meta:
        model = Backplate


class VariantFactory(DjangoModelFactory[Variant]):
    """A grade 2 PIR without anti-mask; `anti_mask=True` adds the mask output."""

    code = Sequence(lambda n: f"VAR-{n}")
    name = Sequence(lambda n: f"Detector {n}")
    family = SubFactory(FamilyFactory)
    cover = SubFactory(CoverFactory, family=SelfAttribute("..family"))
    technology = Variant.Technology.PIR
    grade = 2
    environmental_class = 2
    generation = 1
    anti_mask = False
    outputs = LazyAttribute(lambda v: ["alarm", "tamper", "mask"] if v.anti_mask else ["alarm", "tamper"])
    backplate_generations = LazyFunction(lambda: [1])
    supply_min_v = 9
    supply_max_v = 16
    quiescent_ma = 12
    maximum_ma = 18
    settings_schema = LazyFunction(lambda: copy.deepcopy(SCHEMA))
    factory_settings = LazyFunction(lambda: dict(SETTINGS))

    class Meta:
        model = Variant


class BoardFactory(DjangoModelFactory[Board]):
    """A double end-of-line board, 1 kΩ and 1 kΩ, on one pair. Pass `families=[...]` to say what it fits."""

    item = SubFactory(ItemFactory, kind=Item.Kind.BOARD)
    topology = SubFactory(TopologyFactory)
    signalling_wires = 2
    presets_values = True
    eol_ohm = LazyAttribute(lambda b: 1000 if b.presets_values else None)
    alarm_ohm = LazyAttribute(lambda b: 1000 if b.presets_values else None)
    generations = LazyFunction(lambda: [1])

    class Meta:
        model = Board
        skip_postgeneration_save = True

    @post_generation
    def families(self: Board, create: bool, given: Any, **_: Any) -> None:
        if create and given:
            self.families.set(given)


class InsertFactory(DjangoModelFactory[Insert]):
    item = SubFactory(ItemFactory, kind=Item.Kind.INSERT)
    setting = "field_of_view"
    value = "curtain"

    class Meta:
        model = Insert
        skip_postgeneration_save = True

    @post_generation
    def families(self: Insert, create: bool, given: Any, **_: Any) -> None:
        if create and given:
            self.families.set(given)


class CableTypeFactory(DjangoModelFactory[CableType]):
    """Six-core alarm cable of 7/0.2 mm strands, 85 Ω/km a core."""

    code = Sequence(lambda n: f"six-core-{n}")
    name = "6-core alarm cable 7/0.2"
    cores = LazyFunction(lambda: ["red", "black", "blue", "yellow", "green", "white"])
    area_mm2 = "0.220"
    ohm_per_km_20 = 85.0

    class Meta:
        model = CableType


class KitLineFactory(DjangoModelFactory[KitLine]):
    variant = SubFactory(VariantFactory)
    item = SubFactory(ItemFactory)
    quantity = 1

    class Meta:
        model = KitLine
