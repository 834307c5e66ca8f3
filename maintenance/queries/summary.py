"""What the nightly work left behind, in a few lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from django.db.models import Count, F, Window

from maintenance.models import Flag, JobRun, LoopDrift, Shortage, SwapNeed, SwapProposal, SwapVerdict

EXAMPLES = 5


@dataclass(frozen=True)
class OverdueTest:
    """One test that is late, where, and since when."""

    site: str
    test: str
    state: str
    since: date


@dataclass(frozen=True)
class ProposedSwap:
    """One swap waiting for a decision."""

    site: str
    device: str
    fitted: str
    proposed: str
    verdict: str
    reasons: str


@dataclass(frozen=True)
class UnmetNeed:
    """A device that should be swapped and for which no cover fits its wiring."""

    site: str
    device: str
    fitted: str
    reasons: str


@dataclass(frozen=True)
class ShortItem:
    """An item that planned work will run out of."""

    branch: str
    item: str
    unit: str
    short: int
    needed_on: date


@dataclass(frozen=True)
class NightlySummary:
    """What stands after the nightly work: counts, and the worst few of each kind."""

    business_date: date | None
    flags: dict[str, int]
    overdue: tuple[OverdueTest, ...]
    verdicts: dict[str, int]
    swaps: tuple[ProposedSwap, ...]
    unmet_count: int
    unmet: tuple[UnmetNeed, ...]
    short_count: int
    shortages: tuple[ShortItem, ...]
    drifting: int

    def lines(self) -> list[str]:
        """The summary as plain lines of text."""
        return list(self._lines())

    def _lines(self) -> Iterator[str]:
        yield f"Nightly work of {_day(self.business_date)}" if self.business_date else "No nightly work was done yet"
        late = sum(self.flags.get(state, 0) for state in Flag.LATE)
        states = ", ".join(f"{state.label.lower()} {self.flags.get(state, 0)}" for state in Flag.State)
        yield f"Tests overdue: {late} ({states})"
        for test in self.overdue:
            yield f"  {test.site}: {test.test}, {test.state} since {_day(test.since)}"
        yield f"Loops drifting out of their band: {self.drifting}"
        verdicts = ", ".join(f"{verdict.label.lower()} {self.verdicts.get(verdict, 0)}" for verdict in _PROPOSABLE)
        yield f"Swaps proposed: {sum(self.verdicts.values())} ({verdicts})"
        for swap in self.swaps:
            yield (
                f"  {swap.site}, {swap.device}: {swap.fitted} to {swap.proposed}, {swap.verdict.lower()}"
                f" ({swap.reasons})"
            )
        yield f"Devices to swap for which nothing fits: {self.unmet_count}"
        for need in self.unmet:
            yield f"  {need.site}, {need.device}: {need.fitted} ({need.reasons})"
        yield f"Shortages of the coming weeks: {self.short_count}"
        for item in self.shortages:
            yield f"  {item.branch}: {item.item}, {item.short} {item.unit} short by {_day(item.needed_on)}"


_PROPOSABLE = (SwapVerdict.Verdict.FITS, SwapVerdict.Verdict.FITS_BOARD)


def nightly_summary() -> NightlySummary:
    """The state after the last nightly run that was done. For the firm's own console: it names sites.
    Eight statements."""
    run = JobRun.objects.filter(job="nightly", state=JobRun.State.DONE).order_by("-id").first()
    flags = Flag.objects.filter(withdrawn_at=None).values("state").annotate(count=Count("id")).order_by()
    overdue = (
        Flag.objects.filter(withdrawn_at=None, state__in=Flag.LATE)
        .select_related("site", "requirement__rule")
        .defer("site__access_notes")
        .order_by("since", "id")[:EXAMPLES]
    )
    waiting = SwapProposal.objects.filter(state=SwapProposal.State.WAITING)
    verdicts = waiting.values("verdict__verdict").annotate(count=Count("id")).order_by()
    swaps = (
        waiting.select_related("device__system__site", "device__variant", "verdict__variant", "verdict__board__item")
        .defer("device__system__site__access_notes")
        .order_by("id")[:EXAMPLES]
    )
    unmet = list(
        SwapNeed.objects.filter(proposable=0)
        .annotate(total=Window(Count("id")))
        .select_related("device__system__site", "device__variant")
        .defer("device__system__site__access_notes")
        .order_by("since", "id")[:EXAMPLES]
    )
    shortages = list(
        Shortage.objects.annotate(total=Window(Count("id")))
        .select_related("branch", "item")
        .order_by("needed_on", F("short").desc(), "id")[:EXAMPLES]
    )
    return NightlySummary(
        business_date=run.business_date if run else None,
        flags={row["state"]: row["count"] for row in flags},
        overdue=tuple(
            OverdueTest(
                site=str(flag.site),
                test=flag.requirement.rule.get_test_display(),
                state=flag.get_state_display().lower(),
                since=flag.since,
            )
            for flag in overdue
        ),
        verdicts={row["verdict__verdict"]: row["count"] for row in verdicts},
        swaps=tuple(
            ProposedSwap(
                site=str(swap.device.system.site),
                device=str(swap.device),
                fitted=swap.device.variant.code,
                proposed=swap.verdict.variant.code
                + (f" with {swap.verdict.board}" if swap.verdict.board else ""),
                verdict=swap.verdict.get_verdict_display(),
                reasons=_reasons(swap.reasons),
            )
            for swap in swaps
        ),
        unmet_count=unmet[0].total if unmet else 0,
        unmet=tuple(
            UnmetNeed(
                site=str(need.device.system.site),
                device=str(need.device),
                fitted=need.device.variant.code,
                reasons=_reasons(need.reasons),
            )
            for need in unmet
        ),
        short_count=shortages[0].total if shortages else 0,
        shortages=tuple(
            ShortItem(
                branch=row.branch.name,
                item=str(row.item),
                unit=row.item.unit,
                short=row.short,
                needed_on=row.needed_on,
            )
            for row in shortages
        ),
        drifting=LoopDrift.objects.filter(withdrawn_at=None).count(),
    )


def _reasons(reasons: list[str]) -> str:
    return ", ".join(SwapNeed.Reason(reason).label for reason in reasons)


def _day(day: date) -> str:
    return f"{day:%-d %b %Y}"
