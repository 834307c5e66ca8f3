"""The parts of a visit: what is promised to it, what is in the van, what can be replaced, what was fitted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, OuterRef, Q
from django.shortcuts import get_object_or_404
from django.utils import timezone

from config.accounts.models import User
from installs.models import Device, Site
from maintenance.models import SwapProposal, Visit
from maintenance.queries.visits import visits_of
from stock.models import Balance, BatchBalance, Item, Location, Movement, Reservation, Serial
from stock.rules.codes import read_code


@dataclass(frozen=True)
class Promised:
    """A quantity that is reserved for this visit, or for an accepted swap at its site."""

    pk: int
    item_id: int
    sku: str
    name: str
    unit: str
    tracking: str
    quantity: int
    place: str
    in_van: bool
    ahead: bool
    reference: str
    visit_own: bool
    batches: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class VanItem:
    item_id: int
    sku: str
    name: str
    unit: str
    tracking: str
    on_hand: int
    batches: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class VanSerial:
    pk: int
    number: str
    item_id: int
    sku: str
    name: str


@dataclass(frozen=True)
class InPlace:
    """A device in use at the site, that a cover can be put on. `wanted` names the cover of an accepted swap."""

    pk: int
    mark: str
    position: str
    variant: str
    cover_id: int
    serial: str
    wanted: str


@dataclass(frozen=True)
class Posted:
    """A movement of this visit."""

    pk: int
    item_id: int
    at: datetime
    kind: str
    fitted: bool
    quantity: int
    unit: str
    sku: str
    name: str
    serial_id: int | None
    serial: str
    batch: str
    source: str
    destination: str
    by: str
    corrected: bool
    correction: bool

    @property
    def to_be_tested(self) -> bool:
        """A numbered piece that was taken off."""
        return not self.fitted and self.serial_id is not None and not self.correction and not self.corrected

    @property
    def can_be_taken_back(self) -> bool:
        return self.fitted and self.serial_id is None and not self.corrected and not self.correction


@dataclass(frozen=True)
class VisitParts:
    visit: Visit
    starts: datetime
    van: Location | None
    open: bool  # whether parts may be recorded
    site_open: bool
    promised: list[Promised]
    van_items: list[VanItem]
    van_serials: list[VanSerial]
    devices: list[InPlace]
    posted: list[Posted]

    @property
    def back(self) -> list[Posted]:
        """What was taken off on this visit."""
        return [row for row in self.posted if not row.fitted and not row.correction and not row.corrected]


def reference_of(visit: Visit) -> str:
    """How reservations and movements name a visit."""
    return f"visit {visit.pk}"


def proposals_at(visit: Visit) -> dict[str, SwapProposal]:
    """Accepted swaps at the visit's site, by how reservations name them. One statement."""
    found = SwapProposal.objects.filter(
        device__system__site=visit.site_id, device__removed_on=None, state=SwapProposal.State.ACCEPTED
    ).select_related("verdict__variant", "verdict__board__item")
    return {f"proposal {proposal.pk}": proposal for proposal in found}


def visit_of(user: User, pk: int) -> Visit:
    """A visit that the person may see; 404 otherwise. One statement."""
    found: Visit = get_object_or_404(
        visits_of(user).select_related("site", "engineer__user").annotate(
            site_open=Exists(Site.objects.visible_to(user).filter(pk=OuterRef("site_id")))
        ),
        pk=pk,
    )
    return found


def van_of(visit: Visit) -> Location | None:
    """The van of the visit's engineer. One statement."""
    return Location.objects.filter(kind=Location.Kind.VAN, engineer=visit.engineer.user_id).first()


def may_record(visit: Visit) -> bool:
    """Parts are recorded before or after the results, but not on a visit that did not take place. No statement."""
    return visit.kind == Visit.Kind.SITE and visit.state in (*Visit.LIVE, Visit.State.DONE)


def visit_parts(user: User, pk: int) -> VisitParts:
    """All about the parts of a visit. Nine statements. 404 for a visit that the person may not see."""
    visit = visit_of(user, pk)
    site_open = bool(getattr(visit, "site_open", False))
    van = van_of(visit)
    proposals = proposals_at(visit)
    batches: dict[int, list[tuple[str, int]]] = {}
    for item, batch, held in (
        BatchBalance.objects.filter(location=van, on_hand__gt=0).order_by("batch")
        .values_list("item_id", "batch", "on_hand")
    ):
        batches.setdefault(item, []).append((batch, held))
    return VisitParts(
        visit=visit,
        starts=timezone.localtime(visit.period.lower),
        van=van,
        open=may_record(visit),
        site_open=site_open,
        promised=_promised(visit, van, proposals, batches),
        van_items=_van_items(van, batches),
        van_serials=_van_serials(van),
        devices=_devices(visit, proposals) if site_open else [],
        posted=_posted(visit),
    )


