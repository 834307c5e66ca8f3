"""Pieces in quarantine that wait for a test, and one batch that is being recalled."""

from __future__ import annotations

from datetime import date, timedelta

from django.db.models import Count, F

from config.accounts.rights import Role
from config.demo.firm import People, local
from installs.models import Device
from maintenance.services.recalls import make_recall
from stock.models import Balance, Item, Location, Serial
from stock.services.quarantine import put_in_quarantine

REASONS = ("Walk test: reacts late", "Housing cracked in the box", "LED dead out of the box")
RECALL = "The lens clouds in damp rooms: look at each, and replace it where it has."


def load_aside(people: People, today: date) -> int:
    """Set a few pieces of each store aside and recall the batch that is in most devices; returns pieces set aside."""
    evening = local(today - timedelta(days=1), 20)
    by = people.office[Role.STORES]
    done = 0
    for store in sorted(people.stores.values(), key=lambda place: place.code):
        aside = Location.objects.filter(kind=Location.Kind.QUARANTINE, branch=store.branch_id).first()
        free = Balance.objects.filter(
            location=store, on_hand__gt=F("reserved") + F("reserved_ahead") + 1, item__tracking=Item.Tracking.SERIAL
        ).values("item_id")
        pieces = Serial.objects.filter(location=store, item__in=free).select_related("item").order_by("number")
        if aside is None:
            continue
        chosen = {piece.item_id: piece for piece in reversed(pieces)}
        for reason, piece in zip(REASONS, sorted(chosen.values(), key=lambda piece: piece.number), strict=False):
            put_in_quarantine(piece.item, source=store, destination=aside, quantity=1, by=by, serial=piece,
                              note=reason, at=evening)
            done += 1
    batch = (
        Device.objects.filter(removed_on=None).exclude(serial__batch="").exclude(serial=None)
        .values("serial__item_id", "serial__batch").annotate(pieces=Count("id"))
        .order_by("-pieces", "serial__item__sku", "serial__batch").first()
    )
    if batch is not None:
        item = Item.objects.get(pk=batch["serial__item_id"])
        recall = make_recall(item, batch=batch["serial__batch"], reason=RECALL, by=people.office[Role.SERVICE_MANAGER])
        recall.made_at = evening
        recall.save(update_fields=["made_at"])
    return done
