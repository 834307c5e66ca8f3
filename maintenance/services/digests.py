"""Digest mails: one for a person and day, written once and sent once.

Mail travels in the clear and stays in mailboxes. A digest therefore counts, and names parts, visits and
sites; it never says what is wrong at which site, where a site is blind, or how to get in.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from email.utils import parseaddr
from smtplib import SMTPException

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Count, F, IntegerField, OuterRef, Q, Subquery, Value
from django.db.models.functions import Coalesce, Concat
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Role
from maintenance.models import Digest, Flag, LoopDrift, Shortage, SwapProposal, Visit
from stock.models import Balance, StockLevel

logger = logging.getLogger("zonewright.digests")

LONGEST_LIST = 20


@dataclass
class _Branch:
    """What a branch's people are told of the day."""

    flags: dict[str, int] = field(default_factory=dict)
    new_late: int = 0
    shortages: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)
    proposals: int = 0
    drifting: int = 0


def write_digests(*, business_date: date) -> dict[str, int]:
    """Write the day's digest of each active person who has none yet; return `written`.

    People of one branch read of their branch, others of all. A fixed number of statements (eight),
    whatever the number of people.
    """
    branches = _branches(business_date)
    visits = _visits(business_date)
    people = User.objects.filter(is_active=True).exclude(
        pk__in=Digest.objects.filter(business_date=business_date).values("user_id")
    )
    with transaction.atomic():
        rows = [_digest(user, business_date, branches, visits.get(user.pk, [])) for user in people.order_by("id")]
        Digest.objects.bulk_create(rows, ignore_conflicts=True)
    return {"written": len(rows)}


def send_digests(*, business_date: date) -> dict[str, int]:
    """Send the day's digests that were not sent yet; return `sent` and `not sent`.

    Each is claimed under a row lock that another sender skips, and noted as sent in the same transaction. Only
    a process that dies between the mail server's answer and that commit can send one twice; both then carry
    the same Message-ID. What the mail server refuses stays unsent for the next run.
    """
    sent, refused = 0, set[int]()
    while True:
        with transaction.atomic():
            digest = (
                Digest.objects.select_for_update(skip_locked=True, of=("self",))
                .select_related("user")
                .filter(business_date=business_date, sent_at=None)
                .exclude(pk__in=refused)
                .order_by("id")
                .first()
            )
            if digest is None:
                return {"sent": sent, "not sent": len(refused)}
            try:
                _mail(digest).send()
            except (OSError, SMTPException):
                logger.exception("digest %s could not be sent", digest.pk)
                refused.add(digest.pk)
                continue
            digest.sent_at = timezone.now()
            digest.save(update_fields=["sent_at"])
            sent += 1


def message_id(digest: Digest) -> str:
    """The Message-ID of a digest: the same whenever it is sent."""
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    return f"<digest-{digest.business_date:%Y%m%d}-{digest.user_id}@{domain}>"


def _mail(digest: Digest) -> EmailMessage:
    return EmailMessage(
        subject=digest.subject,
        body=digest.body,
        to=[digest.user.email],
        headers={"Message-ID": message_id(digest), "Auto-Submitted": "auto-generated"},
    )


def _branches(day: date) -> dict[int, _Branch]:
    """Counts and lists by branch, in five statements."""
    found: dict[int, _Branch] = {}

    def of(branch_id: int) -> _Branch:
        return found.setdefault(branch_id, _Branch())

    flags = Flag.objects.filter(withdrawn_at=None).values("site__branch_id", "state")
    for row in flags.annotate(all=Count("id"), new=Count("id", filter=Q(since=day))).order_by():
        branch = of(row["site__branch_id"])
        branch.flags[row["state"]] = row["all"]
        if row["state"] in Flag.LATE:
            branch.new_late += row["new"]
    for short in Shortage.objects.select_related("item").order_by("needed_on", "item__name", "id"):
        of(short.branch_id).shortages.append(
            f"{short.item}: {short.short} {short.item.unit} short from {short.needed_on:%-d %b %Y} "
            f"(needed {short.needed}, on hand {short.on_hand}, on order {short.on_order})"
        )
    for branch_id, item, place, held, unit, minimum in _below_level():
        of(branch_id).below.append(f"{item} at {place}: {held} {unit}, minimum {minimum}")
    waiting = SwapProposal.objects.filter(state=SwapProposal.State.WAITING)
    by_branch = waiting.values_list("device__system__site__branch_id").annotate(all=Count("id")).order_by()
    for branch_id, count in by_branch:
        of(branch_id).proposals = count
    drifting = LoopDrift.objects.filter(withdrawn_at=None).values_list("site__branch_id").annotate(all=Count("id"))
    for branch_id, count in drifting.order_by():
        of(branch_id).drifting = count
    return found


