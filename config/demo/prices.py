"""What things cost the invented firm: by kind and stock number, a little less each year back."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from decimal import Decimal
from zlib import crc32

from stock.models import Item, Supplier, SupplierItem

# Least and greatest price by kind of item, in pounds for one unit.
PRICES = {
    Item.Kind.COVER: (18, 62), Item.Kind.BACKPLATE: (3, 6), Item.Kind.BOARD: (2, 5), Item.Kind.INSERT: (1, 4),
    Item.Kind.CABLE: (0.12, 0.34), Item.Kind.SPARE: (6, 31),
}
PACKS = {Item.Kind.BOARD: 10, Item.Kind.BACKPLATE: 5, Item.Kind.CABLE: 100}


def price_of(item: Item, at: datetime, today: datetime) -> Decimal:
    """Price of one unit at that time, in pounds; two per cent less for each year back."""
    least, most = PRICES[Item.Kind(item.kind)]
    share = crc32(item.sku.encode()) % 1000 / 1000
    years = max((today - at).days // 365, 0)
    return Decimal(f"{(least + share * (most - least)) * 0.98**years:.4f}")


def price_lists(items: Iterable[Item], supplier_of: Callable[[Item], Supplier], today: datetime) -> list[SupplierItem]:
    """One preferred supplier for each item, with price, pack and least order."""
    return SupplierItem.objects.bulk_create(
        SupplierItem(
            supplier=supplier_of(item), item=item, unit_price=price_of(item, today, today),
            supplier_code=f"{supplier_of(item).name[:2].upper()}{crc32(item.sku.encode()) % 100000:05d}",
            pack_size=PACKS.get(Item.Kind(item.kind), 1), minimum_order=PACKS.get(Item.Kind(item.kind), 1),
        )
        for item in items
    )
