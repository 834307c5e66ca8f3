"""What an order line comes to: quantities that a supplier sells, deliveries, money."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal

from stock.rules.errors import RuleError

CENT = Decimal("0.01")
# As the ledger keeps the cost of one unit.
FOUR_PLACES = Decimal("0.0001")


@dataclass(frozen=True)
class Terms:
    """How a supplier sells an item, in its unit."""

    pack_size: int = 1
    minimum_order: int = 1


@dataclass(frozen=True)
class Delivered:
    """How a delivered quantity divides: what was still to come, and what is beyond the order."""

    due: int
    beyond: int


def quantity_to_order(wanted: int, terms: Terms) -> int:
    """The least quantity that the supplier sells and that is not below `wanted`: whole packs, no less than the least
    order. Raises RuleError for a quantity, pack or least order below 1."""
    if min(wanted, terms.pack_size, terms.minimum_order) < 1:
        raise RuleError(
            "A quantity, a pack and a least order are at least 1.", field="quantity", value=str(wanted),
            remedy="Correct the supplier's pack size and least order.",
        )
    least = max(wanted, terms.minimum_order)
    return -(-least // terms.pack_size) * terms.pack_size


def why_rounded(wanted: int, terms: Terms, *, unit: str) -> str:
    """How the ordered quantity came from the wanted one, in words; empty when they are the same."""
    ordered = quantity_to_order(wanted, terms)
    if ordered == wanted:
        return ""
    parts = []
    if terms.minimum_order > wanted:
        parts.append(f"least order {terms.minimum_order} {unit}")
    if terms.pack_size > 1:
        parts.append(f"packs of {terms.pack_size} {unit}")
    return f"{wanted} {unit} rounded up to {ordered} ({', '.join(parts)})."


def line_total(quantity: int, unit_price: Decimal | None) -> Decimal | None:
    """Quantity times price, to the cent (half up); None without a price."""
    return None if unit_price is None else (quantity * unit_price).quantize(CENT, ROUND_HALF_UP)


def order_total(lines: Iterable[tuple[int, Decimal | None]]) -> Decimal:
    """Sum of the line totals; lines without a price add nothing."""
    return sum((line_total(quantity, price) or Decimal(0) for quantity, price in lines), Decimal("0.00"))


def in_firms_currency(amount: Decimal, rate: Decimal) -> Decimal:
    """An amount of the order's currency in the firm's, to the cent; `rate`: the firm's for one of the order's."""
    return (amount * rate).quantize(CENT, ROUND_HALF_UP)


def unit_cost(unit_price: Decimal | None, rate: Decimal) -> Decimal | None:
    """What one unit costs in the firm's currency, to four places as the ledger keeps it; None without a price."""
    return None if unit_price is None else (unit_price * rate).quantize(FOUR_PLACES, ROUND_HALF_UP)


def divided(quantity: int, *, ordered: int, received: int) -> Delivered:
    """Divide a delivered quantity into what was still to come and what is beyond the order."""
    due = min(quantity, max(ordered - received, 0))
    return Delivered(due, quantity - due)


def taken_back(quantity: int, *, received: int, over: int) -> tuple[int, int] | None:
    """What a line has received and over after a receipt of `quantity` is taken back: what was over goes first.

    None when the line never took that much in.
    """
    if quantity > received + over:
        return None
    off = min(over, quantity)
    return received - (quantity - off), over - off


def days_late(expected_on: date | None, today: date) -> int:
    """Days since an order was to be in; 0 while it is not late."""
    return max((today - expected_on).days, 0) if expected_on else 0
