"""Swaps: which devices need one, which covers fit, what is proposed, and what was decided."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any

from django.db import connection, transaction
from django.utils import timezone

from config.accounts.models import User
from config.errors import ChangedMeanwhile, Conflict
from maintenance.models import SwapProposal, SwapVerdict
from maintenance.queries.swap_facts import (
    FACTS_SQL,
    Catalogue,
    carried_over_json,
    catalogue_fingerprint,
    judge_all,
    load_catalogue,
    position_from,
)
from maintenance.queries.swaps import ItemPlace, item_places, next_visit, verdict_items
from maintenance.rules.swap_facts import Judgement
from stock.models import Item, Location, Reservation
from stock.services import reserve

Report = Callable[[str, int], None]

# How many signatures are judged and stored at a time.
BATCH = 500
# Without a visit in the diary, parts are wanted by then; a firm's shortage list looks about as far ahead.
NO_VISIT_DAYS = 28
REASON_LENGTH = 240
NOTE_LENGTH = 200

# One row per device in use that needs a swap: why, since when, and the facts that its swaps are judged by. A test
# counts as failed from its first failure that no pass came after; a test that was not done changes nothing.
NOW_SQL = f"""
    CREATE TEMPORARY TABLE swap_now AS
    WITH failed AS (
        SELECT q.device_id, min(r.done_on) AS since
        FROM maintenance_testresult r JOIN maintenance_requirement q ON q.id = r.requirement_id
        WHERE r.outcome = 'failed' AND r.done_on <= %(today)s AND q.device_id IS NOT NULL AND q.active
            AND NOT EXISTS (
                SELECT FROM maintenance_testresult l
                WHERE l.requirement_id = r.requirement_id AND l.outcome = 'passed'
                    AND (l.done_on, l.id) > (r.done_on, r.id) AND l.done_on <= %(today)s
            )
        GROUP BY q.device_id
    ),
    held AS (
        SELECT d.id AS device_id, f.since AS failed_since,
            CASE WHEN d.fitted_on + make_interval(years => m.service_life_years) <= %(today)s
                THEN (d.fitted_on + make_interval(years => m.service_life_years))::date END AS old_since,
            CASE WHEN v.discontinued_on <= %(today)s
                THEN GREATEST(v.discontinued_on, d.fitted_on) END AS gone_since,
            CASE WHEN v.grade < s.grade OR (s.grade >= 3 AND NOT v.anti_mask) THEN d.fitted_on END AS below_since
        FROM installs_device d
        JOIN stock_variant v ON v.id = d.variant_id
        JOIN stock_family m ON m.id = v.family_id
        JOIN installs_system y ON y.id = d.system_id
        JOIN installs_site s ON s.id = y.site_id
        LEFT JOIN failed f ON f.device_id = d.id
        WHERE d.removed_on IS NULL
    ),
    chosen AS MATERIALIZED (
        SELECT device_id, LEAST(failed_since, old_since, gone_since, below_since) AS since,
            array_remove(ARRAY[
                CASE WHEN failed_since IS NOT NULL THEN 'failed test' END,
                CASE WHEN old_since IS NOT NULL THEN 'service life' END,
                CASE WHEN gone_since IS NOT NULL THEN 'discontinued' END,
                CASE WHEN below_since IS NOT NULL THEN 'below grade' END
            ], NULL)::varchar[] AS reasons
        FROM held
        WHERE num_nonnulls(failed_since, old_since, gone_since, below_since) > 0
    ),
    {FACTS_SQL}
    SELECT chosen.device_id, chosen.reasons, chosen.since, facts.facts, md5(facts.facts::text) AS signature
    FROM chosen JOIN facts ON facts.device_id = chosen.device_id
