"""A circuit's own page, and the list of loops that want a look."""

from __future__ import annotations

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from installs.models import LoopTable
from installs.pages.sites import _log
from installs.queries.circuit import circuit_page
from installs.queries.loop_tables import loops_to_look_at


@require_GET
@needs(Right.SEE_SITES)
def circuit(request: UserRequest, pk: int) -> HttpResponse:
    """What the meter should read on a circuit. The look is logged before anything is shown."""
    page = circuit_page(request.user, pk)
    if page is None:
        raise Http404
    _log(request, page.site_id, "page: circuit")
    return render(
        request, "installs/circuit.html", {"circuit": page, "may_edit": request.user.has_right(Right.EDIT_SITES)}
    )


@require_GET
@needs(Right.SEE_SITES)
def loops(request: UserRequest) -> HttpResponse:
    """Circuits that do not read right with enough margin, worst first."""
    outcome = request.GET.get("outcome", "")
    page = loops_to_look_at(request.user, outcome=outcome, cursor=request.GET.get("cursor"))
    outcomes = [(value.value, value.label) for value in LoopTable.TO_LOOK_AT]
    htmx = request.htmx  # type: ignore[attr-defined]
    only_list = htmx and not htmx.boosted and not htmx.history_restore_request
    return render(
        request, "installs/_loops_list.html" if only_list else "installs/loops.html",
        {"page": page, "outcome": outcome, "outcomes": outcomes},
    )
