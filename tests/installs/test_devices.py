"""Fitting, changing and removing devices: the record and the ledger move together, versions are kept."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db import ProgrammingError, connection, transaction
from django.utils import timezone

from config.accounts.models import User
from config.demo import factories as make
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, ZonewrightError
from installs.models import CircuitPlace, Device
from installs.queries.history import device_as_at, device_history
from installs.queries.serials import serial_places
from installs.services.devices import remove_device, replace_cover, set_device_settings
from installs.services.wiring import land_cores
from stock.models import Balance, Location, Movement
from tests.installs.kit import GOOD, Kit, assign, fit, refusal, topology, variant

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("sites_place")]


# Settings and versions


def test_settings_are_recorded_and_the_version_before_is_kept(engineer: User, kit: Kit) -> None:
    device = kit.devices[0]
    assign(engineer, kit.site)
    set_device_settings(device, GOOD, by=engineer, read_at=device.changed_at)
    device.refresh_from_db()
    assert device.settings == GOOD
    newest, first = device_history(engineer, device.pk)
    assert (first.first, newest.first, newest.version.by) == (True, False, engineer.name)
    assert [(c.what, c.before, c.after) for c in newest.changes] == [
        ("LED", "on", "off"), ("Pet immunity", "0 kg", "12 kg"), ("PIR range", "12 m", "9 m"),
    ]


@pytest.mark.parametrize(
    ("settings", "field", "value"),
    [
        ({**GOOD, "pir_range_m": 19}, "settings.pir_range_m", "19"),
        ({**GOOD, "pet_immunity_kg": 5}, "settings.pet_immunity_kg", "5"),
        ({**GOOD, "led": "yes"}, "settings.led", "yes"),
        ({**GOOD, "colour": 1}, "settings.colour", "1"),
        ({"pir_range_m": 9, "led": True}, "settings.pet_immunity_kg", ""),
    ],
)
def test_settings_that_the_variant_does_not_allow_are_refused(
    engineer: User, kit: Kit, settings: dict[str, Any], field: str, value: str
) -> None:
    with pytest.raises(InvalidInput) as error:
        set_device_settings(kit.devices[0], settings, by=engineer)
    assert refusal(error) == (field, value, True)
    kit.devices[0].refresh_from_db()
    assert kit.devices[0].settings == {"pir_range_m": 12, "pet_immunity_kg": 0, "led": True}


def test_a_change_from_an_older_state_is_refused(engineer: User, kit: Kit) -> None:
    device = kit.devices[0]
    read_at = device.changed_at
    set_device_settings(device, GOOD, by=engineer, read_at=read_at)
    with pytest.raises(ChangedMeanwhile):
        set_device_settings(device, {**GOOD, "led": True}, by=engineer, read_at=read_at)
    device.refresh_from_db()
    assert device.settings == GOOD


def test_raw_sql_makes_versions_too(scheduler: User, kit: Kit) -> None:
    device = kit.devices[0]
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE installs_device SET settings = jsonb_set(settings, '{pir_range_m}', '7') WHERE id = %s", [device.pk]
        )
    Device.objects.filter(pk=device.pk).update(position="Attic")
    lines = device_history(scheduler, device.pk)
    assert [[(c.what, c.before, c.after) for c in line.changes] for line in lines] == [
        [("Position", "Room 1.1", "Attic")], [("PIR range", "12 m", "7 m")], [],
    ]


@pytest.mark.parametrize(
    "statement", ["UPDATE installs_deviceevent SET mark = 'X'", "DELETE FROM installs_deviceevent"]
)
def test_versions_cannot_be_changed_even_by_raw_sql(kit: Kit, statement: str) -> None:
    refused = pytest.raises(ProgrammingError, match="Cannot update or delete rows")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


def test_a_device_as_at_a_date(scheduler: User, stranger: User, kit: Kit) -> None:
    device = kit.devices[0]
    # Versions get the time of their transaction, which a test cannot travel: set three moments in the record.
    for metres in (9, 7):
        set_device_settings(device, {**GOOD, "pir_range_m": metres}, by=scheduler)
    now = timezone.now()
    event = apps.get_model("installs", "DeviceEvent")
    with connection.cursor() as cursor:
        # Only the table's owner can do this; no session setting can (tests/config/test_triggers_hold.py).
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE; ALTER TABLE installs_deviceevent DISABLE TRIGGER USER")
        for days, key in zip((30, 20, 10), event.objects.order_by("pgh_id").values_list("pk", flat=True), strict=True):
            event.objects.filter(pk=key).update(pgh_created_at=now - timedelta(days=days))

    def metres_on(days_ago: float, user: User = scheduler) -> object:
        version = device_as_at(user, device.pk, now - timedelta(days=days_ago))
        return version and version.settings["pir_range_m"]

    assert [metres_on(days) for days in (31, 30, 20.5, 20, 10.1, 10, 0)] == [None, 12, 12, 9, 9, 7, 7]
    assert metres_on(0, stranger) is None
    assert device_history(stranger, device.pk) == []


def test_statements_of_the_history(scheduler: User, kit: Kit, django_assert_num_queries) -> None:
    for metres in (6, 7, 8):
        set_device_settings(kit.devices[0], {**GOOD, "pir_range_m": metres}, by=scheduler)
    with django_assert_num_queries(2):
        assert len(device_history(scheduler, kit.devices[0].pk)) == 4
    with django_assert_num_queries(1):
        device_as_at(scheduler, kit.devices[0].pk, timezone.now())


# Fitting and removing, with the ledger


def test_fitting_takes_the_serial_from_the_van(
    engineer: User, kit: Kit, van: Location, sites_place: Location
) -> None:
    serial = make.receive_serial(kit.devices[0].variant.cover, van)
    device = fit(kit, engineer, serial, reference="visit 7")
    serial.refresh_from_db()
    assert (device.serial_id, serial.location_id) == (serial.pk, sites_place.pk)
    assert Balance.objects.get(item=serial.item, location=van).on_hand == 0
    moved = Movement.objects.filter(serial=serial).latest("id")
    assert (moved.kind, moved.reference, moved.posted_by) == ("fit", "visit 7", engineer)
    assert device.core_landings == {
        "red": "+", "black": "-", "blue": "A1", "yellow": "T2", "green": None, "white": None
    }


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"settings": {"pir_range_m": 99}}, "settings.pir_range_m"),
        ({"core_landings": {"violet": "A1"}}, "core_landings"),
        ({"core_landings": {"red": "Z9"}}, "core_landings"),
        ({"core_landings": {"blue": "A1", "yellow": "A1"}}, "core_landings"),
        ({"signalling_wires": 4}, "signalling_wires"),
        ({"hand_wired": {"eol": -5}}, "hand_wired"),
        ({"hand_wired": {"spare": 5}}, "hand_wired"),
        ({"mark": "D11"}, "mark"),
    ],
)
def test_a_refused_fitting_leaves_the_serial_in_the_van(
    engineer: User, kit: Kit, van: Location, fields: dict[str, Any], field: str
) -> None:
    serial = make.receive_serial(kit.devices[0].variant.cover, van)
    with pytest.raises(ZonewrightError) as error:
        fit(kit, engineer, serial, **fields)
    assert refusal(error)[::2] == (field, True)
    serial.refresh_from_db()
    assert serial.location_id == van.pk
    assert Device.objects.filter(serial=serial).count() == 0


def test_power_terminals_may_hold_two_cores(engineer: User, kit: Kit) -> None:
    device = land_cores(kit.devices[0], {"red": "+", "white": "+", "black": "-"}, by=engineer)
    assert device.core_landings["white"] == "+"


def test_parts_that_do_not_belong_together_are_refused(engineer: User, kit: Kit) -> None:
    family = kit.devices[0].backplate.family
    cases = [
        ({"variant": variant()}, "backplate"),
        ({"board": make.BoardFactory.create()}, "board"),
        ({"board": make.BoardFactory.create(families=[family], generations=[2])}, "board"),
        ({"backplate": make.BackplateFactory.create(family=family, generation=3)}, "backplate"),
    ]
    for fields, field in cases:
        with pytest.raises(InvalidInput) as error:
            fit(kit, engineer, None, **fields)
        assert refusal(error)[::2] == (field, True)


def test_a_serial_of_another_item_or_in_quarantine_is_not_fitted(
    engineer: User, kit: Kit, van: Location, quarantine: Location
) -> None:
    wrong = make.receive_serial(variant().cover, van)
    held = make.receive_serial(kit.devices[0].variant.cover, quarantine)
    for serial, kind in ((wrong, InvalidInput), (held, Conflict)):
        with pytest.raises(kind) as error:
            fit(kit, engineer, serial)
        assert refusal(error) == ("serial", serial.number, True)


def test_removing_brings_the_serial_back_and_clears_the_circuit(
    engineer: User, kit: Kit, van: Location, quarantine: Location
) -> None:
    serial = make.receive_serial(kit.devices[0].variant.cover, van)
    device = fit(kit, engineer, serial)
    CircuitPlace.objects.create(circuit=kit.circuits[0], device=device, order=2, functions=["alarm"], run_m=3)
    remove_device(device, by=engineer, on=date(2026, 11, 20), destination=quarantine)
    serial.refresh_from_db()
    device.refresh_from_db()
    assert (serial.location_id, device.removed_on, device.places.count()) == (quarantine.pk, date(2026, 11, 20), 0)
    with pytest.raises(Conflict) as error:
        set_device_settings(device, GOOD, by=engineer)
    assert refusal(error) == ("device", "N1", True)


def test_removing_before_fitting_is_refused(engineer: User, kit: Kit, van: Location) -> None:
    device = fit(kit, engineer, make.receive_serial(kit.devices[0].variant.cover, van))
    with pytest.raises(Conflict) as error:
        remove_device(device, by=engineer, on=date(2026, 11, 1), destination=van)
    assert refusal(error) == ("on", "2026-11-01", True)
    device.refresh_from_db()
    assert device.removed_on is None


def test_a_cover_is_swapped_with_board_serials_and_settings_together(
    engineer: User, kit: Kit, van: Location, quarantine: Location, sites_place: Location
) -> None:
    old = make.receive_serial(kit.devices[0].variant.cover, van)
    device = fit(kit, engineer, old)
    family = device.variant.family
    better = variant(family=family, anti_mask=True, grade=3)
    new = make.receive_serial(better.cover, van)
    board = make.BoardFactory.create(topology=topology(), families=[family], eol_ohm=2200, alarm_ohm=4700)
    make.receive(board.item, van, 2)
    old_board = device.board
    replace_cover(
        device, by=engineer, variant=better, serial=new, settings=GOOD, old_to=quarantine, board=board,
        board_from=van, read_at=device.changed_at, reference="proposal 3",
    )
    for serial in (old, new):
        serial.refresh_from_db()
    device.refresh_from_db()
    assert (old.location_id, new.location_id) == (quarantine.pk, sites_place.pk)
    assert (device.variant, device.serial, device.board, device.settings) == (better, new, board, GOOD)
    held = {(b.item_id, b.location_id): b.on_hand for b in Balance.objects.filter(location__in=[van, quarantine])}
    assert held[board.item_id, van.pk] == 1
    assert held[old_board.item_id, quarantine.pk] == 1


def test_a_swap_refused_half_way_changes_nothing(
    engineer: User, kit: Kit, van: Location, quarantine: Location
) -> None:
    old = make.receive_serial(kit.devices[0].variant.cover, van)
    device = fit(kit, engineer, old)
    better = variant(family=device.variant.family)
    elsewhere = make.receive_serial(better.cover, quarantine)
    movements = Movement.objects.count()
    with pytest.raises(Conflict) as error:
        replace_cover(device, by=engineer, variant=better, serial=elsewhere, settings=GOOD, old_to=quarantine)
    assert refusal(error) == ("serial", elsewhere.number, True)
    device.refresh_from_db()
    assert (device.serial, Movement.objects.count()) == (old, movements)


def test_a_cover_without_an_output_that_the_circuit_expects_is_refused(engineer: User, kit: Kit, van: Location) -> None:
    device = kit.devices[0]
    plain = variant(family=device.variant.family, outputs=["alarm"])
    with pytest.raises(InvalidInput) as error:
        replace_cover(device, by=engineer, variant=plain, serial=None, settings=GOOD, old_to=van)
    assert refusal(error) == ("variant", plain.code, True)


# Where a serial is, for the stock pages


def test_serial_places_are_told_to_those_who_may_open_the_site(
    engineer: User, scheduler: User, stores: User, stranger: User, kit: Kit, van: Location, django_assert_num_queries,
) -> None:
    serial = make.receive_serial(kit.devices[0].variant.cover, van)
    device = fit(kit, engineer, serial)
    with django_assert_num_queries(1):
        places = serial_places([serial.pk], scheduler)
    assert {key: (p.text, p.url) for key, p in places.items()} == {
        serial.pk: (
            f"{kit.site.reference} {kit.site.name}: N1 Landing", f"/sites/{kit.site.pk}/#device-{device.pk}"
        )
    }
    # The stores manager learns which site and position, but gets no link and no name.
    told = serial_places([serial.pk], stores)
    assert {key: (p.text, p.url) for key, p in told.items()} == {
        serial.pk: (f"{kit.site.reference}: N1 Landing", None)
    }
    assert [dict(serial_places([serial.pk], user)) for user in (stranger, engineer)] == [{}, {}]
