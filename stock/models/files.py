"""Files that come in and go out: tables of the catalogue, levels, suppliers and past demand; exports of lists."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

from config.background import BackgroundWork


class TableImport(BackgroundWork):
    """A file to be taken in: looked over first (what is new, what changes, what is wrong), then taken in."""

    LOCK = 20_170_134

    class Subject(models.TextChoices):
        ITEMS = "items", "Stock items"
        VARIANTS = "variants", "Variants"
        LEVELS = "levels", "Levels"
        SUPPLIERS = "suppliers", "Suppliers and prices"
        BINS = "bins", "Bins"
        DEMAND = "demand", "Past demand"

    subject = models.CharField(max_length=9, choices=Subject.choices)
    name = models.CharField(max_length=120)
    content = models.BinaryField()
    take_good_rows = models.BooleanField(default=False, help_text="take the good rows even if others are bad")
    confirmed = models.BooleanField(default=False, help_text="a person has seen the preview and wants it taken in")
    rows = models.PositiveIntegerField(default=0)
    added = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    unchanged = models.PositiveIntegerField(default=0)
    bad = models.PositiveIntegerField(default=0)
    problems = models.JSONField(default=list, help_text="row, column, value, what is wrong, remedy")
    preview = models.JSONField(default=list, help_text="first rows: what would be added or changed, from what to what")

    class Meta(BackgroundWork.Meta):
        indexes: ClassVar = [models.Index(fields=["by", "-id"])]

    def __str__(self) -> str:
        return self.name


class TableExport(BackgroundWork):
    """A list as it was filtered, written to a file that names who took it and when."""

    LOCK = 20_170_135

    class Format(models.TextChoices):
        CSV = "csv", "CSV"
        XLSX = "xlsx", "XLSX"

    subject = models.CharField(max_length=30, help_text="which list")
    filters = models.JSONField(default=dict)
    format = models.CharField(max_length=4, choices=Format.choices, default=Format.CSV)
    rows = models.PositiveIntegerField(default=0)
    content = models.BinaryField(default=bytes)

    class Meta(BackgroundWork.Meta):
        indexes: ClassVar = [models.Index(fields=["by", "-id"])]

    def __str__(self) -> str:
        return f"{self.subject}.{self.format}"
