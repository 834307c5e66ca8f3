"""Who looked at a site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from config import keyset
from config.accounts.models import ReadLog
from config.accounts.rights import Role


@dataclass(frozen=True)
class Look:
    """One look at a site sheet."""

    at: datetime
    who: str
    role: str
    door: str
    address: str | None


def looks_at_site(site_id: int, *, cursor: str | None, size: int = 50) -> keyset.KeysetPage[Look]:
    """One page of the looks at a site, newest first: one statement. The caller has checked the site."""
    page = keyset.page(
        ReadLog.objects.filter(subject="site", subject_id=site_id).values(
            "id", "at", "door", "address", "user__name", "user__role"
        ),
        ("-id",),  # written one after another, so the newest has the highest key
        cursor=cursor,
        size=size,
    )
    return keyset.KeysetPage(
        [
            Look(row["at"], row["user__name"], Role(row["user__role"]).label, row["door"], row["address"])
            for row in page.rows
        ],
        page.next_cursor,
        page.first,
    )