def _below_level() -> Iterable[tuple[int, str, str, int, str, int]]:
    """Branch, item, location, on hand, unit and minimum of what a store or van holds too little of."""
    held = Balance.objects.filter(item=OuterRef("item"), location=OuterRef("location")).values("on_hand")
    return (
        StockLevel.objects.annotate(
            held=Coalesce(Subquery(held, output_field=IntegerField()), 0),
            item_text=Concat("item__sku", Value(" "), "item__name"),
        )
        .filter(held__lt=F("minimum"), location__branch__isnull=False)
        .order_by("location__name", "item__name", "id")
        .values_list("location__branch_id", "item_text", "location__name", "held", "item__unit", "minimum")
    )


def _visits(day: date) -> dict[int, list[Visit]]:
    """The live visits of that day and the next, by the engineer's user, in one statement."""
    begin = timezone.make_aware(datetime.combine(day, time.min))
    end = timezone.make_aware(datetime.combine(day + timedelta(days=2), time.min))
    found: dict[int, list[Visit]] = {}
    live = Visit.objects.filter(state__in=Visit.LIVE, period__overlap=(begin, end))
    # Access notes are not even read: they have no business here.
    for visit in live.select_related("site", "engineer").defer("site__access_notes").order_by("period", "id"):
        found.setdefault(visit.engineer.user_id, []).append(visit)
    return found


def _digest(user: User, day: date, branches: dict[int, _Branch], visits: list[Visit]) -> Digest:
    mine = _sum(branches.values()) if user.branch_id is None else branches.get(user.branch_id, _Branch())
    if user.role == Role.ENGINEER:
        lines = _engineer_lines(day, visits)
    elif user.role == Role.STORES:
        lines = _stores_lines(mine)
    elif user.role == Role.SCHEDULER:
        lines = _flag_lines(mine)
    else:
        lines = [
            *_flag_lines(mine), "",
            f"Swap proposals waiting for a decision: {mine.proposals}",
            f"Items that planned work will run short of: {len(mine.shortages)}",
            f"Items below their minimum: {len(mine.below)}",
        ]
    return Digest(
        user=user,
        business_date=day,
        subject=f"Zonewright: {day:%-d %b %Y}",
        body="\n".join([f"{user.name},", "", *lines, "", "Open Zonewright for the sites and the details."]),
    )


def _sum(branches: Iterable[_Branch]) -> _Branch:
    total = _Branch()
    for one in branches:
        for state, count in one.flags.items():
            total.flags[state] = total.flags.get(state, 0) + count
        total.new_late += one.new_late
        total.shortages += one.shortages
        total.below += one.below
        total.proposals += one.proposals
        total.drifting += one.drifting
    return total


def _flag_lines(branch: _Branch) -> list[str]:
    lines = [f"{state.label}: {branch.flags.get(state, 0)}" for state in reversed(Flag.State)]
    return ["Visits and tests", *lines, f"Late or escalated since today: {branch.new_late}",
            f"Loops drifting out of their band: {branch.drifting}"]


def _stores_lines(branch: _Branch) -> list[str]:
    return [
        f"Short for the work ahead: {len(branch.shortages)}", *_listed(branch.shortages), "",
        f"Below minimum: {len(branch.below)}", *_listed(branch.below),
    ]


def _engineer_lines(day: date, visits: list[Visit]) -> list[str]:
    lines = []
    for title, when in (("Today", day), ("Tomorrow", day + timedelta(days=1))):
        lines.append(f"{title}, {when:%-d %b %Y}")
        those = [visit for visit in visits if _begins(visit).date() == when]
        lines += [
            f"- {_begins(visit):%H:%M} to {timezone.localtime(visit.period.upper):%H:%M} "
            f"{visit.site.reference} {visit.site.name} ({visit.get_kind_display().lower()})"
            for visit in those
        ] or ["- no visits"]
    return lines


def _begins(visit: Visit) -> datetime:
    return timezone.localtime(visit.period.lower)


def _listed(lines: list[str]) -> list[str]:
    shown = [f"- {line}" for line in lines[:LONGEST_LIST]]
    return [*shown, f"- and {len(lines) - LONGEST_LIST} more"] if len(lines) > LONGEST_LIST else shown
