"""The parts of a visit, for the engineer's phone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db.models import Model
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from config.forms import OnceForm
from installs.queries import scope
from installs.services.reads import log_read
from maintenance.forms_parts import FitPartForm, PutCoverForm
from maintenance.queries import visit_parts as queries
from maintenance.services import visit_parts as services
from stock.models import Item, Movement, Reservation, Serial
from stock.services.retries import post_once


@require_GET
@needs(Right.SEE_VISITS)
def parts(request: UserRequest, pk: int) -> HttpResponse:
    """What is promised to the visit, what is in the van, and what was fitted. Devices of the site are shown, so the
    look is logged like one at its sheet."""
    found = queries.visit_parts(request.user, pk)
    if found.devices:
        log_read(found.visit.site_id, by=request.user, door="page: visit parts",
                 address=request.META.get("REMOTE_ADDR"))
    return _show(request, found)


def _show(
    request: UserRequest, found: queries.VisitParts, *, fit: FitPartForm | None = None,
    cover: PutCoverForm | None = None, error: ZonewrightError | None = None, status: int = 200,
) -> HttpResponse:
    recording = found.open and found.van is not None and request.user.has_right(Right.RECORD_RESULTS)
    return render(
        request, "maintenance/visit_parts.html",
        {"parts": found, "visit": found.visit, "recording": recording, "error": error,
         "fit": fit or FitPartForm(found), "cover": cover or PutCoverForm(request.user, found),
         "token": OnceForm().initial["token"]},
        status=error.status if error else status,
    )


def _once(
    request: UserRequest, pk: int, form: OnceForm, act: Callable[[], Model], content: dict[str, Any], said: str
) -> ZonewrightError | None:
    try:
        _made, fresh = post_once(
            act, by=request.user, token=form.cleaned_data["token"], content={"visit": pk, **content}
        )
    except ZonewrightError as error:
        return error
    if fresh:
        messages.success(request, said)
    return None


@require_POST
@needs(Right.RECORD_RESULTS)
def fit(request: UserRequest, pk: int) -> HttpResponse:
    """A part from the van was fitted."""
    found = queries.visit_parts(request.user, pk)
    form = FitPartForm(found, request.POST)
    if not form.is_valid():
        return _show(request, found, fit=form, status=400)
    given = form.content()
    item = get_object_or_404(Item, pk=given["item"])
    error = _once(
        request, pk, form,
        lambda: services.fit_part(
            found.visit, item, quantity=given["quantity"], batch=given["batch"], by=request.user
        ),
        given, f"Fitted: {given['quantity']} {item.unit} of {item.name}.",
    )
    if error is None:
        return redirect("maintenance:visit-parts", pk)
    form.refuse(error)
    return _show(request, found, fit=form, status=error.status)


@require_POST
@needs(Right.RECORD_RESULTS)
def put_cover(request: UserRequest, pk: int) -> HttpResponse:
    """A numbered cover from the van was put on a device."""
    found = queries.visit_parts(request.user, pk)
    form = PutCoverForm(request.user, found, request.POST)
    if not form.is_valid():
        return _show(request, found, cover=form, status=400)
    given = form.content()
    serial = get_object_or_404(Serial, pk=given["serial"])
    device = get_object_or_404(scope.devices(request.user).filter(removed_on=None), pk=given["device"])
    error = _once(
        request, pk, form, lambda: services.put_cover_on(found.visit, device, serial, by=request.user), given,
        f"Serial {serial.number} is on device {device.mark}; the old cover is in the van.",
    )
    if error is None:
        return redirect("maintenance:visit-parts", pk)
    form.refuse(error)
    return _show(request, found, cover=form, status=error.status)


def _button(
    request: UserRequest, pk: int, act: Callable[[queries.VisitParts], Model], content: dict[str, Any], said: str
) -> HttpResponse:
    found = queries.visit_parts(request.user, pk)
    form = OnceForm(request.POST)
    if not form.is_valid():
        return _show(request, found, status=400)
    error = _once(request, pk, form, lambda: act(found), content, said)
    return redirect("maintenance:visit-parts", pk) if error is None else _show(request, found, error=error)


@require_POST
@needs(Right.RECORD_RESULTS)
def unused(request: UserRequest, pk: int, reservation: int) -> HttpResponse:
    """What was promised to the visit is not used."""
    promise = get_object_or_404(Reservation.objects.visible_to(request.user), pk=reservation)
    return _button(
        request, pk, lambda found: services.leave_unused(found.visit, promise, by=request.user),
        {"reservation": reservation}, "No longer reserved for this visit; it stays in the van.",
    )


@require_POST
@needs(Right.RECORD_RESULTS)
def take_back(request: UserRequest, pk: int, movement: int) -> HttpResponse:
    """A part was recorded by mistake."""
    wrong = get_object_or_404(Movement.objects.visible_to(request.user), pk=movement)
    return _button(
        request, pk, lambda found: services.take_back(found.visit, wrong, by=request.user),
        {"movement": movement}, "Taken back: the part counts as in the van again.",
    )
