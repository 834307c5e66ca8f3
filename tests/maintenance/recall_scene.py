"""One batch of covers and one of boards, in use at sites, in a store, a van and on no record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import connection

from config.accounts.models import Branch, User
from config.demo import factories as make
from maintenance.models import Visit
from stock import services
from stock.models import Item, Location, Serial
from tests.installs.kit import Kit, fit, site_with
from tests.maintenance.door_scene import engineer_of, visit_of


@dataclass
class Yard:
    """The places of a branch."""

    store: Location
    van: Location
    aside: Location
    supplier: Location
    sites: Location
    scrap: Location


def yard_of(branch: Branch, engineer: User) -> Yard:
    engineer_of(engineer)
    return Yard(
        store=make.LocationFactory.create(name="Main store", branch=branch),
        van=make.VanFactory.create(name="Van 1", branch=branch, engineer=engineer),
        aside=make.LocationFactory.create(name="Quarantine", branch=branch, kind=Location.Kind.QUARANTINE),
        supplier=make.SuppliersPlaceFactory.create(name="Wholesaler"),
        sites=make.SitesPlaceFactory.create(),
        scrap=make.ScrapPlaceFactory.create(),
    )


def piece(item: Item, yard: Yard, number: str, *, batch: str = "", at: Location | None = None) -> Serial:
    made: Serial = make.SerialFactory.create(item=item, number=number, batch=batch)
    make.MovementFactory.create(item=item, serial=made, source=yard.supplier, destination=at or yard.store)
    made.refresh_from_db()
    return made


def receive(item: Item, yard: Yard, quantity: int, *, batch: str = "", at: Location | None = None) -> None:
    make.MovementFactory.create(
        item=item, quantity=quantity, batch=batch, source=yard.supplier, destination=at or yard.store
    )


def checked() -> None:
    """What the database checks at the end of a transaction."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def site_with_cover(branch: Branch, yard: Yard, by: User, number: str, *, batch: str, like: Kit | None = None,
                    **fields: Any) -> Kit:
    """A site with one more device, whose cover is a serial of the batch. `like` gives the variant."""
    kit = site_with(branch, **fields)
    parts = like.devices[0] if like is not None else kit.devices[0]
    serial = piece(parts.variant.cover, yard, number, batch=batch)
    kit.devices.append(
        fit(kit, by, serial, variant=parts.variant, backplate=parts.backplate, board=parts.board,
            cable_type=parts.cable_type)
    )
    checked()
    return kit


def board_on(visit: Visit, item: Item, yard: Yard, batch: str, quantity: int, by: User) -> None:
    services.post_movement(
        item, quantity=quantity, source=yard.store, destination=yard.sites, kind="fit", by=by, batch=batch,
        reference=f"visit {visit.pk}",
    )


def visit_today(branch: Branch, engineer: User, kit: Kit, **fields: Any) -> Visit:
    return visit_of(branch, engineer, site=kit.site, **fields)
