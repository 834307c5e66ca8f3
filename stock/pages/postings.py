"""The single postings: quarantine, release, scrap, return, write-off, corrections, reservations by hand."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from config.forms import OnceForm
from stock import services
from stock.forms_postings import CorrectionForm, PostingForm, ReserveForm
from stock.models import Item, Movement, Reservation, Serial
from stock.queries import postings as queries
from stock.services import quarantine

SERVICES: dict[str, Callable[..., Movement]] = {
    "quarantine": quarantine.put_in_quarantine,
    "release": quarantine.release_tested,
    "scrap": quarantine.scrap,
    "return": quarantine.return_to_supplier,
    "write-off": quarantine.write_off,
}
LEADS = {
    "quarantine": "Sets it aside until the stores have tested it. It is not offered for work meanwhile.",
    "release": "It was tested and is good: from quarantine back into stock.",
    "scrap": "It failed its test and is thrown away. This takes it out of stock for good.",
    "return": "It goes back to the supplier and out of stock.",
    "write-off": "It is lost, stolen or spoilt. This takes it off the books; a count finds what is merely misplaced.",
}


def _number(request: UserRequest, name: str) -> int | None:
    text = request.GET.get(name, "")
    return int(text) if text.isdecimal() and len(text) < 18 else None


@require_GET
@needs(Right.SEE_STOCK)
def item_here(request: UserRequest, pk: int) -> HttpResponseBase:
    """What a scanned item is, where it lies and what may be done with it there."""
    at = _number(request, "at")
    try:
        here = queries.item_here(request.user, pk, at=at)
    except Item.DoesNotExist:
        raise Http404 from None
    may_reserve = request.user.has_right(Right.MOVE_STOCK)
    return render(
        request, "stock/item_here.html",
        {"here": here, "item": here.item, "release": OnceForm(), "may_reserve": may_reserve,
         "may_recall": request.user.has_right(Right.RECALL_BATCHES),
         "form": ReserveForm(request.user, here.item, at=at) if may_reserve else None},
    )


@require_http_methods(["GET", "POST"])
@needs(Right.VAN_STOCK)
def to_quarantine(request: UserRequest, pk: int) -> HttpResponseBase:
    """Put something of a store or of the own van aside."""
    return _posting(request, pk, "quarantine")


@require_http_methods(["GET", "POST"])
@needs(Right.MOVE_STOCK)
def post(request: UserRequest, pk: int, verb: str) -> HttpResponseBase:
    """Release, scrap, return or write off."""
    if verb not in SERVICES:
        raise Http404
    return _posting(request, pk, verb)


def _posting(request: UserRequest, pk: int, verb: str) -> HttpResponseBase:
    item = get_object_or_404(Item, pk=pk)
    wanted = _number(request, "serial")
    serial = (
        Serial.objects.visible_to(request.user).filter(item=item, pk=wanted).select_related("location").first()
        if wanted else None
    )
    form = PostingForm(
        request.user, item, verb, request.POST or None, serial=serial, at=_number(request, "at"),
    )
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                movement, fresh = services.post_once(
                    lambda: SERVICES[verb](item, by=request.user, **form.values()),
                    by=request.user, token=form.cleaned_data["token"], content=form.content(),
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                if fresh:
                    messages.success(request, _said(movement, item))
                return _back(movement)
    return render(
        request, "stock/posting.html",
        {"item": item, "form": form, "serial": serial, "title": queries.LABELS[verb], "lead": LEADS[verb]},
        status=status,
    )


def _said(movement: Movement, item: Item) -> str:
    what = f"serial {movement.serial}" if movement.serial else f"{movement.quantity} {item.unit}"
    return f"Posted: {what} of {item.sku} from {movement.source} to {movement.destination}."


def _back(movement: Movement) -> HttpResponseBase:
    if movement.serial_id is not None:
        return redirect("stock:serial", movement.serial_id)
    return redirect("stock:item-here", movement.item_id)


@require_http_methods(["GET"])
@needs(Right.SEE_STOCK)
def movement(request: UserRequest, pk: int) -> HttpResponseBase:
    """One movement, what it corrects or was corrected by, and the form that takes it back."""
    return _movement(request, pk, CorrectionForm())


@require_POST
@needs(Right.MOVE_STOCK)
def correct(request: UserRequest, pk: int) -> HttpResponseBase:
    """Take a wrong posting back by a counter-movement."""
    form = CorrectionForm(request.POST)
    if not form.is_valid():
        return _movement(request, pk, form, status=400)
    wrong = _found(request, pk)
    try:
        counter, fresh = services.post_once(
            lambda: services.correct_movement(wrong, by=request.user, note=form.cleaned_data["note"]),
            by=request.user, token=form.cleaned_data["token"],
            content={"movement": pk, "note": form.cleaned_data["note"]},
        )
    except ZonewrightError as error:
        form.refuse(error)
        return _movement(request, pk, form, status=error.status)
    if fresh:
        messages.success(request, "The posting is taken back by this counter-movement.")
    return redirect("stock:movement", counter.pk)


def _found(request: UserRequest, pk: int) -> Movement:
    try:
        return queries.movement(request.user, pk)
    except Movement.DoesNotExist:
        raise Http404 from None


def _movement(request: UserRequest, pk: int, form: CorrectionForm, *, status: int = 200) -> HttpResponseBase:
    found = _found(request, pk)
    return render(
        request, "stock/movement.html",
        {"movement": found, "item": found.item, "corrected_by": getattr(found, "corrected_by", None),
         "form": form if request.user.has_right(Right.MOVE_STOCK) and queries.correctable(found) else None},
        status=status,
    )


@require_POST
@needs(Right.MOVE_STOCK)
def reserve(request: UserRequest, pk: int) -> HttpResponseBase:
    """Promise stock to work by hand."""
    item = get_object_or_404(Item, pk=pk)
    form = ReserveForm(request.user, item, request.POST)
    status = 400
    if form.is_valid():
        try:
            made, fresh = services.post_once(
                lambda: services.reserve(item, by=request.user, **form.content()),
                by=request.user, token=form.cleaned_data["token"], content={"item": pk, **form.content()},
            )
        except ZonewrightError as error:
            form.refuse(error)
            status = error.status
        else:
            if fresh:
                messages.success(
                    request, f"Reserved {made.quantity} {item.unit} at {made.location} for {made.reference}."
                )
            return redirect("stock:item-here", pk)
    return render(
        request, "stock/item_here.html",
        {"here": queries.item_here(request.user, pk), "item": item, "form": form, "may_reserve": True,
         "may_recall": request.user.has_right(Right.RECALL_BATCHES), "release": OnceForm()},
        status=status,
    )


@require_POST
@needs(Right.MOVE_STOCK)
def release(request: UserRequest, pk: int) -> HttpResponseBase:
    """Give a promised quantity back."""
    try:
        found = queries.reservation(request.user, pk)
    except Reservation.DoesNotExist:
        raise Http404 from None
    form = OnceForm(request.POST)
    if not form.is_valid():
        return redirect("stock:item-here", found.item_id)
    released, fresh = services.post_once(
        lambda: services.release_reservation(found, by=request.user),
        by=request.user, token=form.cleaned_data["token"], content={"reservation": pk},
    )
    if fresh:
        messages.success(request, f"{released.quantity} {found.item.unit} of {found.item.sku} at {found.location} are "
                                  f"no longer reserved for {found.reference}.")
    return redirect("stock:item-here", found.item_id)
