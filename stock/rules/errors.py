"""The error that every rule of this package raises."""

from __future__ import annotations


class RuleError(ValueError):
    """A value that a rule cannot compute with: names the field, the value and what to do about it."""

    def __init__(self, message: str, *, field: str, value: object, remedy: str) -> None:
        self.message = message
        self.field = field
        self.value = value
        self.remedy = remedy
        super().__init__(f"{field}: {message} (got {value!r}). {remedy}")
