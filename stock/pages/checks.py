"""The nightly checks of the ledger: what they found, and who looked into it."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from stock.forms_value import LookIntoForm
from stock.models import LedgerCheck
from stock.queries.checks import check_page, check_summary, difference_page, differences
from stock.services.reconciliation import look_into
from stock.services.retries import post_once


@require_GET
@needs(Right.MOVE_STOCK)
def checks(request: UserRequest) -> HttpResponseBase:
    """What nobody has looked into yet, and the checks of the last nights."""
    return render(request, "stock/checks.html", {
        "summary": check_summary(request.user),
        "page": check_page(request.user, cursor=request.GET.get("cursor")),
        "open": difference_page(request.user, None),
    })


@require_GET
@needs(Right.MOVE_STOCK)
def check(request: UserRequest, pk: int) -> HttpResponseBase:
    """All that one check found."""
    run = get_object_or_404(LedgerCheck, pk=pk)
    page = difference_page(request.user, run, cursor=request.GET.get("cursor"))
    return render(request, "stock/check.html", {"run": run, "page": page})


@require_http_methods(["GET", "POST"])
@needs(Right.MOVE_STOCK)
def difference(request: UserRequest, pk: int) -> HttpResponseBase:
    """One difference, and the note of who looked into it."""
    found = get_object_or_404(differences(request.user).select_related("item", "location", "serial", "reservation",
                                                                       "seen_by", "check_run"), pk=pk)
    form = LookIntoForm(request.POST or None)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            note = form.cleaned_data["note"]
            try:
                post_once(
                    lambda: look_into(found, by=request.user, note=note), by=request.user,
                    token=form.cleaned_data["token"], content={"difference": found.pk, "note": note},
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                messages.success(request, "Noted. The alarm for this difference is off; the ledger is as it was.")
                return redirect("stock:checks")
    return render(request, "stock/difference.html", {"difference": found, "form": form}, status=status)
