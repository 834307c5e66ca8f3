"""Pages for looking a count over and posting it."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from stock import forms_counting as forms
from stock.models import StockCount
from stock.pages.counting import seen_count
from stock.queries import count_review, counting
from stock.rules.counting import Tolerance
from stock.services.count_posting import post_count, refusals_ahead
from stock.services.counting import ask_recount, count_zero
from stock.services.retries import post_once


@require_GET
@needs(Right.MOVE_STOCK)
def review(request: UserRequest, pk: int) -> HttpResponseBase:
    """Variances by value, lines that nobody counted, and what would refuse the posting."""
    return _page(request, seen_count(request, pk))


def _page(
    request: UserRequest, count: StockCount, *, error: ZonewrightError | None = None
) -> HttpResponseBase:
    form = forms.ToleranceForm(request.GET)
    tolerance = form.tolerance()
    cursor = request.GET.get("cursor") or None
    is_open = count.state in StockCount.OPEN
    refusals, stands = refusals_ahead(count, by=request.user) if is_open else ([], [])
    return render(request, "stock/count_review.html", {
        "count": count, "form": form, "tolerated": tolerance != Tolerance(),
        "page": count_review.variance_page(count, tolerance=tolerance, cursor=cursor),
        "summary": count_review.summary(count), "uncounted": counting.line_page(count, only="open"),
        "refusals": refusals, "stands": stands, "error": error, "is_open": is_open, "recount": forms.ChosenLines(),
        "zero": forms.ChosenLines(), "post": forms.PostForm(),
        "may_review": counting.may_review(request.user, count.location),
    }, status=error.status if error else 200)


@require_POST
@needs(Right.MOVE_STOCK)
def recount(request: UserRequest, pk: int) -> HttpResponseBase:
    """Have the ticked lines counted again, or all that are beyond the tolerance."""
    count = seen_count(request, pk)
    form = forms.ChosenLines(request.POST)
    chosen = form.cleaned_data["lines"] if form.is_valid() else []
    if "beyond" in request.POST:
        chosen = count_review.beyond_tolerance(count, forms.ToleranceForm(request.POST).tolerance())
    try:
        ask_recount(count, chosen, by=request.user)
    except ZonewrightError as error:
        return _page(request, count, error=error)
    messages.success(request, f"To be counted again: {len(chosen)}. Best by somebody else.")
    return redirect("stock:count", count.pk)


@require_POST
@needs(Right.MOVE_STOCK)
def zero(request: UserRequest, pk: int) -> HttpResponseBase:
    """Write down for the ticked lines that nothing was there."""
    count = seen_count(request, pk)
    form = forms.ChosenLines(request.POST)
    try:
        count_zero(count, form.cleaned_data["lines"] if form.is_valid() else [], by=request.user)
    except ZonewrightError as error:
        return _page(request, count, error=error)
    return redirect("stock:count-review", count.pk)


@require_POST
@needs(Right.MOVE_STOCK)
def post(request: UserRequest, pk: int) -> HttpResponseBase:
    """Post the differences, all or none."""
    count = seen_count(request, pk)
    form = forms.PostForm(request.POST)
    if not form.is_valid():
        return _page(request, count)
    given = form.cleaned_data
    try:
        _, fresh = post_once(
            lambda: post_count(count, by=request.user, leave_uncounted=given["leave_uncounted"]),
            by=request.user, token=given["token"], content={"count": count.pk, **form.content()},
        )
    except ZonewrightError as error:
        return _page(request, count, error=error)
    if fresh:
        messages.success(request, f"Count {count.number} is posted.")
    return redirect("stock:count-review", count.pk)
