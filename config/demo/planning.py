"""How often the invented firm wants its stock to last, and what it used before it kept a ledger of spare parts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from random import Random

from stock.models import Item, Location, PastDemand, ServiceLevel, StoresPolicy

# Percent by class: what is used most, and regularly, is least often missing.
SERVICE = {
    "A": ("98", "97", "95"), "B": ("97", "95", "92"), "C": ("95", "92", "90"),
}
WEEKS = 104
# A spare part or a drum's cable is wanted in so many weeks of a hundred, and so much at a time at most.
WANTED = {Item.Kind.SPARE: (35, 3), Item.Kind.CABLE: (70, 60)}


def plan_ahead(stores: Mapping[str, Location], *, seed: int, today: date) -> int:
    """Write policy, service levels and past demand of spare parts and cable; returns the weeks written."""
    StoresPolicy.objects.get_or_create(pk=1)
    ServiceLevel.objects.bulk_create(
        [
            ServiceLevel(abc=abc, xyz=xyz, percent=Decimal(percent))
            for abc, row in SERVICE.items() for xyz, percent in zip("XYZ", row, strict=True)
        ],
        ignore_conflicts=True,
    )
    monday = today - timedelta(days=today.weekday())
    rows = []
    for item in Item.objects.filter(kind__in=WANTED).order_by("sku"):
        chance, most = WANTED[Item.Kind(item.kind)]
        for code, store in sorted(stores.items()):
            random = Random(f"{seed}:{item.sku}:{code}")  # noqa: S311 - invented data
            rows += [
                PastDemand(item=item, location=store, week=monday - timedelta(weeks=week),
                           quantity=random.randint(1, most))
                for week in range(1, WEEKS + 1) if random.randrange(100) < chance
            ]
    PastDemand.objects.bulk_create(rows, batch_size=1000)
    return len(rows)
