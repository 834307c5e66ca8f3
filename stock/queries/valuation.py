"""What the firm's stock was worth at a moment: quantity times the moving average in force then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.db import connection

from config.accounts.models import User
from stock.models import Item, Location, StoresPolicy
from stock.queries.as_of import AVERAGE_SQL, held_at

# Each item at each place is rounded to the hundredth, as on the list that it opens into, so that all sums agree.
_VALUE_SQL = """
    WITH held AS MATERIALIZED (HELD), cost AS (
        SELECT d.item_id, a.average FROM (SELECT DISTINCT item_id FROM held) AS d, LATERAL (AVERAGE) AS a
    )
    SELECT l.id, l.name, l.kind, i.kind, count(*), count(*) FILTER (WHERE c.average IS NULL),
        COALESCE(sum(round(h.quantity * c.average, 2)), 0)
    FROM held h
    JOIN stock_item i ON i.id = h.item_id
    JOIN stock_location l ON l.id = h.location_id
    LEFT JOIN cost c ON c.item_id = h.item_id
    WHERE %(kind)s = '' OR i.kind = %(kind)s
    GROUP BY l.id, i.kind ORDER BY l.name, l.id, i.kind
""".replace("AVERAGE", AVERAGE_SQL.format(item="d.item_id"))


@dataclass(frozen=True)
class Sum:
    """Value in the firm's currency of `lines` items at places; `uncosted` of these have no known cost and are not in
    the value."""

    lines: int
    uncosted: int
    value: Decimal


@dataclass(frozen=True)
class PlaceValue:
    location_id: int
    name: str
    kind: str
    sum: Sum


@dataclass(frozen=True)
class KindValue:
    kind: str
    label: str
    sum: Sum


@dataclass(frozen=True)
class Valuation:
    """`ready` is what stores and vans hold; what is in quarantine or on the way between two places is also the firm's,
    and shown apart. Together they are `total`."""

    moment: datetime
    currency: str
    total: Sum
    ready: Sum
    quarantine: Sum
    transit: Sum
    places: list[PlaceValue]
    kinds: list[KindValue]


def valuation(
    user: User, moment: datetime, *, location: int | None = None, item: int | None = None, kind: str = ""
) -> Valuation:
    """Value of what the places that the person sees held just before the moment, by place and by kind of item. Three
    statements."""
    held = held_at(user, moment, location=location, item=item)
    with connection.cursor() as cursor:
        cursor.execute(
            _VALUE_SQL.replace("HELD", held.sql), held.values | {"places": held.places, "moment": moment, "kind": kind}
        )
        rows = [(pk, name, place_kind, of, Sum(*sums)) for pk, name, place_kind, of, *sums in cursor.fetchall()]
    by_place: dict[tuple[int, str, str], list[Sum]] = defaultdict(list)
    by_kind: dict[str, list[Sum]] = defaultdict(list)
    by_state: dict[str, list[Sum]] = defaultdict(list)
    for pk, name, place_kind, of, found in rows:
        by_place[pk, name, place_kind].append(found)
        by_kind[of].append(found)
        by_state[place_kind].append(found)
    return Valuation(
        moment=moment,
        currency=StoresPolicy.current().currency,
        total=_together(found for *_, found in rows),
        ready=_together([*by_state[Location.Kind.STORE], *by_state[Location.Kind.VAN]]),
        quarantine=_together(by_state[Location.Kind.QUARANTINE]),
        transit=_together(by_state[Location.Kind.TRANSIT]),
        places=[
            PlaceValue(pk, name, Location.Kind(place_kind).label, _together(sums))
            for (pk, name, place_kind), sums in by_place.items()
        ],
        kinds=[
            KindValue(of, label, _together(by_kind[of])) for of, label in Item.Kind.choices if of in by_kind
        ],
    )


def _together(sums: Iterable[Sum]) -> Sum:
    found = list(sums)
    return Sum(
        sum(s.lines for s in found), sum(s.uncosted for s in found), sum((s.value for s in found), Decimal(0))
    )
