"""What exists: families, variants, boards, backplates, inserts, cable, and what a detector is made of."""

from __future__ import annotations

from typing import ClassVar

from django.contrib.postgres.fields import ArrayField
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import F, Q

from stock.models import triggers


class Grade(models.IntegerChoices):
    """Security grade, EN 50131-1: 1 is the lowest."""

    ONE = 1, "Grade 1"
    TWO = 2, "Grade 2"
    THREE = 3, "Grade 3"
    FOUR = 4, "Grade 4"


class EnvironmentalClass(models.IntegerChoices):
    """Environmental class, EN 50130-5: a higher class may stand in for a lower one."""

    I = 1, "Class I"  # noqa: E741 - the standard's own numeral
    II = 2, "Class II"
    III = 3, "Class III"
    IV = 4, "Class IV"


class SignallingWires(models.IntegerChoices):
    """Signalling wires to a device; the power pair is not counted."""

    TWO = 2, "2 wires"
    FOUR = 4, "4 wires"
    SIX = 6, "6 wires"


FUNCTIONS = ("alarm", "tamper", "mask", "fault")


class Topology(models.Model):
    """How contacts and resistors of a circuit are joined, held as data (see installs/rules/topology.py)."""

    code = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    circuit = models.JSONField(help_text="arrangement, the network of one device and of the line's end")
    functions = ArrayField(
        models.CharField(max_length=8), help_text="signals that one such circuit can tell apart"
    )

    class Meta:
        verbose_name_plural = "topologies"

    def __str__(self) -> str:
        return self.name


