"""Circuits whose loop wants a look, worst first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.db.models import Case, F, IntegerField, Value, When
from django.db.models.functions import Coalesce

from config import keyset
from installs.models import LoopTable, Site
from installs.queries.sheet_rows import OUTCOME_WORDS

if TYPE_CHECKING:
    from config.accounts.models import User

Outcome = LoopTable.Outcome
_RANK = {Outcome.WRONG: 0, Outcome.UNKNOWN: 1, Outcome.MARGINAL: 2, Outcome.THIN: 3}
_TONES = {Outcome.WRONG: "bad"}
_SHOWN = (
    "id", "circuit_id", "circuit__number", "circuit__zone", "outcome", "least_margin_ohm", "least_margin_percent",
    "cause", "cure", "stale", "circuit__panel__system__site_id", "circuit__panel__system__site__reference",
    "circuit__panel__system__site__name",
)


@dataclass(frozen=True)
class LoopLine:
    """A circuit that does not read right with enough margin."""

    circuit_id: int
    number: int
    zone: str
    site_id: int
    site_reference: str
    site_name: str
    outcome: str
    words: str
    tone: str
    least_margin_ohm: float | None
    least_margin_percent: float | None
    cause: str
    cure: str
    stale: bool


def loops_to_look_at(
    user: User, *, outcome: str = "", cursor: str | None = None, size: int = 50
) -> keyset.KeysetPage[LoopLine]:
    """Circuits of the sites that the person may open whose table is not right, the worst first. 1 statement."""
    wanted = [outcome] if outcome in LoopTable.TO_LOOK_AT else list(LoopTable.TO_LOOK_AT)
    found = LoopTable.objects.filter(
        outcome__in=wanted, computed_at__isnull=False,
        circuit__panel__system__site__in=Site.objects.visible_to(user),
    ).annotate(
        rank=Case(*[When(outcome=name, then=Value(rank)) for name, rank in _RANK.items()], default=Value(9),
                  output_field=IntegerField()),
        margin=Coalesce(F("least_margin_percent"), Value(0.0)),
    )
    page = keyset.page(
        found.values(*_SHOWN, "rank", "margin"), ("rank", "margin", "id"), cursor=cursor, size=size
    )
    return keyset.KeysetPage([_line(row) for row in page.rows], page.next_cursor, page.first)


def _line(row: dict[str, Any]) -> LoopLine:
    site = "circuit__panel__system__site"
    return LoopLine(
        circuit_id=row["circuit_id"],
        number=row["circuit__number"],
        zone=row["circuit__zone"],
        site_id=row[f"{site}_id"],
        site_reference=row[f"{site}__reference"],
        site_name=row[f"{site}__name"],
        outcome=row["outcome"],
        words=OUTCOME_WORDS[row["outcome"]],
        tone=_TONES.get(row["outcome"], "warn"),
        least_margin_ohm=row["least_margin_ohm"],
        least_margin_percent=row["least_margin_percent"],
        cause=row["cause"],
        cure=row["cure"],
        stale=row["stale"],
    )
