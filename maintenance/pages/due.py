"""What is due and overdue: the scheduler's first page."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from maintenance.forms import DueFilterForm
from maintenance.pages.partial import wants_list
from maintenance.queries.due import due_by_month, due_list, late_counts
from maintenance.queries.scope import branches_of

SIZE = 50


@require_GET
@needs(Right.SEE_VISITS)
def due(request: UserRequest) -> HttpResponse:
    today = timezone.localdate()
    form = DueFilterForm(request.GET)
    form.offer("branch", list(branches_of(request.user).values_list("pk", "name")))
    page = due_list(request.user, form.choice(), today=today, cursor=request.GET.get("cursor"), size=SIZE)
    context = {"page": page, "form": form, "month": form.cleaned_data.get("month"),
               "may_plan": request.user.has_right(Right.PLAN_VISITS)}
    if wants_list(request):
        return render(request, "maintenance/_due_list.html", context)
    months = due_by_month(request.user, today)
    return render(request, "maintenance/due.html", context | {"months": months, "counts": late_counts(request.user)})
