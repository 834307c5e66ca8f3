"""The address that labels carry, and the box that finds a thing by its label, number or name."""

from __future__ import annotations

from django.http import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, reverse
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from stock.forms_scan import ScanForm
from stock.queries.scan import Hit, find
from stock.rules.codes import code_of

# kind -> name of the page that shows such a thing.
PAGES = {
    "item": "stock:item-here", "serial": "stock:serial", "location": "stock:location",
    "transfer": "stock:transfer_document", "order": "stock:order", "count": "stock:count",
}


def address_of(hit: Hit) -> str:
    """The page of what was found; the search for it where there is no such page."""
    try:
        return reverse(PAGES[hit.kind], args=[hit.pk])
    except NoReverseMatch:
        return f"{reverse('stock:scan-box')}?q={code_of(hit.kind, hit.pk)}&list=1"


@require_GET
@needs(Right.SEE_STOCK)
def scan(request: UserRequest, code: str) -> HttpResponseBase:
    """What a QR label leads to; a number in the code's place is looked for as in the box."""
    hits = find(request.user, code)
    return redirect(address_of(hits[0])) if len(hits) == 1 else _box(request, code, hits, asked=True)


@require_GET
@needs(Right.SEE_STOCK)
def box(request: UserRequest) -> HttpResponseBase:
    """`?q=` is a scanned or typed text: a single hit is opened at once (unless `list` is given), several are listed."""
    form = ScanForm(request.GET or None)
    text = form.cleaned_data["q"] if form.is_valid() else ""
    hits = find(request.user, text)
    if len(hits) == 1 and "list" not in request.GET:
        return redirect(address_of(hits[0]))
    return _box(request, text, hits, asked="q" in request.GET)


def _box(request: UserRequest, text: str, hits: list[Hit], *, asked: bool) -> HttpResponseBase:
    rows = [(hit, address_of(hit)) for hit in hits]
    return render(
        request, "stock/scan.html",
        {"form": ScanForm(initial={"q": text}), "rows": rows, "text": text, "asked": asked},
        status=404 if asked and not rows else 200,
    )
