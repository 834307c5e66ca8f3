"""The one family of errors that services and queries raise and doors show.

Every error names what is wrong (field and value) and what to do about it.
"""

from __future__ import annotations


class ZonewrightError(Exception):
    """Base: something the user asked for cannot be done as asked."""

    status = 400
    title = "The request cannot be carried out"

    def __init__(self, message: str, *, field: str = "", value: object = "", remedy: str = "") -> None:
        self.message = message
        self.field = field
        self.value = "" if value is None else str(value)
        self.remedy = remedy
        super().__init__(f"{message} {remedy}".strip())


class InvalidInput(ZonewrightError):
    """A value is not one that can be used."""

    title = "A value cannot be used"


class Conflict(ZonewrightError):
    """The request is well formed, but the record as it stands forbids it."""

    status = 409
    title = "The record as it stands forbids this"


class NotAllowed(ZonewrightError):
    """The user may not do this."""

    status = 403
    title = "Your role does not allow this"


class ChangedMeanwhile(ZonewrightError):
    """The record was changed after the caller read it."""

    status = 412
    title = "The record was changed by somebody else"


class KeyReused(ZonewrightError):
    """An idempotency key came back with a different request."""

    status = 422
    title = "The idempotency key belongs to another request"
