"""A serial's page, a place's page, and the work list of the quarantine."""

from __future__ import annotations

from django.http import Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from stock import queries as items
from stock.models import Location, Serial
from stock.queries import quarantine as queries
from stock.queries.postings import verbs_at
from stock.queries.serials import serial_life


@require_GET
@needs(Right.SEE_STOCK)
def serial(request: UserRequest, pk: int) -> HttpResponseBase:
    """What a serial is, where it is, what may be done with it, and its whole life."""
    try:
        life = serial_life(request.user, pk)
    except Serial.DoesNotExist:
        raise Http404 from None
    return render(
        request, "stock/serial.html",
        {"life": life, "item": life.item, "serial": life.serial,
         "verbs": verbs_at(request.user, life.serial.location),
         "may_recall": request.user.has_right(Right.RECALL_BATCHES)},
    )


@require_GET
@needs(Right.SEE_STOCK)
def place(request: UserRequest, pk: int) -> HttpResponseBase:
    """What a scanned place holds, in the order of its bins' items."""
    found = get_object_or_404(Location.objects.visible_to(request.user).select_related("branch", "engineer"), pk=pk)
    counted = found.kind in Location.PHYSICAL
    page = (
        items.level_page(request.user, location=found.pk, cursor=request.GET.get("cursor"), size=20)
        if counted else None
    )
    return render(
        request, "stock/place.html",
        {"place": found, "page": page, "counted": counted, "opens_vans": request.user.has_right(Right.VAN_STOCK)},
    )


@require_GET
@needs(Right.SEE_STOCK)
def quarantine(request: UserRequest) -> HttpResponseBase:
    """What waits in quarantine for a test or a decision, longest first."""
    return render(
        request, "stock/quarantine.html",
        {"rows": queries.in_quarantine(request.user), "may_post": request.user.has_right(Right.MOVE_STOCK)},
    )
