"""Typed readers of environment variables that fail loudly on a bad value."""

from __future__ import annotations

import base64
import os
import secrets
from pathlib import Path


class BadEnvironment(RuntimeError):
    """An environment variable holds a value that cannot be used."""


def text(name: str, default: str | None = None) -> str:
    """The variable's text, from `NAME` or from the file that `NAME_FILE` names (for secrets)."""
    file = os.environ.get(f"{name}_FILE")
    if file:
        try:
            return Path(file).read_text().strip()
        except OSError as error:
            raise BadEnvironment(f"{name}_FILE names {file!r}, which cannot be read: {error.strerror}.") from error
    value = os.environ.get(name, default)
    if value is None:
        raise BadEnvironment(f"{name} is not set. Set it, or set {name}_FILE to a file that holds it.")
    return value


def flag(name: str, *, default: bool) -> bool:
    value = os.environ.get(name)
    if value is None or value == "":
        return default
    if value.lower() in {"1", "true", "yes", "on"}:
        return True
    if value.lower() in {"0", "false", "no", "off"}:
        return False
    raise BadEnvironment(f"{name} is {value!r}; write 1 or 0.")


def whole(name: str, *, default: int, least: int = 0) -> int:
    value = os.environ.get(name)
    if value is None or value == "":
        return default
    try:
        number = int(value)
    except ValueError:
        raise BadEnvironment(f"{name} is {value!r}; write a whole number.") from None
    if number < least:
        raise BadEnvironment(f"{name} is {number}; write {least} or more.")
    return number


def words(name: str, *, default: str = "") -> list[str]:
    """A comma-separated list."""
    return [part.strip() for part in os.environ.get(name, default).split(",") if part.strip()]


def local_secret(directory: Path, name: str) -> str:
    """A 32-byte random secret (URL-safe base64, a valid Fernet key), made once and kept in `directory`."""
    path = directory / name
    try:
        return path.read_text().strip()
    except FileNotFoundError:
        directory.mkdir(parents=True, exist_ok=True)
    value = base64.urlsafe_b64encode(secrets.token_bytes(32)).decode()
    try:
        # Exclusive creation: of two processes starting at once, one writes and both read the same.
        with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w") as file:
            file.write(value)
    except FileExistsError:
        return path.read_text().strip()
    return value
