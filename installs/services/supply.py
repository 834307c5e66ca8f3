"""Recording how devices are fed, and taking in the standards' standby hours."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from config.errors import ChangedMeanwhile, Conflict, InvalidInput
from installs.models import Device, PowerFeed, StandbyRule, System
from installs.queries.supply import system_feeds
from installs.rules import supply
from installs.rules.errors import RuleError
from installs.rules.loop_states import CableSpec
from installs.rules.standby import STANDARD_STANDBY
from installs.services.refusals import recorded
from stock.models import CableType

if TYPE_CHECKING:
    from config.accounts.models import User

LONGEST_RUN_M = 2000.0
MOST_CORES = 12


def feed_version(device: Device) -> str:
    """The state of a device's recorded feed as a few characters; empty without one. One statement."""
    row = PowerFeed.objects.filter(device=device).first()
    return "" if row is None else f"{row.fed_from_id or 0}/{row.run_m!r}/{row.cable_type_id}/{row.cores_per_pole}"


def set_power_feed(
    device: Device,
    *,
    by: User,
    fed_from: Device | None,
    run_m: float,
    cable_type: CableType,
    cores_per_pole: int = 1,
    version: str | None = None,
) -> PowerFeed:
    """Record where a device's power pair comes from; `fed_from` None is the panel, `run_m` metres from there.

    The history keeps the feed before. Raises InvalidInput for a feeder of another system, a removed one, a ring, or
    a figure that cannot be; Conflict for a removed device; ChangedMeanwhile if `version` (`feed_version` when read)
    is no longer that of the record.
    """
    if not 0 <= run_m <= LONGEST_RUN_M:
        raise InvalidInput("That is no length of a cable run.", field="run_m", value=run_m,
                           remedy=f"Write metres from 0 to {LONGEST_RUN_M:g}.")
    if not 1 <= cores_per_pole <= MOST_CORES:
        raise InvalidInput("That is no number of cores to a pole.", field="cores_per_pole", value=cores_per_pole,
                           remedy=f"Write 1 to {MOST_CORES}.")
    with recorded(by):
        now = _locked(device, version)
        if fed_from is not None:
            _checked_feeder(now, fed_from)
        row, _ = PowerFeed.objects.update_or_create(
            device=now,
            defaults={
                "fed_from": fed_from, "run_m": run_m, "cable_type": cable_type, "cores_per_pole": cores_per_pole,
            },
        )
        _check_no_ring(now)
    return row


def clear_power_feed(device: Device, *, by: User, version: str | None = None) -> None:
    """Take a device's power pair to follow its signals again. Raises as `set_power_feed`; without a row, nothing
    changes."""
    with recorded(by):
        now = _locked(device, version)
        PowerFeed.objects.filter(device=now).delete()
        _check_no_ring(now)


def install_standby_rules() -> int:
    """Add the standards' standby hours; rules that are there, edited or not, stay. Returns how many were added."""
    with transaction.atomic():
        before = StandbyRule.objects.count()
        StandbyRule.objects.bulk_create(
            [
                StandbyRule(
                    scheme=row.scheme, grade=row.grade, psu_type=row.psu_type, fault_signalled=row.fault_signalled,
                    standby_hours=row.standby_hours, alarm_minutes=row.alarm_minutes,
                    recharge_hours=row.recharge_hours, recharge_percent=row.recharge_percent, source=row.source,
                )
                for row in STANDARD_STANDBY
            ],
            ignore_conflicts=True,
        )
        return StandbyRule.objects.count() - before


def _locked(device: Device, version: str | None) -> Device:
    """The device as it is now. The whole system is locked: two people could else close a ring between them."""
    System.objects.select_for_update().get(pk=device.system_id)
    now = Device.objects.get(pk=device.pk)
    if now.removed_on is not None:
        raise Conflict(f"Device {now.mark} was removed on {now.removed_on:%-d %b %Y}.", field="device", value=now.mark,
                       remedy="Record the feed of the device that took its place.")
    if version is not None and version != feed_version(now):
        raise ChangedMeanwhile(f"The power feed of {now.mark} was changed meanwhile.", field="version", value=version,
                               remedy="Look at it as it is now, then record yours again.")
    return now


def _checked_feeder(device: Device, fed_from: Device) -> None:
    if fed_from.pk == device.pk:
        raise InvalidInput(f"{device.mark} cannot be fed from itself.", field="fed_from", value=fed_from.mark,
                           remedy="Choose the panel or another device.")
    if fed_from.system_id != device.system_id:
        raise InvalidInput(f"{fed_from.mark} belongs to another system.", field="fed_from", value=fed_from.mark,
                           remedy="Choose the panel or a device of the same system.")
    if Device.objects.filter(pk=fed_from.pk, removed_on=None).first() is None:
        raise InvalidInput(f"{fed_from.mark} was removed.", field="fed_from", value=fed_from.mark,
                           remedy="Choose the panel or a device in use.")


def _check_no_ring(device: Device) -> None:
    """Refuse feeds that close a ring, those counted that are only taken to follow the signals."""
    devices, feeds = system_feeds(device.system_id)
    network = [
        supply.FedDevice(str(pk), devices[pk].mark, str(feed.fed_from or supply.PANEL), 0.0, CableSpec(0.0), 0.0, 0.0)
        for pk, feed in feeds.items()
    ]
    try:
        supply.check_no_ring(network)
    except RuleError as error:
        raise InvalidInput(
            f"With that, {error.message}; a device without a recorded feed is taken to follow its circuit.",
            field="fed_from", value=error.value,
            remedy="Record first where the other device of the ring is fed from.",
        ) from error
