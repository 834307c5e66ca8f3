"""Money and prices as pages show them; the currency is written beside."""

from __future__ import annotations

from decimal import Decimal

from django import template

register = template.Library()


@register.filter
def money(amount: Decimal | None) -> str:
    """An amount to the cent, with commas between thousands."""
    return "" if amount is None else f"{amount:,.2f}"


@register.filter
def price(amount: Decimal | None) -> str:
    """A price of one unit: two places, or as many as it has."""
    if amount is None:
        return ""
    text = f"{amount:,.4f}"
    return text[:-2] if text.endswith("00") else text
