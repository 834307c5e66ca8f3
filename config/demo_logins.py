"""The demo firm's logins, one for each role; people and passwords are invented."""

from __future__ import annotations

PASSWORD = "lantern-and-ladder"  # noqa: S105 - the demo's own, printed when it starts

# role label, e-mail address, password
LOGINS: list[tuple[str, str, str]] = [
    ("Stores manager", "stores@lanternfold.example", PASSWORD),
    ("Service scheduler", "scheduler@lanternfold.example", PASSWORD),
    ("Engineer", "engineer@lanternfold.example", PASSWORD),
    ("Service manager", "service@lanternfold.example", PASSWORD),
    ("Administrator", "admin@lanternfold.example", PASSWORD),
]
