"""Loops that drift out of their band before they are measured again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import F, OuterRef, QuerySet, Subquery
from django.utils import timezone

from config import keyset
from config.accounts.models import User
from config.keyset import KeysetPage
from installs.rules.resistors import spoken_ohm
from maintenance.models import LoopDrift, Visit
from maintenance.queries.scope import of_sites

ORDER = ("leaves_on", "id")


@dataclass(frozen=True)
class DriftRow:
    """One drifting loop: where, when its line leaves the band, how fast, and when somebody goes there."""

    pk: int
    circuit_id: int
    circuit: str
    site_id: int
    reference: str
    site: str
    leaves_on: date
    left: bool  # it has left the band already
    measured_again_by: date
    slope_words: str  # 'rises by 120 Ω a year'
    last_words: str
    last_on: date
    values: int
    visit_id: int | None
    visit_at: datetime | None


def drifts_of(user: User) -> QuerySet[LoopDrift]:
    """Marks that hold now, of sites that the person may open."""
    return of_sites(LoopDrift.objects.filter(withdrawn_at=None), user)


def drift_list(user: User, *, today: date, cursor: str | None, size: int) -> KeysetPage[DriftRow]:
    """Drifting loops, the one that leaves its band first on top. 1 statement."""
    visits = Visit.objects.filter(
        site_id=OuterRef("site_id"), kind=Visit.Kind.SITE, state__in=Visit.LIVE, period__endswith__gte=timezone.now()
    ).order_by("period")
    rows: QuerySet[Any] = (
        drifts_of(user)
        .select_related("circuit", "site")
        .defer("site__access_notes", "site__search")
        .annotate(
            visit_id=Subquery(visits.values("pk")[:1]),
            visit_at=Subquery(visits.annotate(starts=F("period__startswith")).values("starts")[:1]),
        )
    )
    page = keyset.page(rows, ORDER, cursor=cursor, size=size)
    return KeysetPage([_row(drift, today) for drift in page.rows], page.next_cursor, page.first)


def slope_words(ohm_per_year: float) -> str:
    """'rises by 120 Ω a year'."""
    return f"{'rises' if ohm_per_year > 0 else 'falls'} by {spoken_ohm(abs(ohm_per_year))} a year"


def drift_words(drift: LoopDrift, today: date) -> str:
    """One line for a site sheet."""
    when = f"{drift.leaves_on:%-d %b %Y}"
    if drift.leaves_on <= today:
        return f"Loop drifting: its trend left the panel's band on {when}"
    return f"Loop drifting: leaves the panel's band about {when}"


def _row(drift: Any, today: date) -> DriftRow:
    return DriftRow(
        pk=drift.pk, circuit_id=drift.circuit_id, circuit=str(drift.circuit), site_id=drift.site_id,
        reference=drift.site.reference, site=drift.site.name, leaves_on=drift.leaves_on,
        left=drift.leaves_on <= today, measured_again_by=drift.measured_again_by,
        slope_words=slope_words(drift.ohm_per_year), last_words=spoken_ohm(drift.last_ohm), last_on=drift.last_on,
        values=drift.values, visit_id=drift.visit_id,
        visit_at=None if drift.visit_at is None else timezone.localtime(drift.visit_at),
    )
