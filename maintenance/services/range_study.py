"""Range studies: asked for on a page, done by a worker, the whole result written at once."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from config.accounts.models import Branch, User
from config.background import BackgroundWork, CancelAsked, alone, ask_worker, end, progress_of
from config.errors import Conflict, InvalidInput
from maintenance.models import RangeStudy
from maintenance.queries.range_positions import positions_by_signature
from maintenance.queries.range_result import Tallies, result_of
from maintenance.queries.range_savings import savings
from maintenance.queries.swap_facts import load_catalogue, position_from
from maintenance.rules.range_choices import choices_of
from stock.models import Board
from stock.rules.fewest import fewest, one_fewer

TASK = "maintenance.study_range"
# How long the solver may look for a smaller range, and for what one fewer would leave; in seconds.
SOLVE_S = 60.0
ONE_FEWER_S = 30.0
JUDGED_PERCENT = 70

State = BackgroundWork.State


def start_study(
    branch: Branch | None, *, by: User, keep_settings: bool = True, service_percent: Decimal = Decimal(95),
    correlation: float = 0.0,
) -> RangeStudy:
    """Ask a worker to study the positions of a branch, or of the firm.

    `keep_settings`: a variant serves a position only if every setting can stay. The safety stocks are computed for
    that cycle service level and that correlation of the variants' demands. Raises InvalidInput for a branch that is
    not the person's, and for values out of range.
    """
    if by.branch_id is not None and (branch is None or branch.pk != by.branch_id):
        raise InvalidInput("You see one branch, so the study can only be of that one.", field="branch",
                           value=branch.name if branch else "", remedy="Choose your branch.")
    if not 50 <= service_percent < 100:
        raise InvalidInput("The service level goes from 50 to below 100 %.", field="service_percent",
                           value=service_percent, remedy="95 means 95 of 100 lead times without a stock-out.")
    if not 0 <= correlation <= 1:
        raise InvalidInput("The correlation goes from 0 to 1.", field="correlation", value=correlation,
                           remedy="0 means independent demands.")
    asked = {
        "keep_settings": keep_settings, "service_percent": float(service_percent), "correlation": correlation,
    }
    with transaction.atomic():
        made = RangeStudy.objects.create(branch=branch, by=by, result={"asked": asked})
        ask_worker(TASK, made.pk)
    return made


def run_again(study: RangeStudy) -> None:
    """Ask a worker once more: after a failure, a cancellation, or a worker that never came back. Raises Conflict for a
    study that is done."""
    with transaction.atomic():
        row = RangeStudy.objects.select_for_update().get(pk=study.pk)
        if row.state == State.DONE:
            raise Conflict("The study is done.", field="study", value=row.pk, remedy="Start another one.")
        row.cancel_asked = False
        if row.state != State.RUNNING:
            row.state, row.progress, row.finished_at, row.error = State.WAITING, 0, None, ""
        row.save(update_fields=["cancel_asked", "state", "progress", "finished_at", "error"])
        ask_worker(TASK, row.pk)


def study_range(study_id: int, *, today: date | None = None, wait_s: int = 10) -> str:
    """Carry a study out and return the state it ends in; a worker's task calls this.

    Every signature of the positions is judged once; the solver runs on one thread from a fixed seed, so that a study
    run again on the same records gives the same result. Result and end are one statement: a killed worker leaves
    nothing. A repeat of a study that has ended changes nothing.
    """
    with alone(RangeStudy.LOCK, study_id, wait_s=wait_s) as mine:
        study = RangeStudy.objects.filter(pk=study_id).first() if mine else None
        if study is None or study.state not in RangeStudy.OPEN:
            return study.state if study is not None else ""
        try:
            with transaction.atomic():
                return _study(study, today or timezone.localdate())
        except CancelAsked:
            return end(study, State.CANCELLED)
        except Exception:
            end(study, State.FAILED, error="The service stopped with an error; nothing was kept. Run it again.")
            raise


def _study(study: RangeStudy, today: date) -> str:
    asked: dict[str, Any] = study.result["asked"]
    with progress_of(study) as report:
        report(1)
        catalogue = load_catalogue(today)
        board_items = dict(Board.objects.values_list("id", "item_id"))
        tallies = Tallies()
        with positions_by_signature(study.branch_id, catalogue) as found:
            report(5)
            for done, group in enumerate(found.groups):
                if done % 100 == 0:
                    report(5 + done * (JUDGED_PERCENT - 5) // max(found.signatures, 1))
                position = position_from(group.facts, catalogue)
                tallies.add(group, position, choices_of(
                    position, catalogue.covers(position.family), catalogue.boards_for(position.family), board_items,
                    keep_settings=asked["keep_settings"],
                ))
        report(JUDGED_PERCENT)
        needs = tallies.needs()
        best = fewest(needs, seconds=SOLVE_S)
        report(85)
        fewer = one_fewer(needs, best, seconds=ONE_FEWER_S)
        report(95)
        result = result_of(tallies, best, fewer, catalogue=catalogue, asked=asked, today=today)
        result["savings"] = savings(result["lines"], branch_id=study.branch_id, asked=asked, today=today)
        report(99)
    # From here on a wish to cancel waits for the end.
    if RangeStudy.objects.select_for_update().values_list("cancel_asked", flat=True).get(pk=study.pk):
        raise CancelAsked
    return end(study, State.DONE, result=result, error="")
