"""The log of who looked at which site."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.accounts.models import ReadLog

if TYPE_CHECKING:
    from config.accounts.models import User


def log_read(site_id: int, *, by: User, door: str, address: str | None) -> ReadLog:
    """Note one look at a site sheet: by whom, through which page or endpoint, from which address.

    One statement, written before anything is shown: no log, no look.
    """
    return ReadLog.objects.create(subject="site", subject_id=site_id, user=by, door=door, address=address or None)