class Family(models.Model):
    """Variants that clip to the same backplate."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    service_life_years = models.PositiveSmallIntegerField(null=True, blank=True)
    notes = models.TextField(blank=True)

    class Meta:
        verbose_name_plural = "families"

    def __str__(self) -> str:
        return self.name


class Item(models.Model):
    """Anything that can be kept in stock."""

    class Kind(models.TextChoices):
        COVER = "cover", "Cover"
        BACKPLATE = "backplate", "Backplate"
        BOARD = "board", "End-of-line board"
        INSERT = "insert", "Insert"
        CABLE = "cable", "Cable"
        SPARE = "spare", "Spare part"

    class Tracking(models.TextChoices):
        SERIAL = "serial", "by serial number"
        BATCH = "batch", "by batch"
        NONE = "none", "by quantity"

    sku = models.CharField(max_length=30, unique=True, help_text="the firm's own stock number")
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    family = models.ForeignKey(Family, on_delete=models.PROTECT, null=True, blank=True, related_name="items")
    tracking = models.CharField(max_length=6, choices=Tracking.choices, default=Tracking.NONE)
    unit = models.CharField(max_length=8, default="pc")

    class Meta:
        # By name: lists of stock read items in this order and stop after a page.
        indexes: ClassVar = [models.Index(fields=["kind", "family"]), models.Index(fields=["name", "id"])]
        triggers: ClassVar = [triggers.TRACKING_IS_FIXED]

    def __str__(self) -> str:
        return f"{self.sku} {self.name}"


class Backplate(models.Model):
    """The part that stays on the wall, with its terminals."""

    item = models.OneToOneField(Item, on_delete=models.PROTECT, related_name="backplate")
    family = models.ForeignKey(Family, on_delete=models.PROTECT, related_name="backplates")
    generation = models.PositiveSmallIntegerField(default=1)
    terminals = ArrayField(
        models.CharField(max_length=8),
        help_text="terminal marks in order; A alarm pair, T tamper pair, M mask pair, F fault pair, + and - power",
    )

    def __str__(self) -> str:
        return self.item.name


class Variant(models.Model):
    """A catalogue type of detector; its cover carries the electronics."""

    class Technology(models.TextChoices):
        PIR = "pir", "PIR"
        PIR_MICROWAVE = "pir-mw", "PIR with microwave"

    code = models.CharField(max_length=30, unique=True)
    name = models.CharField(max_length=120)
    family = models.ForeignKey(Family, on_delete=models.PROTECT, related_name="variants")
    cover = models.OneToOneField(Item, on_delete=models.PROTECT, related_name="variant")
    technology = models.CharField(max_length=8, choices=Technology.choices)
    grade = models.PositiveSmallIntegerField(choices=Grade.choices)
    environmental_class = models.PositiveSmallIntegerField(choices=EnvironmentalClass.choices)
    generation = models.PositiveSmallIntegerField(default=1)
    anti_mask = models.BooleanField(default=False)
    outputs = ArrayField(models.CharField(max_length=8), help_text="alarm, tamper, mask, fault")
    backplate_generations = ArrayField(
        models.PositiveSmallIntegerField(), help_text="backplate generations of the family that the cover clips to"
    )
    supply_min_v = models.DecimalField(max_digits=4, decimal_places=1)
    supply_max_v = models.DecimalField(max_digits=4, decimal_places=1)
    quiescent_ma = models.DecimalField(max_digits=5, decimal_places=1)
    maximum_ma = models.DecimalField(max_digits=5, decimal_places=1)
    settings_schema = models.JSONField(help_text="JSON Schema 2020-12 of every setting and their dependencies")
    factory_settings = models.JSONField(encoder=DjangoJSONEncoder)
    discontinued_on = models.DateField(null=True, blank=True)
    successor = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaces")

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["discontinued_on"], name="stock_variant_gone", condition=Q(discontinued_on__isnull=False)
            )
        ]
        constraints: ClassVar = [
            models.CheckConstraint(name="stock_variant_supply_range", condition=Q(supply_min_v__lt=F("supply_max_v"))),
            models.CheckConstraint(name="stock_variant_currents", condition=Q(quiescent_ma__lte=F("maximum_ma"))),
            models.CheckConstraint(
                name="stock_variant_mask_output", condition=Q(anti_mask=False) | Q(outputs__contains=["mask"])
            ),
            models.CheckConstraint(name="stock_variant_grade_known", condition=Q(grade__range=(1, 4))),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Board(models.Model):
    """An end-of-line board: preset resistor values, or only a preset wiring that takes hand-wired ones."""

    item = models.OneToOneField(Item, on_delete=models.PROTECT, related_name="board")
    topology = models.ForeignKey(Topology, on_delete=models.PROTECT, related_name="boards")
    signalling_wires = models.PositiveSmallIntegerField(choices=SignallingWires.choices)
    presets_values = models.BooleanField(default=True)
    eol_ohm = models.PositiveIntegerField(null=True, blank=True)
    alarm_ohm = models.PositiveIntegerField(null=True, blank=True)
    mask_ohm = models.PositiveIntegerField(null=True, blank=True)
    tolerance_percent = models.DecimalField(max_digits=4, decimal_places=1, default=1)
    families = models.ManyToManyField(Family, related_name="boards")
    generations = ArrayField(
        models.PositiveSmallIntegerField(), help_text="backplate generations that the board fits"
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="stock_board_values_when_preset",
                condition=Q(presets_values=False, eol_ohm=None, alarm_ohm=None, mask_ohm=None)
                | Q(presets_values=True, eol_ohm__isnull=False),
            )
        ]

    def __str__(self) -> str:
        return self.item.name


class Insert(models.Model):
    """An optical part that goes in from the front; fitting it is what some settings mean."""

    item = models.OneToOneField(Item, on_delete=models.PROTECT, related_name="insert")
    families = models.ManyToManyField(Family, related_name="inserts")
    setting = models.CharField(max_length=30, help_text="the setting that this insert makes true")
    value = models.JSONField(help_text="the value of that setting when the insert is fitted")

    def __str__(self) -> str:
        return self.item.name


class CableType(models.Model):
    """A cable as bought: its cores and their resistance."""

    item = models.OneToOneField(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="cable_type")
    code = models.SlugField(max_length=30, unique=True)
    name = models.CharField(max_length=80)
    cores = ArrayField(models.CharField(max_length=16), help_text="core colours")
    area_mm2 = models.DecimalField(max_digits=5, decimal_places=3)
    ohm_per_km_20 = models.FloatField(help_text="one core at 20 °C")
    temperature_coefficient_per_k = models.FloatField(default=0.00393)
    tolerance_percent = models.FloatField(
        default=0, help_text="how far a drum may lie from the data sheet's ohms per kilometre, either way"
    )

    def __str__(self) -> str:
        return self.name


class KitLine(models.Model):
    """One part of a complete detector of a variant."""

    variant = models.ForeignKey(Variant, on_delete=models.CASCADE, related_name="kit_lines")
    item = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="kit_lines")
    quantity = models.PositiveSmallIntegerField(default=1)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="stock_kitline_once", fields=["variant", "item"]),
            models.CheckConstraint(name="stock_kitline_some", condition=Q(quantity__gt=0)),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.item_id}"
