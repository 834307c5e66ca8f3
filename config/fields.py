"""Model fields shared by the apps."""

from __future__ import annotations

from functools import cache
from typing import Any

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.db import models


@cache
def _cipher(keys: tuple[str, ...]) -> MultiFernet:
    return MultiFernet([Fernet(key) for key in keys])


def cipher() -> MultiFernet:
    """Encrypts with the newest key and decrypts with any that is still listed."""
    return _cipher(tuple(settings.FIELD_KEYS))


class SealedTextField(models.TextField[str, str]):
    """Text that the database holds only encrypted (Fernet: AES-128-CBC with HMAC-SHA256).

    It cannot be searched or sorted. A value that no listed key opens is an error, not an empty text.
    """

    def get_prep_value(self, value: Any) -> Any:
        value = super().get_prep_value(value)
        return cipher().encrypt(value.encode()).decode() if value else value

    def from_db_value(self, value: str | None, _expression: Any, _connection: Any) -> str | None:
        if not value:
            return value
        try:
            return cipher().decrypt(value.encode()).decode()
        except InvalidToken:
            raise RuntimeError(
                f"{self.model.__name__}.{self.name} was sealed with a key that ZONEWRIGHT_FIELD_KEYS no longer "
                "lists. Add the old key at the end of the list."
            ) from None
