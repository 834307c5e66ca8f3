"""The least that a location should hold of an item, and what it is filled up to."""

from __future__ import annotations

from config.accounts.models import User
from config.errors import InvalidInput
from stock.models import Item, Location, StockLevel
from stock.services.refusals import Posting, explained


def make_stock_level(
    item: Item, location: Location, *, minimum: int, target: int, by: User | None
) -> StockLevel:
    """Say for the first time what a location should hold of an item. Raises Conflict when a level is there."""
    if location.kind not in Location.PHYSICAL:
        raise InvalidInput(f"Stock at {location} is not counted, so it has no level.", field="location",
                           value=location, remedy="Choose a store or a van.")
    with explained(Posting(item=item, source=location)):
        return StockLevel.objects.create(item=item, location=location, minimum=minimum, target=target)


def set_stock_level(level: StockLevel, *, minimum: int, target: int, by: User | None) -> StockLevel:
    """Set the least that a location should hold of an item, and what it is filled up to; the nightly plan leaves it
    alone from now on."""
    with explained(Posting()):
        level.minimum, level.target, level.by_hand = minimum, target, True
        level.save(update_fields=["minimum", "target", "by_hand"])
    return level
