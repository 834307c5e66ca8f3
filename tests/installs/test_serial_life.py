"""A serial's whole life in one view: from the ledger and the versions of the devices that it was in."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from installs.queries.serials import serial_fittings
from installs.services.devices import remove_device, replace_cover
from stock import services
from stock.models import Location, Movement, Serial
from stock.queries.serials import serial_life
from stock.services import quarantine as aside
from tests.conftest import api_client, logged_in
from tests.installs.kit import GOOD, Kit, assign, fit


def checked() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


@pytest.fixture
def store(branch: Branch) -> Location:
    return make.LocationFactory.create(branch=branch, name="Main store")


@pytest.fixture
def serial(kit: Kit, store: Location, stores: User) -> Serial:
    made = make.SerialFactory.create(item=kit.devices[0].variant.cover, number="L1", batch="B1")
    supplier = make.SupplierFactory.create(name="Wholesaler")
    make.OrderFactory.create(number="PO-1", supplier=supplier, destination=store)
    Movement.objects.create(
        item=made.item, quantity=1, serial=made, source=supplier.location, destination=store, kind="receive",
        reference="PO-1", unit_cost=Decimal("18.5"), posted_by=stores,
    )
    made.refresh_from_db()
    return made


@pytest.fixture
def lived(
    kit: Kit, serial: Serial, van: Location, quarantine: Location, sites_place: Location, engineer: User, stores: User
) -> Serial:
    """Received, in a van, fitted, taken off, tested, put on a device that was on the wall already, replaced."""
    make.ScrapPlaceFactory.create()
    item = serial.item
    services.record_movement(item, quantity=1, source=serial.location, destination=van, kind="transfer", by=stores,
                             serial=serial)
    serial.refresh_from_db()
    device = fit(kit, engineer, serial, fitted_on=date(2026, 11, 2))
    checked()
    remove_device(device, by=engineer, on=date(2026, 11, 20), destination=quarantine)
    checked()
    serial.refresh_from_db()
    aside.release_tested(item, source=quarantine, destination=van, quantity=1, by=stores, serial=serial, note="good")
    serial.refresh_from_db()
    replace_cover(kit.devices[0], by=engineer, variant=kit.devices[0].variant, serial=serial, settings=GOOD,
                  old_to=quarantine)
    checked()
    second = make.SerialFactory.create(item=item, number="L2")
    make.MovementFactory.create(item=item, serial=second, source=make.SuppliersPlaceFactory.create(), destination=van)
    second.refresh_from_db()
    replace_cover(kit.devices[0], by=engineer, variant=kit.devices[0].variant, serial=second, settings=GOOD,
                  old_to=quarantine)
    checked()
    serial.refresh_from_db()
    aside.scrap(item, source=quarantine, quantity=1, by=stores, serial=serial, note="lens cracked")
    serial.refresh_from_db()
    return serial


def test_life_from_receipt_to_scrap(lived: Serial, kit: Kit, scheduler: User, service_manager: User) -> None:
    life = serial_life(service_manager, lived.pk)
    assert [step.what for step in life.steps[::-1]] == [
        "Received", "Transferred", "Fitted at a site", "Removed from a site", "Released after test",
        "Fitted at a site", "Removed from a site", "Scrapped",
    ]
    assert (life.supplier, life.order, life.unit_cost, life.currency, life.place.text) == (
        "Wholesaler", "PO-1", Decimal("18.5"), "GBP", "Scrap"
    )
    first, second = (step.fitting for step in life.steps[::-1] if step.fitting is not None)
    site = f"{kit.site.reference} {kit.site.name}, Intruder alarm"
    today = timezone.localdate()
    assert (first.text, first.position, first.since, first.until) == (
        f"{site}: N1", "Landing", date(2026, 11, 2), date(2026, 11, 20)
    )
    assert (second.text, second.position, second.circuits, second.since, second.until) == (
        f"{site}: D11", "Room 1.1", "1 Zone 1", today, today
    )
    assert second.settings_url == f"/sites/device/{kit.devices[0].pk}/"
    assert serial_life(scheduler, lived.pk).unit_cost is None
    page = logged_in(service_manager).get(f"/stock/serials/{lived.pk}/").content.decode()
    assert "GBP 18.50" in page
    assert "lens cracked" in page


def test_site_is_told_only_to_those_who_may_open_it(
    lived: Serial, kit: Kit, engineer: User, stores: User, stranger: User
) -> None:
    def told(user: User) -> list[tuple[str, str | None]]:
        return [(fitting.text, fitting.settings_url) for fitting in serial_fittings(lived.pk, user)]

    assert told(engineer) == [("At a site", None)] * 2
    assert told(stranger) == [("At a site", None)] * 2
    assert told(stores) == [(f"{kit.site.reference}: N1", None), (f"{kit.site.reference}: D11", None)]
    assign(engineer, kit.site)
    assert [url is not None for _text, url in told(engineer)] == [True, True]


def test_places_of_others_are_named_by_their_kind(lived: Serial, branch: Branch, stranger: User) -> None:
    steps = serial_life(stranger, lived.pk).steps[::-1]
    assert [(step.source, step.destination, step.opens) for step in steps[:2]] == [
        ("Wholesaler", "Another branch's store", False), ("Another branch's store", "A van", False)
    ]
    other = make.VanFactory.create(branch=branch).engineer
    assert serial_life(other, lived.pk).steps[::-1][1].destination == "A van"


def test_where_it_is_while_fitted(kit: Kit, serial: Serial, van: Location, sites_place: Location, engineer: User,
                                  scheduler: User) -> None:
    fit(kit, engineer, serial)
    checked()
    life = serial_life(scheduler, serial.pk)
    assert life.fitted
    assert life.place.text == f"{kit.site.reference} {kit.site.name}: N1 Landing"
    assert life.steps[0].fitting is not None
    assert life.steps[0].fitting.until is None
    answer = api_client(scheduler).get(f"/api/serial-lives/{serial.pk}/").json()
    assert answer["place"] == life.place.text
    assert answer["steps"][0]["fitting"]["position"] == "Landing"
    assert [step["unit_cost"] for step in answer["steps"]] == [None, None]
    hits = api_client(scheduler).get("/api/scan/", {"q": "L1"}).json()
    assert [(hit["kind"], hit["code"]) for hit in hits] == [("serial", f"s-{serial.pk}")]


@pytest.mark.parametrize("moves", [1, 3])
def test_statements_do_not_grow(
    moves: int, lived: Serial, kit: Kit, store: Location, service_manager: User, stores: User
) -> None:
    other = make.SerialFactory.create(item=lived.item, number=f"M{moves}")
    make.MovementFactory.create(item=lived.item, serial=other, source=make.SuppliersPlaceFactory.create(),
                                destination=store)
    for _ in range(moves):
        other.refresh_from_db()
        there = make.LocationFactory.create(branch=store.branch)
        services.record_movement(lived.item, quantity=1, source=other.location, destination=there, kind="transfer",
                                 by=stores, serial=other)
    with CaptureQueriesContext(connection) as seen:
        assert len(serial_life(service_manager, other.pk).steps) == moves + 1
    assert len(seen) == 6
    with CaptureQueriesContext(connection) as seen:
        serial_life(service_manager, lived.pk)
    assert len(seen) == 9
    with CaptureQueriesContext(connection) as seen:
        serial_fittings(lived.pk, service_manager)
    assert len(seen) == 3


def test_van_engineer_sets_aside_by_rest(
    serial: Serial, store: Location, van: Location, quarantine: Location, engineer: User, stores: User
) -> None:
    body = {"item": serial.item_id, "quantity": 1, "source": store.pk, "destination": quarantine.pk,
            "serial": serial.pk, "note": "dead"}
    refused = api_client(engineer).post("/api/set-aside/", body, format="json", headers={"Idempotency-Key": "a"})
    assert refused.status_code == 403
    services.record_movement(serial.item, quantity=1, source=store, destination=van, kind="transfer", by=stores,
                             serial=serial)
    made = api_client(engineer).post("/api/set-aside/", {**body, "source": van.pk}, format="json",
                                     headers={"Idempotency-Key": "b"})
    assert made.status_code == 201
    serial.refresh_from_db()
    assert serial.location == quarantine