"""  # noqa: S608 - fixed text

UPSERT_SQL = """
    WITH written AS (
        INSERT INTO maintenance_swapneed AS n (device_id, reasons, signature, since, proposable)
        SELECT device_id, reasons, signature, since, 0 FROM swap_now
        ON CONFLICT (device_id) DO UPDATE
            SET reasons = EXCLUDED.reasons, signature = EXCLUDED.signature, since = EXCLUDED.since
            WHERE (n.reasons, n.signature, n.since)
                IS DISTINCT FROM (EXCLUDED.reasons, EXCLUDED.signature, EXCLUDED.since)
        RETURNING xmax = 0 AS fresh
    )
    SELECT count(*) FILTER (WHERE fresh), count(*) FILTER (WHERE NOT fresh) FROM written
"""

END_SQL = """
    DELETE FROM maintenance_swapneed n WHERE NOT EXISTS (SELECT FROM swap_now w WHERE w.device_id = n.device_id)
"""

UNJUDGED_SQL = """
    CREATE TEMPORARY TABLE swap_unjudged AS
    SELECT DISTINCT ON (signature) signature, facts FROM swap_now w
    WHERE NOT EXISTS (
        SELECT FROM maintenance_swapverdict v WHERE v.signature = w.signature AND v.catalogue = %(catalogue)s
    )
    ORDER BY signature
"""

PROPOSABLE_SQL = """
    WITH carried AS (
        SELECT n.id, count(v.id) AS covers
        FROM maintenance_swapneed n
        LEFT JOIN maintenance_swapverdict v
            ON v.signature = n.signature AND v.catalogue = %(catalogue)s AND v.rank > 0
        GROUP BY n.id
    )
    UPDATE maintenance_swapneed n SET proposable = c.covers FROM carried c
    WHERE c.id = n.id AND n.proposable <> c.covers
"""

# The best cover of each need that was not declined for that device before.
BEST_SQL = """
    CREATE TEMPORARY TABLE swap_best AS
    SELECT DISTINCT ON (n.device_id) n.device_id, n.reasons, v.id AS verdict_id, v.variant_id, v.board_id
    FROM maintenance_swapneed n
    JOIN maintenance_swapverdict v ON v.signature = n.signature AND v.catalogue = %(catalogue)s AND v.rank > 0
    WHERE NOT EXISTS (
        SELECT FROM maintenance_swapproposal p JOIN maintenance_swapverdict o ON o.id = p.verdict_id
        WHERE p.device_id = n.device_id AND p.state = 'declined'
            AND o.variant_id = v.variant_id AND o.board_id IS NOT DISTINCT FROM v.board_id
    )
    ORDER BY n.device_id, v.rank
"""

# The same cover under a newer judgement: the waiting proposal stays, with the present reasons.
RENEW_SQL = """
    UPDATE maintenance_swapproposal p SET verdict_id = b.verdict_id, reasons = b.reasons, version = p.version + 1
    FROM swap_best b, maintenance_swapverdict o
    WHERE p.state = 'waiting' AND b.device_id = p.device_id AND o.id = p.verdict_id
        AND o.variant_id = b.variant_id AND o.board_id IS NOT DISTINCT FROM b.board_id
        AND (p.verdict_id, p.reasons) IS DISTINCT FROM (b.verdict_id, b.reasons)
"""

WITHDRAW_SQL = """
    UPDATE maintenance_swapproposal p SET state = 'withdrawn', version = p.version + 1
    WHERE p.state = 'waiting' AND NOT EXISTS (
        SELECT FROM swap_best b WHERE b.device_id = p.device_id AND b.verdict_id = p.verdict_id
    )
"""

PROPOSE_SQL = """
    INSERT INTO maintenance_swapproposal (device_id, verdict_id, reasons, state, made_on, decision_note, version)
    SELECT device_id, verdict_id, reasons, 'waiting', %(today)s, '', 1 FROM swap_best b
    WHERE NOT EXISTS (
        SELECT FROM maintenance_swapproposal p
        WHERE p.device_id = b.device_id AND p.state IN ('waiting', 'accepted')
    )
    ORDER BY device_id
    ON CONFLICT DO NOTHING
"""

# An accepted swap has parts promised to it: that the need ended is told, and people decide.
ORPHANS_SQL = """
    SELECT count(*) FROM maintenance_swapproposal p WHERE p.state = 'accepted'
        AND NOT EXISTS (SELECT FROM maintenance_swapneed n WHERE n.device_id = p.device_id)
