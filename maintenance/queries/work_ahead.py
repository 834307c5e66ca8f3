"""What planned visits and accepted proposals need of the stock; registered with the stock app."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from datetime import date

from django.conf import settings
from django.db import connection

from maintenance.models import SwapProposal, Visit
from maintenance.queries.swaps import ACCEPTED_PARTS_SQL
from stock.work import PlannedPart

# Open reservations with the visit that they belong to (their own, or the next one of the proposal's site), then parts
# of accepted proposals that nothing is promised to.
_PLANNED_SQL = """
    WITH open AS (
        SELECT r.id, r.item_id, l.branch_id, r.quantity, r.needed_on, r.reference,
            CASE WHEN r.reference ~ '^visit [0-9]{1,18}$' THEN substr(r.reference, 7)::bigint END AS visit_id,
            CASE WHEN r.reference ~ '^proposal [0-9]{1,18}$' THEN substr(r.reference, 10)::bigint END AS proposal_id
        FROM stock_reservation r JOIN stock_location l ON l.id = r.location_id
        WHERE r.state = 'open' AND l.branch_id IS NOT NULL
    ), wanted AS (
        SELECT item_id, branch_id, quantity::bigint AS quantity, needed_on AS day, reference, visit_id, proposal_id,
            id AS reservation_id
        FROM open
        UNION ALL
        SELECT a.item_id, a.branch_id, 1, a.needed_on, 'proposal ' || a.proposal_id, NULL, a.proposal_id, NULL
        FROM (ACCEPTED_PARTS) AS a
    )
    SELECT n.item_id, n.branch_id, n.quantity, COALESCE((lower(w.period) AT TIME ZONE %(zone)s)::date, n.day) AS day,
        n.reference, COALESCE('visit ' || w.id || ' at ' || t.reference, '') AS visit, e.user_id, n.reservation_id
    FROM wanted n
    LEFT JOIN maintenance_swapproposal p ON p.id = n.proposal_id
    LEFT JOIN installs_device d ON d.id = p.device_id
    LEFT JOIN installs_system y ON y.id = d.system_id
    LEFT JOIN LATERAL (
        SELECT v.id, v.period, v.engineer_id, v.site_id FROM maintenance_visit v
        WHERE v.state IN ('planned', 'confirmed', 'under way') AND v.kind = 'site'
            AND (v.id = n.visit_id OR (n.visit_id IS NULL AND v.site_id = y.site_id))
        ORDER BY lower(v.period), v.id LIMIT 1
    ) AS w ON TRUE
    LEFT JOIN installs_site t ON t.id = w.site_id
    LEFT JOIN maintenance_engineer e ON e.id = w.engineer_id
    WHERE %(until)s::date IS NULL OR COALESCE((lower(w.period) AT TIME ZONE %(zone)s)::date, n.day) <= %(until)s::date
    ORDER BY day NULLS LAST, n.reference, n.item_id, n.reservation_id
""".replace("ACCEPTED_PARTS", ACCEPTED_PARTS_SQL)
_KNOWN = re.compile(r"^(visit|proposal) (\d{1,18})$")


def planned_parts(until: date | None) -> list[PlannedPart]:
    """Parts that planned work needs up to and including that day (None: all). One statement."""
    with connection.cursor() as cursor:
        cursor.execute(_PLANNED_SQL, {"zone": settings.TIME_ZONE, "until": until})
        return [PlannedPart(*row) for row in cursor.fetchall()]


def dead_references(references: Collection[str]) -> Mapping[str, str]:
    """Of these, the visits and proposals that are over or unknown. Two statements."""
    named: dict[str, dict[int, str]] = {"visit": {}, "proposal": {}}
    for reference in references:
        found = _KNOWN.match(reference)
        if found:
            named[found.group(1)][int(found.group(2))] = reference
    states = {
        "visit": dict(Visit.objects.filter(pk__in=named["visit"]).values_list("pk", "state")),
        "proposal": dict(SwapProposal.objects.filter(pk__in=named["proposal"]).values_list("pk", "state")),
    }
    live: dict[str, Collection[str]] = {"visit": Visit.LIVE, "proposal": (SwapProposal.State.ACCEPTED,)}
    dead = {}
    for kind, texts in named.items():
        for pk, text in texts.items():
            state = states[kind].get(pk)
            if state is None or state not in live[kind]:
                dead[text] = f"there is no {kind} {pk}" if state is None else f"the {kind} is {state}"
    return dead
