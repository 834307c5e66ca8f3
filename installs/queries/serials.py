"""Where the serials in devices are: what the stock app's item page asks without knowing this app."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from django.db.models import QuerySet
from django.urls import reverse

from config.accounts.rights import Right
from installs.models import Device
from installs.queries import scope
from stock.places import PlaceText

if TYPE_CHECKING:
    from config.accounts.models import User


def _of_the_branch(user: User) -> QuerySet[Device]:
    if not user.has_right(Right.MOVE_STOCK):
        return Device.objects.none()
    return Device.objects.all() if user.branch_id is None else Device.objects.filter(
        system__site__branch_id=user.branch_id
    )


def serial_places(serial_ids: Collection[int], user: User) -> Mapping[int, PlaceText]:
    """The device and site of each serial that is in a live device of a site visible to the person.

    One statement. Serials at other sites, or in no device, are left out. A stores manager, who may not open
    sites, is told the reference and the position of those of the branch, for recalls and returns, and no more.
    """
    opens = user.has_right(Right.SEE_SITES)
    devices = scope.devices(user) if opens else _of_the_branch(user)
    rows = (
        devices
        .filter(serial_id__in=serial_ids, removed_on=None)
        .values("id", "serial_id", "mark", "position", "system__site_id", "system__site__reference",
                "system__site__name")
    )
    return {
        row["serial_id"]: PlaceText(
            f"{row['system__site__reference']}{' ' + row['system__site__name'] if opens else ''}: "
            f"{row['mark']} {row['position']}",
            f"{reverse('installs:site', args=[row['system__site_id']])}#device-{row['id']}" if opens else None,
        )
        for row in rows
    }


