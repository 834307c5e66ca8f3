"""Loops that drift."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from maintenance.queries.drift import drift_list

SIZE = 50


@require_GET
@needs(Right.SEE_VISITS)
def drifts(request: UserRequest) -> HttpResponse:
    """Loops whose measured values leave their band before they are measured again."""
    page = drift_list(request.user, today=timezone.localdate(), cursor=request.GET.get("cursor"), size=SIZE)
    return render(request, "maintenance/drifts.html",
                  {"page": page, "may_plan": request.user.has_right(Right.PLAN_VISITS)})
