"""Fitting, changing and removing devices, with the ledger kept in step."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from installs.models import CircuitPlace, Device, System
from installs.services import checks
from installs.services.loop_tables import keep_loop_tables
from installs.services.refusals import recorded
from stock.models import Backplate, Board, CableType, Location, Movement, Serial, Variant
from stock.services import move_serial_to_site, post_movement, take_serial_from_site

_USABLE = (Location.Kind.VAN, Location.Kind.STORE)


class _Keep:
    """Says that a part stays as it is, where None says that there is none."""


KEEP = _Keep()


def sites_place() -> Location:
    """The one location that stands for everything fitted at sites. Raises Conflict where there is none."""
    place = Location.objects.filter(kind=Location.Kind.SITE).order_by("pk").first()
    if place is None:
        raise Conflict(
            "No stock location stands for what is fitted at sites.", field="location", value="site",
            remedy="Add a location of the kind 'Fitted at sites'.",
        )
    return place


def locked(device: Device, read_at: datetime | None) -> Device:
    """The device as it is now, locked until commit, live and unchanged since it was read."""
    now = (
        Device.objects.select_for_update(of=("self",))
        .select_related("variant", "backplate__item", "board__item", "cable_type", "serial")
        .get(pk=device.pk)
    )
    checks.unchanged(now, read_at)
    checks.live(now)
    return now


def _usable(serial: Serial, variant: Variant) -> Serial:
    """The serial as the ledger has it: a cover of the variant, in a van or store. Raises otherwise."""
    now = Serial.objects.select_related("location", "item").get(pk=serial.pk)
    if now.item_id != variant.cover_id:
        raise InvalidInput(
            f"Serial {now.number} is a {now.item.name}, not the cover of {variant.code}.",
            field="serial", value=now.number, remedy="Choose a serial of this variant's cover.",
        )
    if now.location is None or now.location.kind not in _USABLE:
        where = f"is at {now.location.name}" if now.location else "has never been received"
        raise Conflict(
            f"Serial {now.number} {where}; only one in a van or a store can be fitted.",
            field="serial", value=now.number, remedy="Move it to the van first, or choose another.",
        )
    return now


def set_device_settings(
    device: Device, settings: Mapping[str, Any], *, by: User, read_at: datetime | None = None
) -> Device:
    """Record how a device is set now; the database keeps the version before.

    Raises InvalidInput for settings that the variant does not allow together, ChangedMeanwhile if the device
    changed after `read_at` (its `changed_at` when read), Conflict for a removed device.
    """
    with recorded(by):
        now = locked(device, read_at)
        checks.settings(now.variant, settings)
        now.settings = dict(settings)
        now.save(update_fields=["settings", "changed_at"])
    return now


def amend_device(
    device: Device,
    *,
    by: User,
    read_at: datetime | None = None,
    position: str | None = None,
    settings: Mapping[str, Any] | None = None,
) -> Device:
    """Change where a device is said to be, how it is set, or both. What is None stays. Raises as above."""
    with recorded(by):
        now = locked(device, read_at)
        if position is not None:
            if not position.strip():
                raise InvalidInput("A device needs a position.", field="position", value=position,
                                   remedy="Say where it hangs, for example 'Hall, above the door'.")
            now.position = position.strip()
        if settings is not None:
            checks.settings(now.variant, settings)
            now.settings = dict(settings)
        now.save(update_fields=["position", "settings", "changed_at"])
    return now


def fit_device(
    system: System,
    *,
    by: User,
    mark: str,
    position: str,
    variant: Variant,
    serial: Serial | None,
    backplate: Backplate,
    signalling_wires: int,
    cable_type: CableType,
    core_landings: Mapping[str, str | None],
    settings: Mapping[str, Any],
    fitted_on: date,
    board: Board | None = None,
    hand_wired: Mapping[str, Any] | None = None,
    reference: str = "",
) -> Device:
    """Record a newly fitted device and take its serial from van or store to the sites' place, in one
    transaction.

    `reference` names the visit or proposal in the ledger. Raises InvalidInput or Conflict.
    """
    with recorded(by, mark=mark, serial=serial):
        checks.parts_fit(variant, backplate, board, signalling_wires)
        checks.settings(variant, settings)
        landed = checks.landings(cable_type, backplate, core_landings)
        wired = checks.hand_wired(hand_wired)
        if serial is not None:
            serial = _usable(serial, variant)
            move_serial_to_site(serial, site_location=sites_place(), by=by, reference=reference)
        return Device.objects.create(
            system=system,
            mark=mark.strip(),
            position=position.strip(),
            variant=variant,
            serial=serial,
            backplate=backplate,
            board=board,
            hand_wired=wired,
            signalling_wires=signalling_wires,
            cable_type=cable_type,
            core_landings=landed,
            settings=dict(settings),
            fitted_on=fitted_on,
        )


def remove_device(
    device: Device,
    *,
    by: User,
    on: date,
    destination: Location,
    read_at: datetime | None = None,
    reference: str = "",
) -> Device:
    """End a device's record, take it off its circuits and bring its serial to `destination` (van, store,
    quarantine or scrap), in one transaction. Raises Conflict or ChangedMeanwhile.
    """
    with recorded(by, on=on, serial=device.serial_id):
        now = locked(device, read_at)
        now.removed_on = on
        now.save(update_fields=["removed_on", "changed_at"])
        circuits = list(now.places.values_list("circuit_id", flat=True))
        CircuitPlace.objects.filter(device=now).delete()
        keep_loop_tables(circuits)
        if now.serial is not None:
            take_serial_from_site(now.serial, destination=destination, by=by, reference=reference)
    return now


def replace_cover(
    device: Device,
    *,
    by: User,
    variant: Variant,
    serial: Serial | None,
    settings: Mapping[str, Any],
    old_to: Location,
    read_at: datetime | None = None,
    board: Board | _Keep | None = KEEP,
    board_from: Location | None = None,
    reference: str = "",
) -> Device:
    """Swap the cover (and the board, if `board` is given) on a backplate that stays, in one transaction.

    The old serial goes to `old_to` (van or quarantine), the new one from van or store to the sites' place. A
    new board is taken from `board_from` by quantity and the old one goes with the old cover. Raises
    InvalidInput when the parts do not fit or the settings are not allowed, Conflict when the ledger refuses.
    """
    with recorded(by, serial=serial):
        now = locked(device, read_at)
        new_board = now.board if isinstance(board, _Keep) else board
        wires = now.signalling_wires
        checks.parts_fit(variant, now.backplate, new_board, wires)
        checks.settings(variant, settings)
        _still_carried(now, variant)
        place = sites_place()
        if now.serial is not None:
            take_serial_from_site(now.serial, destination=old_to, by=by, reference=reference)
        if serial is not None:
            serial = _usable(serial, variant)
            move_serial_to_site(serial, site_location=place, by=by, reference=reference)
        if not isinstance(board, _Keep) and board != now.board:
            _swap_board(now.board, board, place=place, taken_from=board_from, old_to=old_to, by=by,
                        reference=reference)
        now.variant, now.serial, now.board, now.settings = variant, serial, new_board, dict(settings)
        now.save(update_fields=["variant", "serial", "board", "settings", "changed_at"])
        if not isinstance(board, _Keep):
            keep_loop_tables(now.places.values_list("circuit_id", flat=True))
    return now


def _still_carried(device: Device, variant: Variant) -> None:
    """Refuse a cover that has no output for a signal that one of the device's circuits expects."""
    expected = {f for functions in device.places.values_list("functions", flat=True) for f in functions}
    missing = sorted(expected - set(variant.outputs))
    if missing:
        raise InvalidInput(
            f"The cover of {variant.code} has no {missing[0]} output, which a circuit of device {device.mark} expects.",
            field="variant",
            value=variant.code,
            remedy=f"Choose a cover with a {missing[0]} output, or take {missing[0]} off the circuit first.",
        )


def _swap_board(
    old: Board | None,
    new: Board | None,
    *,
    place: Location,
    taken_from: Location | None,
    old_to: Location,
    by: User,
    reference: str,
) -> None:
    if new is not None:
        if taken_from is None:
            raise InvalidInput(
                f"The board {new} must come from somewhere.", field="board_from", value="",
                remedy="Name the van or store that it is taken from.",
            )
        post_movement(new.item, quantity=1, source=taken_from, destination=place, kind=Movement.Kind.FIT, by=by,
                      reference=reference)
    if old is not None:
        post_movement(old.item, quantity=1, source=place, destination=old_to, kind=Movement.Kind.REMOVE, by=by,
                      reference=reference)
