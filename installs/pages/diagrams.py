"""Pages of circuits as drawings, on the screen and for paper."""

from __future__ import annotations

from django.http import Http404, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from installs.pages.sites import _log
from installs.queries import diagrams


@require_GET
@needs(Right.SEE_SITES)
def circuit_diagram(request: UserRequest, pk: int) -> HttpResponseBase:
    """A circuit as it is wired; within another page only the drawing and its words."""
    diagram = diagrams.circuit_diagram(request.user, pk)
    if diagram is None:
        raise Http404
    _log(request, diagram.site_id, "page: wiring diagram")
    htmx = request.htmx  # type: ignore[attr-defined]
    only_drawing = htmx and not htmx.boosted and not htmx.history_restore_request
    template = "installs/_diagram.html" if only_drawing else "installs/diagram.html"
    return render(request, template, {"diagram": diagram})


@require_GET
@needs(Right.SEE_SITES)
def wiring(request: UserRequest, pk: int) -> HttpResponseBase:
    """Every circuit of a site, to be printed. The look is logged, and the paper says who printed it."""
    sheets = diagrams.wiring_sheets(request.user, pk)
    if sheets is None:
        raise Http404
    _log(request, pk, "paper: wiring sheets")
    return render(request, "installs/wiring_sheets.html", {"sheets": sheets, "printed_at": timezone.now()})
