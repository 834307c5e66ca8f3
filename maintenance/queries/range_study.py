"""Range studies as people read them: the list, one in full, its positions as a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import F, Func, IntegerField, QuerySet

from config import keyset
from config.accounts.models import Branch, User
from config.accounts.rights import Right
from config.background import BackgroundWork
from config.keyset import KeysetPage
from config.tables import csv_line
from installs.models import Device, Site
from maintenance.models import RangeStudy

WHOLE_FIRM = "Whole firm"
_TONES = {"done": "ok", "failed": "bad", "cancelled": "warn"}
_FIELDS = ("id", "state", "progress", "cancel_asked", "error", "at", "finished_at", "branch__name", "by__name")


@dataclass(frozen=True)
class StudyRow:
    """One study in short; `positions` and `kept` are None until it is done."""

    pk: int
    scope: str
    by: str
    at: datetime
    finished_at: datetime | None
    state: str
    state_words: str
    tone: str
    progress: int
    cancel_asked: bool
    error: str
    positions: int | None
    kept: int | None

    @property
    def open(self) -> bool:
        return self.state in RangeStudy.OPEN

    @property
    def may_run_again(self) -> bool:
        return self.state != BackgroundWork.State.DONE


@dataclass(frozen=True)
class Place:
    """A device that stands as an example, at a site that the person may open."""

    device_id: int
    mark: str
    position: str
    site_id: int
    site: str
    reference: str


@dataclass(frozen=True)
class StudyDetail:
    """One study: `result` is what was asked, and when it is done all that came out; examples are places that the
    person may open."""

    row: StudyRow
    result: Mapping[str, Any]

    @property
    def done(self) -> bool:
        return self.row.state == BackgroundWork.State.DONE

    @property
    def day(self) -> date | None:
        """The day as of which the positions were studied."""
        return date.fromisoformat(self.result["day"]) if "day" in self.result else None

    @property
    def unserved(self) -> int:
        return sum(row["positions"] for row in self.result.get("unserved", ()))

    @property
    def saved(self) -> Mapping[str, float] | None:
        """Pieces and value of safety stock before, after and saved; None without demand to compute from."""
        savings = self.result.get("savings") or {}
        if not savings.get("lines"):
            return None
        before, after = savings["before"], savings["after"]
        return {
            "pieces": before["pieces"] - after["pieces"], "value": before["value"] - after["value"],
            "percent": round(100 * (before["value"] - after["value"]) / before["value"]) if before["value"] else 0,
        }


def studies_of(user: User) -> QuerySet[RangeStudy]:
    """Studies that the person may see: those of the own branch, or every one without a branch."""
    if not user.has_right(Right.ORDER_STOCK):
        return RangeStudy.objects.none()
    return RangeStudy.objects.all() if user.branch_id is None else RangeStudy.objects.filter(branch_id=user.branch_id)


def study_rows(user: User) -> QuerySet[Any, Any]:
    """Studies in short, without what they came to. One statement."""
    return _in_short(user).values(*_FIELDS, "positions", "kept")


def _in_short(user: User) -> QuerySet[Any, Any]:
    return studies_of(user).annotate(
        positions=F("result__positions"),
        kept=Func(F("result__kept"), function="jsonb_array_length", output_field=IntegerField()),
    )


def study_list(user: User, *, cursor: str | None, size: int) -> KeysetPage[StudyRow]:
    """Studies, newest first. One statement."""
    found = keyset.page(study_rows(user), ("-id",), cursor=cursor, size=size)
    return KeysetPage([_row(row) for row in found.rows], found.next_cursor, found.first)


def _row(row: Mapping[str, Any]) -> StudyRow:
    state = BackgroundWork.State(row["state"])
    return StudyRow(
        pk=row["id"], scope=row["branch__name"] or WHOLE_FIRM, by=row["by__name"], at=row["at"],
        finished_at=row["finished_at"], state=row["state"], state_words=state.label,
        tone=_TONES.get(row["state"], "info"), progress=row["progress"], cancel_asked=row["cancel_asked"],
        error=row["error"], positions=row["positions"], kept=row["kept"],
    )


def one_study(user: User, pk: int) -> StudyDetail | None:
    """One study, if the person may see it. One statement, and one for the examples when it is done and the person may
    see sites."""
    row = _in_short(user).filter(pk=pk).values(*_FIELDS, "result", "positions", "kept").first()
    if row is None:
        return None
    result = row["result"]
    devices = {device for part in _with_examples(result) for name in _EXAMPLES for device in part.get(name, ())}
    places = _places(user, devices) if devices and user.has_right(Right.SEE_SITES) else {}
    for part in _with_examples(result):
        for name in _EXAMPLES:
            if name in part:
                # One device of each site is example enough.
                sites = {places[device].site_id: places[device] for device in reversed(part[name]) if device in places}
                part[name] = sorted(sites.values(), key=lambda place: place.device_id)
    return StudyDetail(_row(row), result)


_EXAMPLES = ("examples", "only_examples")


def _with_examples(result: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    yield from result.get("kept", ())
    yield from result.get("unserved", ())
    if result.get("one_fewer"):
        yield result["one_fewer"]


def _places(user: User, devices: set[int]) -> dict[int, Place]:
    found = Device.objects.filter(
        pk__in=devices, system__site__in=Site.objects.visible_to(user).values("pk")
    ).values_list("pk", "mark", "position", "system__site_id", "system__site__name", "system__site__reference")
    return {row[0]: Place(*row) for row in found}


def scopes(user: User) -> list[tuple[str, str]]:
    """What the person may have studied: the firm and each branch, or the own branch. One statement."""
    branches = Branch.objects.order_by("name")
    if user.branch_id is not None:
        return [(str(pk), name) for pk, name in branches.filter(pk=user.branch_id).values_list("pk", "name")]
    return [("", WHOLE_FIRM), *((str(pk), name) for pk, name in branches.values_list("pk", "name"))]


def positions_csv(detail: StudyDetail) -> str:
    """The whole assignment as CSV: what is there now and the grade, what serves it, and with which parts."""
    lines = [csv_line(
        ["variant now", "name now", "site grade", "served by", "name", "boards and inserts", "positions"]
    )]
    for line in detail.result.get("lines", ()):
        by = line["by"] or {"code": "", "name": "not served"}
        lines.append(csv_line([
            line["code"], line["name"], line["grade"], by["code"], by["name"],
            ", ".join(part["sku"] for part in line["parts"]), line["positions"],
        ]))
    return "".join(lines)
