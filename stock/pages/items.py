"""The pages of the stock app: levels, an item, and moving it between places."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from config.keyset import KeysetPage
from stock import forms, queries, services
from stock.models import Item, Movement
from stock.queries.checks import open_alarm


@require_GET
@needs(Right.SEE_STOCK)
def levels(request: UserRequest) -> HttpResponseBase:
    """Stock by item and location, below level first. For htmx only the list."""
    form = forms.LevelFilter(request.user, request.GET)
    page: KeysetPage[queries.LevelRow] = KeysetPage([], None, True)
    if form.is_valid():
        wanted = form.cleaned_data
        page = queries.level_page(
            request.user,
            family=wanted["family"],
            kind=wanted["kind"],
            location=wanted["location"],
            below_only=wanted["below"],
            cursor=request.GET.get("cursor"),
        )
    status = 200 if form.is_valid() else 400
    if getattr(request, "htmx", False):
        return render(request, "stock/_levels.html", {"form": form, "page": page}, status=status)
    content = {"form": form, "page": page, "alarm": open_alarm(request.user)}
    return render(request, "stock/levels.html", content, status=status)


@require_GET
@needs(Right.SEE_STOCK)
def item(request: UserRequest, pk: int) -> HttpResponseBase:
    """One item: balances, serials and where each is, orders and reservations, movements."""
    asked = forms.ItemPageQuery(request.GET)
    wanted = asked.cleaned_data if asked.is_valid() else {}
    try:
        detail = queries.item_detail(
            request.user,
            pk,
            movements_after=wanted.get("cursor"),
            serials_after=wanted.get("serials"),
            serial_number=wanted.get("serial", ""),
        )
    except Item.DoesNotExist:
        raise Http404 from None
    transfer = forms.TransferForm(request.user, detail.item) if request.user.has_right(Right.MOVE_STOCK) else None
    return render(request, "stock/item.html", {"detail": detail, "item": detail.item, "asked": asked, "form": transfer})


@require_http_methods(["GET", "POST"])
@needs(Right.MOVE_STOCK)
def transfer(request: UserRequest, pk: int) -> HttpResponseBase:
    """Move stock of an item between two places; what is wrong is said at its field."""
    moved = get_object_or_404(Item, pk=pk)
    # A scanned piece or place comes filled in.
    known = {name: request.GET[name] for name in ("source", "serial") if name in request.GET}
    form = forms.TransferForm(request.user, moved, request.POST or None, initial=known)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                movement, fresh = services.post_once(
                    lambda: services.record_movement(
                        moved, kind=Movement.Kind.TRANSFER, by=request.user, **form.movement()
                    ),
                    by=request.user,
                    token=form.cleaned_data["token"],
                    content={"item": moved.pk, **form.movement()},
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                if fresh:
                    messages.success(request, f"Moved {movement.quantity} {moved.unit} of {moved.sku} "
                                              f"from {movement.source} to {movement.destination}.")
                return redirect("stock:item", pk)
    return render(request, "stock/transfer.html", {"item": moved, "form": form}, status=status)