def serial_named(user: User, parts: VisitParts, text: str) -> int | None:
    """The key of the cover with that number or label: of those in the van, else of any that the person sees (of a
    second press it has left the van with the first). One statement, if it is not in the van."""
    code = read_code(text)
    key = code.number if code is not None and code.kind == "serial" else None
    for row in parts.van_serials:
        if row.pk == key or row.number.upper() == text.upper():
            return row.pk
    named = Q(pk=key) if key is not None else Q(number__in={text, text.upper()})
    return Serial.objects.visible_to(user).filter(named).order_by("pk").values_list("pk", flat=True).first()


def _promised(
    visit: Visit, van: Location | None, proposals: dict[str, SwapProposal], batches: dict[int, list[tuple[str, int]]]
) -> list[Promised]:
    rows = (
        Reservation.objects.filter(
            Q(reference=reference_of(visit)) | Q(reference__in=proposals), state=Reservation.State.OPEN
        )
        .select_related("item", "location").order_by("item__name", "pk")
    )
    return [
        Promised(
            pk=row.pk, item_id=row.item_id, sku=row.item.sku, name=row.item.name, unit=row.item.unit,
            tracking=row.item.tracking, quantity=row.quantity, place=row.location.name,
            in_van=van is not None and row.location_id == van.pk and not row.ahead, ahead=row.ahead,
            reference=row.reference, visit_own=row.reference == reference_of(visit),
            batches=tuple(batches.get(row.item_id, ())),
        )
        for row in rows
    ]


def _van_items(van: Location | None, batches: dict[int, list[tuple[str, int]]]) -> list[VanItem]:
    rows = (
        Balance.objects.filter(location=van, on_hand__gt=0).exclude(item__tracking=Item.Tracking.SERIAL)
        .select_related("item").order_by("item__name", "pk")
    )
    return [
        VanItem(row.item_id, row.item.sku, row.item.name, row.item.unit, row.item.tracking, row.on_hand,
                tuple(batches.get(row.item_id, ())))
        for row in rows
    ]


def _van_serials(van: Location | None) -> list[VanSerial]:
    rows = (
        Serial.objects.filter(location=van, location__isnull=False).select_related("item")
        .order_by("item__name", "number")[:200]
    )
    return [VanSerial(row.pk, row.number, row.item_id, row.item.sku, row.item.name) for row in rows]


def _devices(visit: Visit, proposals: dict[str, SwapProposal]) -> list[InPlace]:
    wanted = {proposal.device_id: proposal.verdict.variant.code for proposal in proposals.values()}
    rows = (
        Device.objects.filter(system__site=visit.site_id, removed_on=None).select_related("variant", "serial")
        .order_by("system_id", "mark", "pk")
    )
    return [
        InPlace(row.pk, row.mark, row.position, row.variant.code, row.variant.cover_id,
                row.serial.number if row.serial else "", wanted.get(row.pk, ""))
        for row in rows
    ]


def _posted(visit: Visit) -> list[Posted]:
    rows = (
        Movement.objects.filter(reference=reference_of(visit))
        .filter(Q(source__kind=Location.Kind.SITE) | Q(destination__kind=Location.Kind.SITE))
        .select_related("item", "serial", "source", "destination", "posted_by", "corrected_by").order_by("-id")
    )
    return [
        Posted(
            pk=row.pk, item_id=row.item_id, at=row.at, kind=row.get_kind_display(),
            fitted=row.kind == Movement.Kind.FIT,
            quantity=row.quantity, unit=row.item.unit, sku=row.item.sku, name=row.item.name, serial_id=row.serial_id,
            serial=row.serial.number if row.serial else "", batch=row.batch, source=row.source.name,
            destination=row.destination.name, by=row.posted_by.name if row.posted_by else "",
            corrected=hasattr(row, "corrected_by"), correction=row.corrects_id is not None,
        )
        for row in rows
    ]
