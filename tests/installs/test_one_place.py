"""One serial is in one place: attacked through raw SQL, refused at commit."""

from __future__ import annotations

import pytest
from django.db import IntegrityError, connection, transaction

from config.accounts.models import User
from config.demo import factories as make
from stock.models import Location
from tests.installs.kit import Kit, fit

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("sites_place")]


def committed(statement: str = "", *values: object) -> None:
    """Run the statement and what happens at commit: deferred constraints are checked."""
    with transaction.atomic(), connection.cursor() as cursor:
        if statement:
            cursor.execute(statement, values)
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


MOVE = (
    "INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, serial_id, batch, kind, at, reference,"
    " note) SELECT item_id, 1, location_id, %s, id, '', %s, now(), '', '' FROM stock_serial WHERE id = %s"
)


def test_a_device_cannot_hold_a_serial_that_the_ledger_has_in_a_van(kit: Kit, van: Location) -> None:
    serial = make.receive_serial(kit.devices[0].variant.cover, van)
    committed()
    with pytest.raises(IntegrityError, match="the ledger does not have it at a site"):
        committed("UPDATE installs_device SET serial_id = %s WHERE id = %s", serial.pk, kit.devices[0].pk)


def test_a_movement_to_a_site_needs_a_device(kit: Kit, van: Location, sites_place: Location) -> None:
    serial = make.receive_serial(kit.devices[0].variant.cover, van)
    committed()
    with pytest.raises(IntegrityError, match="no device holds it"):
        committed(MOVE, sites_place.pk, "fit", serial.pk)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE installs_device SET removed_on = '2026-11-20' WHERE id = %s",
        "UPDATE installs_device SET serial_id = NULL WHERE id = %s",
        "DELETE FROM installs_device WHERE id = %s",
    ],
)
def test_a_device_cannot_be_ended_while_its_serial_stays_at_the_site(
    engineer: User, kit: Kit, van: Location, statement: str
) -> None:
    device = fit(kit, engineer, make.receive_serial(kit.devices[0].variant.cover, van))
    committed()
    with pytest.raises(IntegrityError, match="no device holds it"):
        committed(statement, device.pk)


def test_two_devices_cannot_hold_one_serial(engineer: User, kit: Kit, van: Location) -> None:
    device = fit(kit, engineer, make.receive_serial(kit.devices[0].variant.cover, van))
    committed()
    with pytest.raises(IntegrityError, match="installs_device_serial_once"):
        committed("UPDATE installs_device SET serial_id = %s WHERE id = %s", device.serial_id, kit.devices[0].pk)


def test_a_serial_cannot_be_moved_away_from_under_its_device(engineer: User, kit: Kit, van: Location) -> None:
    device = fit(kit, engineer, make.receive_serial(kit.devices[0].variant.cover, van))
    committed()
    with pytest.raises(IntegrityError, match="the ledger does not have it at a site"):
        committed(MOVE, van.pk, "remove", device.serial_id)
