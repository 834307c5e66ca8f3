"""Reads about deliveries: what can come in, what is known already, and where what is wrong goes."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.models import Q

from stock.models import Item, Location, Order, Supplier, SupplierItem
from stock.queries.orders import LineRow, line_row


def quarantine_of(place: Location) -> Location | None:
    """Where the place's branch keeps what is not to be used. One statement."""
    return Location.objects.filter(kind=Location.Kind.QUARANTINE, branch=place.branch).order_by("id").first()


def find_line(order: Order, pk: int) -> LineRow | None:
    """One line of the order. Two statements."""
    line = order.lines.select_related("item").filter(pk=pk).first()
    if line is None:
        return None
    terms = SupplierItem.objects.filter(supplier_id=order.supplier_id, item_id=line.item_id)
    return line_row(line, {found.item_id: found for found in terms})


def find_item(text: str) -> Item | None:
    """The item of a typed or scanned stock number, or of an exact name. One statement."""
    wanted = text.strip()
    found = list(Item.objects.filter(Q(sku__iexact=wanted) | Q(name__iexact=wanted)).order_by("id")[:2])
    return found[0] if len(found) == 1 else None


def item_choices(*, supplier: Supplier | None = None, most: int = 500) -> list[tuple[str, str]]:
    """Stock numbers with names, to choose from; of one supplier's list, if it has one. One or two statements."""
    if supplier is not None:
        listed = list(
            SupplierItem.objects.filter(supplier=supplier).order_by("item__sku")
            .values_list("item__sku", "item__name")[:most]
        )
        if listed:
            return listed
    return list(Item.objects.order_by("sku").values_list("sku", "name")[:most])


def known_numbers(item: Item, numbers: Sequence[str]) -> dict[str, str]:
    """Which of these serial numbers of an item are in the firm's records already, each with where. One statement.

    Pieces that are back at a supplier are left out: they may come in again.
    """
    found = (
        item.serials.filter(number__in=numbers).exclude(location__kind=Location.Kind.SUPPLIER)
        .values_list("number", "location__name")
    )
    return {number: place or "never moved" for number, place in found}
