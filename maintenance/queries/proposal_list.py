"""The lists of swap proposals, with where their parts are in short."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import F, Q

from config import keyset
from config.accounts.models import User
from config.keyset import KeysetPage
from maintenance.models import SwapNeed, SwapProposal, SwapVerdict
from maintenance.queries.swap_supply import SwapSupply
from maintenance.queries.swaps import WhyNot, needs, proposals, reason_words
from stock.models import Balance, Location

ORDER = ("id",)
NEED_ORDER = ("since", "id")


@dataclass(frozen=True)
class ProposalFilter:
    """Narrows the list; empty values do not. Without a state it shows what waits."""

    state: str = ""
    verdict: str = ""
    reason: str = ""


@dataclass(frozen=True)
class ProposalRow:
    """One proposal as lists show it."""

    pk: int
    device_id: int
    site_id: int
    site: str
    device: str
    fitted: str
    reasons: tuple[str, ...]
    cover: str
    board: str
    verdict: str
    tone: str
    state: str
    state_words: str
    made_on: date
    parts: tuple[str, ...]


@dataclass(frozen=True)
class NeedRow:
    """A device that needs a swap and for which nothing fits the wiring in place."""

    device_id: int
    site_id: int
    site: str
    device: str
    fitted: str
    family: str
    reasons: tuple[str, ...]
    since: date


def proposal_list(user: User, choice: ProposalFilter, *, cursor: str | None, size: int) -> KeysetPage[ProposalRow]:
    """Proposals, oldest first. 2 statements, the second only if there are any."""
    found = proposals(user).filter(state=choice.state or SwapProposal.State.WAITING)
    if choice.verdict:
        found = found.filter(verdict__verdict=choice.verdict)
    if choice.reason:
        found = found.filter(reasons__contains=[choice.reason])
    page = keyset.page(found, ORDER, cursor=cursor, size=size)
    places = _places(page.rows)
    return KeysetPage([_row(proposal, places) for proposal in page.rows], page.next_cursor, page.first)


def need_list(user: User, *, reason: str, cursor: str | None, size: int) -> KeysetPage[NeedRow]:
    """Devices for which nothing fits, longest first. 1 statement."""
    found = needs(user)
    if reason:
        found = found.filter(reasons__contains=[reason])
    page = keyset.page(found, NEED_ORDER, cursor=cursor, size=size)
    return KeysetPage([_need(need) for need in page.rows], page.next_cursor, page.first)


Places = dict[tuple[int, int], list[str]]


def _places(rows: list[SwapProposal]) -> Places:
    """Where covers and boards are, by item and branch, in words: what can be promised now first."""
    items = {row.verdict.variant.cover_id for row in rows} | {
        row.verdict.board.item_id for row in rows if row.verdict.board is not None
    }
    if not items:
        return {}
    balances = (
        Balance.objects.filter(
            item__in=items, location__branch__in={row.device.system.site.branch_id for row in rows},
            location__kind__in=(Location.Kind.STORE, Location.Kind.VAN),
        )
        .filter(Q(on_hand__gt=F("reserved")) | Q(on_order__gt=0))
        .select_related("location")
        .order_by("location__kind", "location__name", "location_id")
    )
    here: Places = {}
    coming: Places = {}
    for balance in balances:
        assert balance.location.branch_id is not None
        key = (balance.item_id, balance.location.branch_id)
        free = balance.on_hand - balance.reserved
        if free > 0:
            here.setdefault(key, []).append(f"{free} at {balance.location.name}")
        elif balance.on_order > 0:
            coming.setdefault(key, []).append(f"on order for {balance.location.name}")
    return coming | here


def _row(proposal: SwapProposal, places: Places) -> ProposalRow:
    device, verdict = proposal.device, proposal.verdict
    branch_id = device.system.site.branch_id
    wanted = [("Cover", verdict.variant.cover_id)]
    if verdict.board is not None:
        wanted.append(("Board", verdict.board.item_id))
    return ProposalRow(
        pk=proposal.pk,
        device_id=device.pk,
        site_id=device.system.site_id,
        site=str(device.system.site),
        device=str(device),
        fitted=device.variant.code,
        reasons=reason_words(proposal.reasons),
        cover=f"{verdict.variant.code} {verdict.variant.name}",
        board=verdict.board.item.name if verdict.board is not None else "",
        verdict=verdict.get_verdict_display(),
        tone=verdict_tone(verdict.verdict),
        state=proposal.state,
        state_words=proposal.get_state_display(),
        made_on=proposal.made_on,
        parts=tuple(
            f"{part}: {', '.join(places.get((item_id, branch_id), ['not in the branch'])[:2])}"
            for part, item_id in wanted
        ),
    )


def _need(need: SwapNeed) -> NeedRow:
    device = need.device
    return NeedRow(
        device_id=device.pk,
        site_id=device.system.site_id,
        site=str(device.system.site),
        device=str(device),
        fitted=device.variant.code,
        family=device.variant.family.name,
        reasons=reason_words(need.reasons),
        since=need.since,
    )


def verdict_tone(verdict: str) -> str:
    """The colour of a verdict's tag; the words say it all."""
    return {
        SwapVerdict.Verdict.FITS: "ok",
        SwapVerdict.Verdict.FITS_BOARD: "info",
        SwapVerdict.Verdict.FITS_CORES: "warn",
    }.get(SwapVerdict.Verdict(verdict), "bad")


@dataclass(frozen=True)
class OptionRow:
    """One cover of the family and what the rule says of it for this device."""

    code: str
    name: str
    grade: int
    rank: int
    verdict: str
    verdict_words: str
    tone: str
    proposable: bool
    board: str
    reasons_for: tuple[str, ...]
    reasons_against: tuple[str, ...]
    cures: tuple[str, ...]
    cores: tuple[str, ...]
    supply: SwapSupply | None = None


def option_rows(found: WhyNot, supplies: Mapping[str, SwapSupply] | None = None) -> list[OptionRow]:
    """The options of `why_not` in words, with what each does to the supply, by its code. No statement."""
    return [
        OptionRow(
            code=option.cover.code,
            name=option.cover.name,
            grade=option.cover.grade,
            rank=option.rank,
            verdict=option.judgement.verdict.value,
            verdict_words=SwapVerdict.Verdict(option.judgement.verdict.value).label,
            tone=verdict_tone(option.judgement.verdict.value),
            proposable=option.judgement.proposable,
            board=option.judgement.board.name if option.judgement.board is not None else "",
            reasons_for=option.judgement.reasons_for,
            reasons_against=tuple(against.text for against in option.judgement.reasons_against),
            cures=option.judgement.cures,
            cores=tuple(f"{colour} to {terminal}" for colour, terminal in option.judgement.cores),
            supply=(supplies or {}).get(option.cover.code),
        )
        for option in found.options
    ]
