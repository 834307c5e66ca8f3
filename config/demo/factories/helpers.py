# mypy: disable-error-code="no-untyped-call,no-untyped-def,untyped-decorator"
"""Short ways to put stock, serials and devices in place as the ledger asks."""

from __future__ import annotations

from typing import Any

from config.demo.factories.installs import DeviceFactory
from config.demo.factories.ledger import MovementFactory, SerialFactory, SitesPlaceFactory, SuppliersPlaceFactory
from installs.models import Device
from stock.models import Item, Location, Movement, Serial


def receive(item: Item, location: Location, quantity: int = 1) -> Movement:
    """Put a quantity of an item that is not tracked by serial into a location."""
    return MovementFactory.create(item=item, destination=location, quantity=quantity)


def receive_serial(item: Item, location: Location, number: str | None = None) -> Serial:
    """A new serial of a cover, received into a location."""
    serial: Serial = SerialFactory.create(item=item, **({"number": number} if number else {}))
    MovementFactory.create(item=item, destination=location, serial=serial)
    serial.refresh_from_db()
    return serial


def fit_serial(serial: Serial) -> Movement:
    """Move a serial from where it is (a supplier, if it never moved) to the sites' place."""
    return MovementFactory.create(
        item=serial.item,
        source=serial.location or SuppliersPlaceFactory.create(),
        destination=SitesPlaceFactory.create(),
        serial=serial,
        kind=Movement.Kind.FIT,
    )


def fitted_device(**fields: Any) -> Device:
    """A device whose cover has a serial that the ledger has at a site. Needs one transaction around it
    (a test's own does), because the two records are checked against each other at commit."""
    device: Device = DeviceFactory.create(**fields)
    serial: Serial = SerialFactory.create(item=device.variant.cover)
    fit_serial(serial)
    device.serial = serial
    device.save(update_fields=["serial"])
    serial.refresh_from_db()
    return device
