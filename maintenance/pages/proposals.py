"""Swap proposals: what waits for a decision, one in full, and why other covers are not proposed."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from maintenance.forms import DecisionForm, NeedFilterForm, ProposalFilterForm
from maintenance.pages.partial import wants_list
from maintenance.queries import swaps
from maintenance.queries.proposal_list import need_list, option_rows, proposal_list, verdict_tone
from maintenance.queries.swap_supply import option_supplies, swap_supply
from maintenance.services.swaps import accept_proposal, decline_proposal

SIZE = 50


@require_GET
@needs(Right.SEE_PROPOSALS)
def proposals(request: UserRequest) -> HttpResponse:
    form = ProposalFilterForm(request.GET)
    page = proposal_list(request.user, form.choice(), cursor=request.GET.get("cursor"), size=SIZE)
    context = {"page": page, "form": form, "may_open_sites": request.user.has_right(Right.SEE_SITES)}
    template = "maintenance/_proposal_list.html" if wants_list(request) else "maintenance/proposals.html"
    return render(request, template, context)


@require_GET
@needs(Right.SEE_PROPOSALS)
def unmet(request: UserRequest) -> HttpResponse:
    """Devices that need a swap and for which nothing fits the wiring in place."""
    form = NeedFilterForm(request.GET)
    form.is_valid()
    reason = form.cleaned_data.get("reason") or ""
    page = need_list(request.user, reason=reason, cursor=request.GET.get("cursor"), size=SIZE)
    context = {"page": page, "form": form, "may_open_sites": request.user.has_right(Right.SEE_SITES)}
    template = "maintenance/_need_list.html" if wants_list(request) else "maintenance/unmet_needs.html"
    return render(request, template, context)


@require_GET
@needs(Right.SEE_PROPOSALS)
def proposal(request: UserRequest, pk: int) -> HttpResponse:
    return _show(request, pk)


@require_POST
@needs(Right.DECIDE_PROPOSALS)
def decide(request: UserRequest, pk: int) -> HttpResponse:
    detail = swaps.proposal_detail(request.user, pk)
    if detail is None:
        raise Http404
    form = DecisionForm(request.POST)
    if not form.is_valid():
        return _show(request, pk, form=form)
    given = form.cleaned_data
    act = accept_proposal if given["decision"] == "accept" else decline_proposal
    try:
        act(detail.proposal, by=request.user, version=given["version"], note=given["note"])
    except ZonewrightError as refused:
        return _show(request, pk, error=refused)
    messages.success(request, "The decision is recorded.")
    return redirect("maintenance:proposal", pk)


def _show(
    request: UserRequest, pk: int, *, form: DecisionForm | None = None, error: ZonewrightError | None = None
) -> HttpResponse:
    detail = swaps.proposal_detail(request.user, pk)
    if detail is None:
        raise Http404
    opens = request.user.has_right(Right.SEE_SITES)
    return render(
        request, "maintenance/proposal.html",
        {"detail": detail, "proposal": detail.proposal, "verdict": detail.verdict, "device": detail.device,
         "site": detail.site, "tone": verdict_tone(detail.verdict.verdict), "error": error,
         # It names other devices of the site and their volts: only for those who may open sites.
         "supply": swap_supply(detail.device, detail.verdict.variant) if opens else None,
         "form": form or DecisionForm(initial={"version": detail.proposal.version}),
         "waiting": detail.proposal.state == detail.proposal.State.WAITING,
         "may_decide": request.user.has_right(Right.DECIDE_PROPOSALS),
         "may_open_sites": opens},
        status=error.status if error else 400 if form is not None else 200,
    )


@require_GET
@needs(Right.SEE_PROPOSALS)
def device_swaps(request: UserRequest, pk: int) -> HttpResponse:
    """Every cover of the device's family: whether it fits, why or why not, and what would cure it."""
    found = swaps.why_not(request.user, pk)
    if found is None:
        raise Http404
    opens = request.user.has_right(Right.SEE_SITES)
    return render(
        request, "maintenance/device_swaps.html",
        {"found": found, "device": found.device, "site": found.site,
         "options": option_rows(found, option_supplies(found) if opens else None),
         "may_open_sites": opens},
    )
