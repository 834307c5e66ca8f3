"""What lies in quarantine, since when and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import OuterRef, Subquery
from django.db.models.functions import Coalesce

from config.accounts.models import User
from stock.models import Balance, BatchBalance, Item, Location, Movement, Serial
from stock.queries.postings import verbs_at

MOST = 300


@dataclass(frozen=True)
class QuarantineRow:
    """A piece, a batch or a quantity that waits; `note` and `by` are of the last movement that brought it."""

    item_id: int
    sku: str
    name: str
    unit: str
    serial_id: int | None
    serial: str
    batch: str
    quantity: int
    place: str
    place_id: int
    since: datetime | None
    note: str
    by: str
    verbs: list[tuple[str, str]]

    @property
    def about(self) -> str:
        """Which row a button belongs to, for those who hear it."""
        return f"serial {self.serial}" if self.serial else f"{self.sku} {self.batch}".strip()


def in_quarantine(user: User) -> list[QuarantineRow]:
    """All that waits at the quarantine places that the person sees, longest first; at most 300 of a kind.

    Four statements.
    """
    places = {
        place.pk: place for place in Location.objects.visible_to(user).filter(kind=Location.Kind.QUARANTINE)
    }
    came = Movement.objects.filter(serial=OuterRef("pk")).order_by("-id")
    # Why it is there says what brought it, not the correction of what took it away by mistake.
    why = came.filter(destination=OuterRef("location_id")).exclude(kind=Movement.Kind.CORRECT)
    serials = Serial.objects.filter(location__in=places).annotate(
        last=Coalesce(Subquery(why.values("id")[:1]), Subquery(came.values("id")[:1]))
    )
    last = {
        movement.serial_id: movement
        for movement in Movement.objects.filter(
            pk__in=serials.order_by("last").values("last")[:MOST]
        ).select_related("item", "serial", "posted_by")
    }
    into = Movement.objects.filter(item=OuterRef("item_id"), destination=OuterRef("location_id")).order_by("-id")
    batches = (
        BatchBalance.objects.filter(location__in=places, on_hand__gt=0).select_related("item")
        .annotate(
            since=Subquery(into.filter(batch=OuterRef("batch")).values("at")[:1]),
            note=Subquery(into.filter(batch=OuterRef("batch")).values("note")[:1]),
            who=Subquery(into.filter(batch=OuterRef("batch")).values("posted_by__name")[:1]),
        )
        .order_by("since", "id")[:MOST]
    )
    loose = (
        Balance.objects.filter(location__in=places, on_hand__gt=0, item__tracking=Item.Tracking.NONE)
        .select_related("item")
        .annotate(
            since=Subquery(into.values("at")[:1]), note=Subquery(into.values("note")[:1]),
            who=Subquery(into.values("posted_by__name")[:1]),
        )
        .order_by("since", "id")[:MOST]
    )
    rows = [
        _row(
            movement.item, places[movement.destination_id], user, quantity=1, serial=movement.serial,
            since=movement.at, note=movement.note, by=movement.posted_by.name if movement.posted_by else "",
        )
        for movement in last.values() if movement.destination_id in places
    ]
    rows += [
        _row(row.item, places[row.location_id], user, quantity=row.on_hand, batch=row.batch, since=row.since,
             note=row.note or "", by=row.who or "")
        for row in batches
    ]
    rows += [
        _row(row.item, places[row.location_id], user, quantity=row.on_hand, since=row.since, note=row.note or "",
             by=row.who or "")
        for row in loose
    ]
    return sorted(rows, key=lambda row: (row.since is not None, row.since.timestamp() if row.since else 0, row.sku))


def _row(
    item: Item, place: Location, user: User, *, quantity: int, since: datetime | None, note: str, by: str,
    serial: Serial | None = None, batch: str = "",
) -> QuarantineRow:
    return QuarantineRow(
        item_id=item.pk, sku=item.sku, name=item.name, unit=item.unit,
        serial_id=serial.pk if serial else None, serial=serial.number if serial else "", batch=batch,
        quantity=quantity, place=place.name, place_id=place.pk, since=since, note=note, by=by,
        verbs=[pair for pair in verbs_at(user, place) if pair[0] in {"release", "scrap", "return"}],
    )
