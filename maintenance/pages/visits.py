"""Visits: the lists, planning and moving one, and recording what was found."""

from __future__ import annotations

from functools import partial

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from maintenance.forms import CancelForm, MoveForm, PlanForm, ResultsForm, VisitFilterForm
from maintenance.pages.partial import wants_list
from maintenance.queries import recalls as recall_queries
from maintenance.queries import visits as queries
from maintenance.queries.visits import VisitDetail
from maintenance.services.recalls import plan_for_recall
from maintenance.services.results import record_results
from maintenance.services.visits import cancel_visit, move_visit, plan_visit

SIZE = 50


@require_GET
@needs(Right.SEE_VISITS)
def visits(request: UserRequest) -> HttpResponse:
    today = timezone.localdate()
    form = VisitFilterForm(request.GET)
    form.offer("engineer", queries.engineer_choices(request.user))
    page = queries.visit_list(
        request.user, form.choice(), today=today, cursor=request.GET.get("cursor"), size=SIZE
    )
    context = {"page": page, "form": form, "today": today}
    if wants_list(request):
        return render(request, "maintenance/_visit_list.html", context)
    own = queries.is_engineer(request.user)
    now, week = queries.own_visits(request.user, today) if own else ([], [])
    absences = queries.upcoming_absences(request.user, today)
    return render(
        request, "maintenance/visits.html",
        context | {"own": own, "own_today": now, "own_week": week, "absences": absences},
    )


@require_http_methods(["GET", "POST"])
@needs(Right.PLAN_VISITS)
def plan(request: UserRequest) -> HttpResponse:
    """`?site=` says where; without it the page says how to choose one."""
    text = request.GET.get("site", "")
    if not text.isdecimal():
        return render(request, "maintenance/visit_plan.html", {"site": None})
    choices = queries.plan_choices(request.user, int(text), timezone.localdate())
    ticked = [requirement.pk for requirement in choices.requirements if requirement.ticked]
    recalled = recall_queries.line_to_plan(request.user, choices.site, request.GET.get("recall", ""))
    form = PlanForm(
        choices, request.POST or None,
        initial={"kind": "site", "starts": "09:00", "ends": "10:00",
                 "note": recall_queries.note_for(recalled) if recalled else ""},
    )
    error: ZonewrightError | None = None
    if request.method == "POST":
        if form.is_valid():
            try:
                visit = (plan_visit if recalled is None else partial(plan_for_recall, recalled))(
                    choices.site,
                    engineer=next(e for e in choices.engineers if e.pk == form.cleaned_data["engineer"]),
                    start=form.moment("starts"), end=form.moment("ends"), kind=form.cleaned_data["kind"],
                    requirements=form.cleaned_data["requirements"], by=request.user,
                    note=form.cleaned_data["note"],
                )
            except ZonewrightError as refused:
                error = refused
            else:
                messages.success(request, "The visit is planned.")
                return redirect("maintenance:visit", visit.pk)
        ticked = [int(pk) for pk in request.POST.getlist("requirements") if pk.isdecimal()]
    return render(
        request, "maintenance/visit_plan.html",
        {"site": choices.site, "choices": choices, "form": form, "ticked": ticked, "error": error,
         "absences": queries.upcoming_absences(request.user, timezone.localdate())},
        status=error.status if error else 400 if form.errors else 200,
    )


@require_GET
@needs(Right.SEE_VISITS)
def visit(request: UserRequest, pk: int) -> HttpResponse:
    """A visit and, for those who may, the form that records its results."""
    detail = queries.visit_detail(request.user, pk)
    return _show(request, detail, ResultsForm(detail.tasks, today=timezone.localdate()))


@require_POST
@needs(Right.RECORD_RESULTS)
def record(request: UserRequest, pk: int) -> HttpResponse:
    """Record what was found. The form's token makes a second press change nothing."""
    detail = queries.visit_detail(request.user, pk)
    form = ResultsForm(detail.tasks, request.POST)
    if not form.is_valid():
        return _show(request, detail, form, wrong=True)
    given = form.record.cleaned_data
    try:
        record_results(detail.visit, form.entries(), by=request.user, done_on=given["done_on"], key=given["token"])
    except ZonewrightError as refused:
        return _show(request, detail, form, error=refused)
    messages.success(request, "The results are recorded.")
    return redirect("maintenance:visit", pk)


def _show(
    request: UserRequest, detail: VisitDetail, form: ResultsForm, *, wrong: bool = False,
    error: ZonewrightError | None = None,
) -> HttpResponse:
    return render(
        request, "maintenance/visit.html",
        {"detail": detail, "row": detail.row, "form": form, "error": error, "wrong": wrong,
         "recalls": recall_queries.recalls_on_visit(detail.visit.pk),
         "recording": request.user.has_right(Right.RECORD_RESULTS) and detail.open,
         "may_plan": request.user.has_right(Right.PLAN_VISITS)},
        status=error.status if error else 400 if wrong else 200,
    )


@require_http_methods(["GET", "POST"])
@needs(Right.PLAN_VISITS)
def move(request: UserRequest, pk: int) -> HttpResponse:
    """Another time or engineer, or an end to the visit."""
    detail = queries.visit_detail(request.user, pk)
    cancelling = request.POST.get("do") == "cancel"
    error: ZonewrightError | None = None
    form = _move_form(request, detail, bound=request.method == "POST" and not cancelling)
    cancel = CancelForm(request.POST if cancelling else None, initial={"version": detail.visit.version})
    if cancelling and cancel.is_valid():
        given = cancel.cleaned_data
        try:
            cancel_visit(detail.visit, version=given["version"], reason=given["reason"], by=request.user)
        except ZonewrightError as refused:
            error = refused
        else:
            messages.success(request, "The visit is aborted. What it was to do stays due.")
            return redirect("maintenance:visit", pk)
    elif form.is_bound and form.is_valid():
        given = form.cleaned_data
        try:
            move_visit(
                detail.visit, version=given["version"], start=form.moment("starts"), end=form.moment("ends"),
                engineer=queries.engineer(request.user, given["engineer"]), note=given["note"], by=request.user,
            )
        except ZonewrightError as refused:
            error = refused
        else:
            messages.success(request, "The visit is moved.")
            return redirect("maintenance:visit", pk)
    return render(
        request, "maintenance/visit_move.html",
        {"detail": detail, "row": detail.row, "form": form, "cancel": cancel, "error": error},
        status=error.status if error else 400 if form.errors or cancel.errors else 200,
    )


def _move_form(request: UserRequest, detail: VisitDetail, *, bound: bool) -> MoveForm:
    row = detail.row
    form = MoveForm(
        request.POST if bound else None,
        initial={"version": detail.visit.version, "engineer": detail.visit.engineer_id, "day": row.starts.date(),
                 "starts": row.starts.time(), "ends": row.ends.time(), "note": row.note},
    )
    form.offer("engineer", queries.engineer_choices(request.user, branch_id=detail.visit.site.branch_id), "choose")
    return form
