"""Units in words."""

from __future__ import annotations

import math

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
