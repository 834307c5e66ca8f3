"""Measured values of one circuit: its trend, writing one down, and the verdict while one is typed."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from installs.forms_measurements import MeasurementForm
from installs.pages.sites import _log
from installs.queries import scope
from installs.queries.measurements import circuit_reads
from installs.queries.trend import circuit_trend
from installs.services.measurements import keep_measurement


@require_GET
@needs(Right.SEE_SITES)
def reads(request: UserRequest, pk: int) -> HttpResponseBase:
    """The verdict on a value as typed. A form whose field has another name says so in `field`. The look is logged."""
    found = circuit_reads(request.user, pk, request.GET.get(request.GET.get("field", "measured"), ""))
    _log(request, found.site_id, "page: loop verdict")
    return render(request, "installs/_reads.html", {"reads": found})


@require_GET
@needs(Right.SEE_SITES)
def trend(request: UserRequest, pk: int) -> HttpResponseBase:
    """The circuit's measured values over the years: a page, or for htmx its part. The look is logged."""
    return _show(request, pk, MeasurementForm(initial={"measured_on": timezone.localdate()}))


@require_POST
@needs(Right.EDIT_SITES)
def measure(request: UserRequest, pk: int) -> HttpResponseBase:
    """Write down a measured value."""
    circuit = get_object_or_404(scope.circuits(request.user), pk=pk)
    form = MeasurementForm(request.POST)
    if not form.is_valid():
        return _show(request, pk, form, status=400)
    given = form.cleaned_data
    try:
        keep_measurement(
            circuit, ohm=given["measured"], measured_on=given["measured_on"], place=given["place"],
            at_rest=given["at_rest"], note=given["note"], key=given["token"], by=request.user,
        )
    except ZonewrightError as refused:
        return _show(request, pk, form, error=refused, status=refused.status)
    if _part(request):
        return _show(request, pk, MeasurementForm(initial={"measured_on": timezone.localdate()}), kept=True)
    messages.success(request, "The measured value is written down.")
    return redirect("installs:circuit-trend", pk)


def _part(request: UserRequest) -> bool:
    htmx = request.htmx  # type: ignore[attr-defined]
    return bool(htmx) and not htmx.boosted and not htmx.history_restore_request


def _show(
    request: UserRequest, pk: int, form: MeasurementForm, *, kept: bool = False,
    error: ZonewrightError | None = None, status: int = 200,
) -> HttpResponseBase:
    found = circuit_trend(request.user, pk, today=timezone.localdate())
    if found is None:
        raise Http404
    _log(request, found.site_id, "page: loop trend")
    part = _part(request)
    return render(
        request, "installs/_trend.html" if part else "installs/trend.html",
        {"circuit": found, "form": form, "kept": kept, "error": error,
         "may_edit": request.user.has_right(Right.EDIT_SITES)},
        # htmx swaps nothing of an answer that is not a success.
        status=200 if part else status,
    )
