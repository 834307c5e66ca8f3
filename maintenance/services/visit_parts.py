"""Parts that a visit fits, brings back or leaves: each one transaction with the device's record and the promise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone

from config.accounts.models import User
from config.errors import Conflict, InvalidInput
from installs.models import Device
from installs.services.devices import KEEP, replace_cover, sites_place
from maintenance.models import SwapProposal, SwapVerdict, Visit
from maintenance.queries.swaps import settings_to_set, why_not
from maintenance.queries.visit_parts import may_record, proposals_at, reference_of, van_of
from stock.models import Board, Item, Location, Movement, Reservation, Serial, Variant
from stock.services.ledger import correct_movement, post_movement, release_reservation
from stock.services.reservations import take_from_reservations


@transaction.atomic
def fit_part(visit: Visit, item: Item, *, quantity: int, by: User, batch: str = "") -> Movement:
    """Record that a quantity of an item from the engineer's van was fitted on the visit.

    What was promised to the visit, or to an accepted swap at its site, is used first. Raises InvalidInput for an item
    tracked by serial number (its device must be named), and what the ledger raises.
    """
    _check(visit)
    if item.tracking == Item.Tracking.SERIAL:
        raise InvalidInput(f"{item.sku} is tracked by serial number.", field="item", value=item.sku,
                           remedy="Choose the device that the piece goes to, below.")
    van = _van(visit)
    take_from_reservations(
        item, van, references=[reference_of(visit), *proposals_at(visit)], quantity=quantity
    )
    return post_movement(
        item, quantity=quantity, source=van, destination=sites_place(), kind=Movement.Kind.FIT, by=by,
        batch=batch.strip(), reference=reference_of(visit),
    )


@transaction.atomic
def take_back(visit: Visit, movement: Movement, *, by: User, note: str = "") -> Movement:
    """Take a part that was recorded by mistake back into the van. Raises Conflict for other movements."""
    _check(visit)
    if movement.reference != reference_of(visit) or movement.kind != Movement.Kind.FIT:
        raise Conflict("This movement is not a part fitted on the visit.", field="movement", value=movement.pk,
                       remedy="Ask the stores to take it back.")
    return correct_movement(movement, by=by, note=note.strip() or "recorded by mistake")


@transaction.atomic
def leave_unused(visit: Visit, reservation: Reservation, *, by: User) -> Reservation:
    """Give back what was promised to the visit and is not used; it stays where it is. Raises Conflict."""
    if reservation.reference != reference_of(visit):
        raise Conflict(f"This is reserved for {reservation.reference}, not for the visit.", field="reservation",
                       value=reservation.pk, remedy="Leave it; it is released when its own work ends.")
    return release_reservation(reservation, by=by)


@transaction.atomic
def put_cover_on(visit: Visit, device: Device, serial: Serial, *, by: User) -> Device:
    """Replace the cover of a device at the visit's site by a numbered one from the van: the record and the ledger in
    one transaction. The old cover comes into the van.

    The same variant keeps its settings. Another one gets those that make it do what the old one did, and its board
    where an accepted swap says so; the swap is done then. Raises InvalidInput or Conflict when it does not fit.
    """
    _check(visit)
    van = _van(visit)
    device = Device.objects.select_related("variant", "system", "board__item").get(pk=device.pk)
    if device.system.site_id != visit.site_id:
        raise InvalidInput(f"Device {device.mark} is not at this visit's site.", field="device", value=device.mark,
                           remedy="Choose a device of the site.")
    now = Serial.objects.select_related("item", "location").get(pk=serial.pk)
    if now.location_id != van.pk:
        where = f"is at {now.location}" if now.location else "has never been received"
        raise Conflict(f"Serial {now.number} {where}, not in {van}.", field="serial", value=now.number,
                       remedy="Choose one from the van, or have it moved there first.")
    variant = Variant.objects.filter(cover=now.item_id).first()
    if variant is None:
        raise InvalidInput(f"{now.item} is not a cover.", field="serial", value=now.number,
                           remedy="Choose the serial number of a cover.")
    proposals = proposals_at(visit)
    accepted = next((p for p in proposals.values() if p.device_id == device.pk), None)
    outcome = _outcome(device, variant, accepted, by)
    for item in sorted(outcome.items(variant), key=lambda part: part.pk):
        take_from_reservations(item, van, references=[reference_of(visit), *proposals], quantity=1)
    fitted = replace_cover(
        device, by=by, variant=variant, serial=now, settings=outcome.settings, old_to=van,
        board=outcome.board if outcome.swaps_board else KEEP, board_from=van if outcome.swaps_board else None,
        reference=reference_of(visit),
    )
    if accepted is not None and accepted.verdict.variant_id == variant.pk:
        SwapProposal.objects.filter(pk=accepted.pk, state=SwapProposal.State.ACCEPTED).update(
            state=SwapProposal.State.DONE, version=accepted.version + 1
        )
    return fitted


@dataclass(frozen=True)
class _Outcome:
    """What the device will be like."""

    settings: Mapping[str, Any]
    board: Board | None = None
    swaps_board: bool = False

    def items(self, variant: Variant) -> list[Item]:
        return [variant.cover, *([self.board.item] if self.swaps_board and self.board else [])]


def _outcome(device: Device, variant: Variant, accepted: SwapProposal | None, by: User) -> _Outcome:
    if variant.pk == device.variant_id:
        return _Outcome(device.settings)
    if accepted is not None and accepted.verdict.variant_id == variant.pk:
        verdict = accepted.verdict
        swaps = verdict.board is not None and verdict.board_id != device.board_id
        return _Outcome(settings_to_set(device, verdict), verdict.board, swaps)
    judged = why_not(by, device.pk)
    options = [option for option in judged.options if option.cover.key == variant.pk] if judged else []
    plain = next(
        (o for o in options if o.rank > 0 and o.judgement.verdict.value == SwapVerdict.Verdict.FITS), None
    )
    if plain is not None:
        return _Outcome(plain.settings)
    against = next((reason.text for o in options for reason in o.judgement.reasons_against), "")
    raise InvalidInput(
        f"The cover {variant.code} does not go on device {device.mark} as it is wired. {against}".strip(),
        field="serial", value=variant.code,
        remedy="Look at what fits there on the device's page of swaps, and have that swap accepted first.",
    )


def _check(visit: Visit) -> None:
    if not may_record(visit):
        raise Conflict(f"Nothing is fitted on a visit that is {visit.get_state_display().lower()}"
                       f"{' and remote' if visit.kind == Visit.Kind.REMOTE else ''}.", field="visit", value=visit.pk,
                       remedy="Record the parts on the visit that fitted them.")
    if timezone.localtime(visit.period.lower).date() > timezone.localdate():
        raise Conflict("The visit has not come yet.", field="visit", value=visit.pk,
                       remedy="Record parts on the day of the visit or later.")


def _van(visit: Visit) -> Location:
    van = van_of(visit)
    if van is None:
        raise Conflict(f"{visit.engineer.user.name} has no van, so parts cannot come from it.", field="visit",
                       value=visit.pk, remedy="Ask the stores to add the van.")
    return van
