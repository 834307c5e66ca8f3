"""A resistance in a form."""

from __future__ import annotations

from typing import Any

from django import forms

from installs.rules.errors import RuleError
from installs.rules.resistors import parse_ohm

_LONGEST = 20


class OhmField(forms.CharField):
    """A resistance as people write it: 4700, 4.7k, 4k7. Gives ohms; None when left empty."""

    def to_python(self, value: Any) -> Any:
        # Cut before it is parsed: the value itself has no length to check.
        text = (super().to_python(value) or "")[:_LONGEST]
        if not text:
            return None
        try:
            return parse_ohm(text)
        except RuleError as error:
            raise forms.ValidationError(f"'{text}' {error.message}. {error.remedy}") from None
