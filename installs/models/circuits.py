"""Circuits, the devices on them in order, and how each device was set and wired."""

from __future__ import annotations

from typing import ClassVar

import pghistory
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from installs.models import triggers, triggers_loops
from installs.models.panels import InputProfile, Panel, System
from stock.models.catalogue import Backplate, Board, CableType, SignallingWires, Topology, Variant
from stock.models.ledger import Serial


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), append_only=True)
class Circuit(models.Model):
    """One panel input with its cable and devices; its displayed name is the zone."""

    panel = models.ForeignKey(Panel, on_delete=models.PROTECT, related_name="circuits")
    number = models.PositiveSmallIntegerField()
    zone = models.CharField(max_length=80)
    profile = models.ForeignKey(InputProfile, on_delete=models.PROTECT, related_name="circuits")
    topology = models.ForeignKey(Topology, on_delete=models.PROTECT, related_name="circuits")
    cable_type = models.ForeignKey(CableType, on_delete=models.PROTECT, related_name="circuits")
    eol_ohm = models.PositiveIntegerField(
        null=True, blank=True, help_text="hand-wired end-of-line resistor; empty: the last device's board carries it"
    )

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(name="installs_circuit_number", fields=["panel", "number"])
        ]
        triggers: ClassVar = [triggers_loops.CIRCUIT_HAS_TABLE, triggers_loops.CIRCUIT_STALE]

    def __str__(self) -> str:
        return f"{self.number} {self.zone}"


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), append_only=True)
class Device(models.Model):
    """An installed detector: what is fitted, how it is set, and how it is wired behind the backplate."""

    system = models.ForeignKey(System, on_delete=models.PROTECT, related_name="devices")
    mark = models.CharField(max_length=12, help_text="the device's number on the as-fitted document")
    position = models.CharField(max_length=120)
    variant = models.ForeignKey(Variant, on_delete=models.PROTECT, related_name="devices")
    serial = models.ForeignKey(Serial, on_delete=models.PROTECT, null=True, blank=True, related_name="devices")
    backplate = models.ForeignKey(Backplate, on_delete=models.PROTECT, related_name="devices")
    board = models.ForeignKey(Board, on_delete=models.PROTECT, null=True, blank=True, related_name="devices")
    hand_wired = models.JSONField(
        null=True, blank=True, help_text="hand-wired resistors in ohms: eol, alarm, mask; empty: the board's values"
    )
    signalling_wires = models.PositiveSmallIntegerField(choices=SignallingWires.choices)
    cable_type = models.ForeignKey(CableType, on_delete=models.PROTECT, related_name="devices")
    core_landings = models.JSONField(help_text="core colour to backplate terminal; null: a spare core")
    settings = models.JSONField(help_text="every setting, valid under the variant's schema")
    fitted_on = models.DateField()
    removed_on = models.DateField(null=True, blank=True)
    changed_at = models.DateTimeField(auto_now=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["variant"], name="installs_device_live", condition=Q(removed_on=None)),
            models.Index(fields=["fitted_on"], name="installs_device_age", condition=Q(removed_on=None)),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                name="installs_device_mark", fields=["system", "mark"], condition=Q(removed_on=None)
            ),
            # A serial is in one place at a time: at a location, or in one device.
            models.UniqueConstraint(
                name="installs_device_serial_once", fields=["serial"], condition=Q(removed_on=None)
            ),
            models.CheckConstraint(
                name="installs_device_removed_later",
                condition=Q(removed_on=None) | Q(removed_on__gte=F("fitted_on")),
            ),
        ]
        triggers: ClassVar = [triggers.DEVICE_SERIAL_AT_SITE, triggers_loops.DEVICE_STALE]

    def __str__(self) -> str:
        return f"{self.mark} {self.position}"


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), pghistory.DeleteEvent(), append_only=True)
class CircuitPlace(models.Model):
    """A device's place on a circuit, and which of its signals travel there."""

    circuit = models.ForeignKey(Circuit, on_delete=models.PROTECT, related_name="places")
    device = models.ForeignKey(Device, on_delete=models.PROTECT, related_name="places")
    order = models.PositiveSmallIntegerField(help_text="1 is nearest to the panel")
    functions = ArrayField(models.CharField(max_length=8))
    run_m = models.FloatField(help_text="metres of cable from the panel or the device before")
    topology = models.ForeignKey(
        Topology, on_delete=models.PROTECT, null=True, blank=True, related_name="places",
        help_text="how this device is wired, if otherwise than the circuit",
    )

    class Meta:
        ordering: ClassVar = ["circuit", "order"]
        constraints: ClassVar = [
            models.UniqueConstraint(name="installs_circuitplace_order", fields=["circuit", "order"]),
            models.UniqueConstraint(name="installs_circuitplace_once", fields=["circuit", "device"]),
            models.CheckConstraint(name="installs_circuitplace_run", condition=Q(run_m__gte=0)),
        ]
        triggers: ClassVar = [triggers_loops.PLACE_STALE]

    def __str__(self) -> str:
        return f"{self.circuit_id}/{self.order}"
