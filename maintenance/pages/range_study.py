"""Fewer variants: starting a study, watching it, and what it came to."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.background import cancel as ask_end
from config.errors import ZonewrightError
from maintenance.forms_range import StudyForm
from maintenance.pages.partial import wants_list
from maintenance.queries import range_study as queries
from maintenance.services import range_study as services
from stock.services.retries import post_once

SIZE = 30


@require_http_methods(["GET", "POST"])
@needs(Right.ORDER_STOCK)
def studies(request: UserRequest) -> HttpResponse:
    """Studies so far, and the form for another."""
    form = StudyForm(request.user, request.POST or None)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            asked = form.asked()
            try:
                made, _fresh = post_once(
                    lambda: services.start_study(asked["branch"], by=request.user, **{
                        name: value for name, value in asked.items() if name != "branch"
                    }),
                    by=request.user, token=form.cleaned_data["token"], content=asked,
                )
            except ZonewrightError as error:
                form.add_error(error.field if error.field in form.fields else None, f"{error.message} {error.remedy}")
                status = error.status
            else:
                return redirect("maintenance:range_study", made.pk)
    page = queries.study_list(request.user, cursor=request.GET.get("cursor"), size=SIZE)
    return render(request, "maintenance/range_studies.html", {"form": form, "page": page}, status=status)


def _found(request: UserRequest, pk: int) -> queries.StudyDetail:
    found = queries.one_study(request.user, pk)
    if found is None:
        raise Http404
    return found


@require_GET
@needs(Right.ORDER_STOCK)
def study(request: UserRequest, pk: int) -> HttpResponse:
    """One study: how far it is, then what came of it. For htmx only the part that renews itself."""
    found = _found(request, pk)
    template = "maintenance/_range_study.html" if wants_list(request) else "maintenance/range_study.html"
    context = {"detail": found, "row": found.row, "result": found.result,
               "may_open_sites": request.user.has_right(Right.SEE_SITES)}
    return render(request, template, context)


@require_GET
@needs(Right.ORDER_STOCK)
def table(request: UserRequest, pk: int) -> HttpResponse:
    """What serves which positions, as a CSV file."""
    return HttpResponse(
        "\N{ZERO WIDTH NO-BREAK SPACE}" + queries.positions_csv(_found(request, pk)),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="range-study-{pk}.csv"'},
    )


@require_POST
@needs(Right.ORDER_STOCK)
def cancel(request: UserRequest, pk: int) -> HttpResponse:
    ask_end(get_object_or_404(queries.studies_of(request.user), pk=pk))
    messages.success(request, "The study will end at its next step, and nothing of it is kept.")
    return redirect("maintenance:range_study", pk)


@require_POST
@needs(Right.ORDER_STOCK)
def again(request: UserRequest, pk: int) -> HttpResponse:
    services.run_again(get_object_or_404(queries.studies_of(request.user), pk=pk))
    messages.success(request, "The study runs again.")
    return redirect("maintenance:range_study", pk)