"""

# Judgements under an earlier catalogue or that no need asks for, except those that a proposal shows.
TIDY_SQL = """
    DELETE FROM maintenance_swapverdict v
    WHERE (v.catalogue <> %(catalogue)s
            OR NOT EXISTS (SELECT FROM maintenance_swapneed n WHERE n.signature = v.signature))
        AND NOT EXISTS (SELECT FROM maintenance_swapproposal p WHERE p.verdict_id = v.id)
"""


def _nothing(step: str, percent: int) -> None:
    """Progress that nobody watches."""


def propose_swaps(*, business_date: date, report: Report = _nothing) -> dict[str, int]:
    """Find the devices that need a swap as of that day, judge what fits, and bring the proposals up to date.

    Idempotent: a repeat on the same records changes no row. The number of statements depends on how many
    signatures are new, not on how many devices there are. Returns the counts of what changed.
    """
    catalogue = load_catalogue(business_date)
    values: dict[str, Any] = {
        "today": business_date,
        "catalogue": catalogue_fingerprint(business_date),
        "carried_over": carried_over_json(catalogue),
    }
    _drop()
    report("devices that need a swap", 0)
    counts = _update_needs(values)
    report("covers that fit", 30)
    counts["signatures judged"] = _judge_new(catalogue, values, report)
    report("proposals", 90)
    counts |= _update_proposals(values)
    _drop()
    report("proposals", 100)
    return counts


def _drop() -> None:
    """The temporary tables belong to the session; one that was broken off may have left them."""
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE IF EXISTS pg_temp.swap_now, pg_temp.swap_unjudged, pg_temp.swap_best")


@transaction.atomic
def _update_needs(values: dict[str, Any]) -> dict[str, int]:
    with connection.cursor() as cursor:
        cursor.execute(NOW_SQL, values)
        cursor.execute("ANALYZE swap_now")
        cursor.execute(UPSERT_SQL)
        fresh, changed = cursor.fetchone() or (0, 0)
        cursor.execute(END_SQL)
        ended = cursor.rowcount
        cursor.execute(UNJUDGED_SQL, values)
    return {"needs new": fresh, "needs changed": changed, "needs ended": ended}


def _judge_new(catalogue: Catalogue, values: dict[str, Any], report: Report) -> int:
    """Judge every cover of the family for each signature that has no judgement under this catalogue."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM swap_unjudged")
        total = (cursor.fetchone() or (0,))[0]
    done, last = 0, ""
    while done < total:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT signature, facts::text FROM swap_unjudged WHERE signature > %s ORDER BY signature LIMIT %s",
                [last, BATCH],
            )
            rows = cursor.fetchall()
        verdicts = [
            _row(signature, values["catalogue"], rank, judgement)
            for signature, facts in rows
            for rank, judgement in judge_all(position_from(json.loads(facts), catalogue), catalogue)
        ]
        # Another run may have judged the same meanwhile: its judgement is the same.
        SwapVerdict.objects.bulk_create(verdicts, ignore_conflicts=True)
        done, last = done + len(rows), rows[-1][0]
        report(f"covers that fit: {done} of {total} kinds", 30 + 60 * done // total)
    return int(total)


def _row(signature: str, fingerprint: str, rank: int, judgement: Judgement) -> SwapVerdict:
    return SwapVerdict(
        signature=signature,
        catalogue=fingerprint,
        variant_id=judgement.cover,
        board_id=judgement.board.key if judgement.board else None,
        verdict=judgement.verdict.value,
        rank=rank,
        reasons_for=[text[:REASON_LENGTH] for text in judgement.reasons_for],
        reasons_against=[reason.text[:REASON_LENGTH] for reason in judgement.reasons_against],
        settings=dict(judgement.settings),
        setting_changes=[asdict(change) for change in judgement.setting_changes],
    )


@transaction.atomic
def _update_proposals(values: dict[str, Any]) -> dict[str, int]:
    counts = {}
    with connection.cursor() as cursor:
        cursor.execute(PROPOSABLE_SQL, values)
        cursor.execute(BEST_SQL, values)
        cursor.execute("ANALYZE swap_best")
        for name, sql in (
            ("proposals renewed", RENEW_SQL),
            ("proposals withdrawn", WITHDRAW_SQL),
            ("proposals new", PROPOSE_SQL),
            ("verdicts tidied", TIDY_SQL),
        ):
            cursor.execute(sql, values)
            counts[name] = cursor.rowcount
        cursor.execute(ORPHANS_SQL)
        counts["accepted_without_need"] = (cursor.fetchone() or (0,))[0]
    return counts


@transaction.atomic
def accept_proposal(proposal: SwapProposal, *, by: User, version: int, note: str = "") -> SwapProposal:
    """Accept a waiting proposal and reserve its parts where they are: the van that goes to the site next, else
    the branch's stores, else ahead on what is on order. Parts that are nowhere are named in the note, and the
    shortage list takes them up.

    Raises ChangedMeanwhile when `version` is not the present one, Conflict when it is not waiting any more.
    """
    row = _open(proposal, version)
    visit = next_visit(row.device.system.site_id)
    day = timezone.localdate(visit.period.lower) if visit else timezone.localdate() + timedelta(days=NO_VISIT_DAYS)
    items = verdict_items(row.verdict)
    places = item_places(
        [item.pk for item in items],
        branch_id=row.device.system.site.branch_id,
        engineer_user_id=visit.engineer.user_id if visit else None,
    )
    missing = [
        item.sku
        for item in items
        if _reserve_one(item, places.get(item.pk, ()), f"proposal {row.pk}", day, by) is None
    ]
    if missing:
        note = f"To be ordered: {', '.join(missing)}. {note.strip()}"
    return _decide(row, SwapProposal.State.ACCEPTED, by, note)


@transaction.atomic
def decline_proposal(proposal: SwapProposal, *, by: User, version: int, note: str = "") -> SwapProposal:
    """Decline a waiting proposal: the same cover and board are not proposed for this device again.

    Raises ChangedMeanwhile when `version` is not the present one, Conflict when it is not waiting any more.
    """
    return _decide(_open(proposal, version), SwapProposal.State.DECLINED, by, note)


def _open(proposal: SwapProposal, version: int) -> SwapProposal:
    """The proposal as it stands, locked."""
    row = (
        SwapProposal.objects.select_for_update(of=("self",))
        .select_related("device__system__site", "verdict__variant__cover", "verdict__board__item")
        .get(pk=proposal.pk)
    )
    if row.version != version:
        raise ChangedMeanwhile(
            f"This proposal was changed meanwhile; it is now {row.get_state_display().lower()}.",
            field="version",
            value=version,
            remedy="Read it again and decide on what it says now.",
        )
    if row.state != SwapProposal.State.WAITING:
        raise Conflict(
            f"This proposal is {row.get_state_display().lower()}, so there is nothing to decide.",
            field="state",
            value=row.state,
            remedy="Look at the device's newest proposal.",
        )
    return row


def _reserve_one(
    item: Item, places: Sequence[ItemPlace], reference: str, day: date, by: User
) -> Reservation | None:
    """Reserve one piece at the first place that still has it; None when none has."""
    for ahead in (False, True):
        for place in places:
            if (place.ahead if ahead else place.available) <= 0:
                continue
            try:
                with transaction.atomic():
                    return reserve(
                        item,
                        Location.objects.get(pk=place.location_id),
                        quantity=1,
                        needed_on=day,
                        reference=reference,
                        ahead=ahead,
                        by=by,
                    )
            except Conflict:
                continue  # somebody else took the last one between the look and the promise
    return None


def _decide(row: SwapProposal, state: SwapProposal.State, by: User, note: str) -> SwapProposal:
    row.state = state
    row.decided_by, row.decided_at = by, timezone.now()
    row.decision_note = note.strip()[:NOTE_LENGTH]
    row.version += 1
    row.save(update_fields=["state", "decided_by", "decided_at", "decision_note", "version"])
    return row
