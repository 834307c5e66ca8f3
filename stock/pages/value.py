"""Stock at a past moment, and what it was worth."""

from __future__ import annotations

from django.http import HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.keyset import KeysetPage
from stock.forms_value import AsOfFilter, MomentFilter
from stock.queries.as_of import AsOfRow, stock_as_of
from stock.queries.valuation import Valuation, valuation


@require_GET
@needs(Right.SEE_STOCK)
def as_of(request: UserRequest) -> HttpResponseBase:
    """What each place held at a moment; with its value for those who order. For htmx only the list."""
    form = AsOfFilter(request.user, request.GET)
    page: KeysetPage[AsOfRow] = KeysetPage([], None, True)
    worth: Valuation | None = None
    if form.is_valid():
        wanted = form.cleaned_data
        places = {"location": wanted["location"], "item": wanted["item"], "kind": wanted["kind"]}
        page = stock_as_of(
            request.user, wanted["at"], **places, uncosted_only=wanted["uncosted"], cursor=request.GET.get("cursor")
        )
        if request.user.has_right(Right.ORDER_STOCK) and not wanted["uncosted"]:
            worth = valuation(request.user, wanted["at"], **places)
    template = "stock/_as_of.html" if getattr(request, "htmx", False) else "stock/as_of.html"
    return render(
        request, template,
        {"form": form, "page": page, "worth": worth, "prices": request.user.has_right(Right.ORDER_STOCK)},
        status=200 if form.is_valid() else 400,
    )


@require_GET
@needs(Right.ORDER_STOCK)
def value(request: UserRequest) -> HttpResponseBase:
    """What the stock was worth at a moment, by place and by kind of item."""
    form = MomentFilter(request.GET)
    worth = valuation(request.user, form.cleaned_data["at"]) if form.is_valid() else None
    return render(request, "stock/value.html", {"form": form, "worth": worth}, status=200 if worth else 400)
