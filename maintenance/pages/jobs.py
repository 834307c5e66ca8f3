"""The nightly work: its runs, its last summary, the shortages it found, and a button that runs it now."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from maintenance.pages.partial import wants_list
from maintenance.queries.jobs import job_runs, running, shortage_list
from maintenance.queries.summary import nightly_summary
from maintenance.services.run_now import ask_for_nightly_run

SIZE = 30


@require_GET
@needs(Right.SEE_JOBS)
def jobs(request: UserRequest) -> HttpResponse:
    page = job_runs(request.user, cursor=request.GET.get("cursor"), size=SIZE)
    context = {"page": page, "running": running(), "watch": "watch" in request.GET}
    if wants_list(request):
        return render(request, "maintenance/_job_list.html", context)
    return render(request, "maintenance/jobs.html", context | {"summary": nightly_summary()})


@require_POST
@needs(Right.SEE_JOBS)
def run_now(request: UserRequest) -> HttpResponse:
    ask_for_nightly_run()
    messages.success(request, "The nightly work is on its way. This page shows how far it is.")
    return redirect(f"{reverse('maintenance:jobs')}?watch=1")


@require_GET
@needs(Right.SEE_STOCK)
def shortages(request: UserRequest) -> HttpResponse:
    page = shortage_list(request.user, cursor=request.GET.get("cursor"), size=SIZE)
    return render(request, "maintenance/shortages.html", {"page": page})
