"""Where the serials in devices are: what the stock app's item page asks without knowing this app."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from django.apps import apps
from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone

from config.accounts.rights import Right
from installs.models import Device
from installs.queries import scope
from stock.places import Fitting, PlaceText

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


@dataclass
class _Span:
    """A device's versions from the one that first held the serial to the one that no longer did."""

    device_id: int
    since: date
    until: date | None = None


def serial_fittings(serial_id: int, user: User) -> list[Fitting]:
    """Every time that the serial was in a device, first first, from the versions that the database keeps.

    Three statements. Of devices at sites that the person may not know of only the days are told; a stores manager
    is told the reference, the mark and the position at sites of the branch, as by `serial_places`.
    """
    event = apps.get_model("installs", "DeviceEvent")
    held = event.objects.filter(serial_id=serial_id).values("pgh_obj_id")
    versions = (
        event.objects.filter(pgh_obj_id__in=held)
        .order_by("pgh_id")
        .values("pgh_obj_id", "pgh_label", "pgh_created_at", "serial_id", "fitted_on", "removed_on")
    )
    spans = list(_spans(versions, serial_id))
    if not spans:
        return []
    devices = {span.device_id for span in spans}
    opens = user.has_right(Right.SEE_SITES)
    known: dict[int, Any] = {
        row["id"]: row
        for row in (scope.devices(user) if opens else _of_the_branch(user)).filter(pk__in=devices).values(
            "id", "mark", "position", "removed_on", "system_id", "system__name", "system__site_id",
            "system__site__reference", "system__site__name",
        )
    }
    circuits = _circuits_of(known.keys()) if opens else {}
    return [_fitting(span, known.get(span.device_id), circuits, opens=opens) for span in spans]


def _spans(versions: Any, serial_id: int) -> Iterator[_Span]:
    """In the order in which they began."""
    running: dict[int, _Span] = {}
    for version in versions:
        device_id, gone = version["pgh_obj_id"], version["removed_on"] is not None
        here = version["serial_id"] == serial_id
        day = timezone.localdate(version["pgh_created_at"])
        fresh = version["pgh_label"] == "insert"
        if here and device_id not in running and (fresh or not gone):
            # A cover that came to a device on the wall is younger than the device.
            running[device_id] = span = _Span(device_id, version["fitted_on"] if fresh else day)
            yield span
        if device_id in running and (gone or not here):
            running.pop(device_id).until = version["removed_on"] if here else day


def _circuits_of(devices: Collection[int]) -> dict[int, list[str]]:
    """The circuits of each device in words; of a removed one those that it was on. One statement."""
    event = apps.get_model("installs", "CircuitPlaceEvent")
    last: dict[int, dict[str, Any]] = {}
    rows = event.objects.filter(device_id__in=list(devices)).order_by("pgh_id").values(
        "pgh_obj_id", "pgh_label", "device_id", "device__removed_on", "circuit__number", "circuit__zone"
    )
    for row in rows:
        last[row["pgh_obj_id"]] = row
    words: dict[int, list[str]] = {}
    for row in last.values():
        gone = row["pgh_label"] == "delete"
        text = f"{row['circuit__number']} {row['circuit__zone']}"
        if (not gone or row["device__removed_on"] is not None) and text not in words.setdefault(row["device_id"], []):
            words[row["device_id"]].append(text)
    return words


def _fitting(
    span: _Span, device: dict[str, Any] | None, circuits: Mapping[int, list[str]], *, opens: bool
) -> Fitting:
    if device is None:
        return Fitting(span.since, span.until, "At a site")
    site = device["system__site__reference"]
    if opens:
        site = f"{site} {device['system__site__name']}, {device['system__name']}"
    address = f"{reverse('installs:site', args=[device['system__site_id']])}#device-{device['id']}"
    return Fitting(
        span.since, span.until, f"{site}: {device['mark']}", device["position"],
        ", ".join(circuits.get(device["id"], ())),
        url=address if opens else None,
        settings_url=reverse("installs:device", args=[device["id"]]) if opens else None,
    )
