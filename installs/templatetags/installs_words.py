"""Units in words."""

from __future__ import annotations

import math
from typing import Any

from django import template

from installs.rules.resistors import spoken_ohm

register = template.Library()


@register.filter
def ohms(value: float | None) -> str:
    """A resistance for people: '4.7 kΩ'; None is an open circuit."""
    return spoken_ohm(math.inf if value is None else float(value))


@register.filter
def metres(value: float) -> str:
    return f"{value:g} m"


@register.filter
def span(value: Any) -> str:
    """From least to greatest: of a row that holds `least_ohm` and `greatest_ohm`, or of (nominal, least, greatest)."""
    low, high = value[1:] if isinstance(value, tuple) else (value.least_ohm, value.greatest_ohm)
    least, greatest = ohms(low), ohms(high)
    return least if least == greatest else f"{least} to {greatest}"


@register.filter
def margin(value: float | None) -> str:
    """A distance to a band's edge in ohms; None: there is none to speak of."""
    if value is None:
        return "none to keep"
    return spoken_ohm(value) if value >= 0 else f"beyond by {spoken_ohm(-value)}"
