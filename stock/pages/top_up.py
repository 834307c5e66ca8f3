"""Pages of the van top-up: the evening's round through the store, the vans, and where things lie."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from stock import forms_transfers as forms
from stock.models import Item, Location, Transfer
from stock.pages.papers import pick_list_pdf
from stock.queries.top_up import bin_page, top_up_rounds, van_content, vans
from stock.queries.transfer_people import refusal_to_send
from stock.queries.transfers import known_items, parcels_to, sources
from stock.services.retries import post_once
from stock.services.top_up import set_bins, set_van_level, top_up_vans
from stock.services.transfer_scans import scan_into_round
from stock.services.transfers import pick


def _round(request: UserRequest, *, error: str = "", status: int = 200) -> HttpResponseBase:
    day = timezone.localdate()
    context = {
        "rounds": top_up_rounds(request.user, day=day), "day": day, "error": error, "token": forms.fresh_token(),
        "scan": forms.RoundScan(again="scan" in request.GET), "why_short": forms.WHY_SHORT,
    }
    return render(request, "stock/top_up.html", context, status=status)


@require_GET
@needs(Right.MOVE_STOCK)
def rounds(request: UserRequest) -> HttpResponseBase:
    """The evening's pick lists of all vans, as one walk in bin order."""
    return _round(request)


@require_POST
@needs(Right.MOVE_STOCK)
def run(request: UserRequest) -> HttpResponseBase:
    """Make the lists now, for the vans that have none for today."""
    made = top_up_vans(by=request.user)
    if made:
        messages.success(request, f"{made} pick list{'s' if made > 1 else ''} made.")
    else:
        messages.info(request, "No list was made: every van has what it needs, or has its list for today already.")
    return redirect("stock:top_up")


@require_POST
@needs(Right.MOVE_STOCK)
def scan(request: UserRequest) -> HttpResponseBase:
    """A scan on the walk: it is picked for the first van that still lacks it."""
    form = forms.RoundScan(request.POST)
    if not form.is_valid():
        return _round(request, error="Scan a label, or type what is printed on it.", status=400)
    given = form.cleaned_data
    try:
        done, fresh = post_once(
            lambda: scan_into_round(given["scan"], by=request.user, day=timezone.localdate(),
                                    quantity=given["quantity"] or 1),
            by=request.user, token=given["token"], content={"scan": given["scan"], "quantity": given["quantity"]},
        )
    except ZonewrightError as error:
        return _round(request, error=f"{error.message} {error.remedy}".strip(), status=error.status)
    if fresh:
        messages.success(request, f"{given['quantity'] or 1} × {given['scan']} picked: put it to {done.destination}.")
    return redirect(f"{reverse('stock:top_up')}?scan=1")


@require_POST
@needs(Right.MOVE_STOCK)
def tick(request: UserRequest, pk: int) -> HttpResponseBase:
    """What was picked for one line of the walk."""
    form = forms.PickForm(request.POST)
    found = get_object_or_404(Transfer.objects.visible_to(request.user), pk=pk)
    if not form.is_valid():
        return _round(request, error="Write how much was picked, as a whole number.", status=400)
    given = dict(form.values())
    try:
        post_once(
            lambda: pick(found, given["line"], by=request.user,
                         **{name: value for name, value in given.items() if name != "line"}),
            by=request.user, token=form.cleaned_data["token"],
            content=given | {"transfer": pk, "serials": sorted(s.pk for s in given["serials"])},
        )
    except ZonewrightError as error:
        return _round(request, error=f"{error.message} {error.remedy}".strip(), status=error.status)
    return redirect(f"{reverse('stock:top_up')}#line-{given['line']}")


@require_GET
@needs(Right.MOVE_STOCK)
def paper(request: UserRequest, pk: int) -> HttpResponseBase:
    """The walk through one store on paper."""
    now = timezone.localtime()
    for each in top_up_rounds(request.user, day=now.date()):
        if each.store.pk == pk:
            found = pick_list_pdf(each.walk, title=f"Van top-up {now:%-d %b %Y}", store=each.store.name,
                                  by=request.user, now=now)
            return HttpResponse(found, content_type="application/pdf", headers={
                "Content-Disposition": f'inline; filename="top-up-{now:%Y-%m-%d}.pdf"'})
    raise Http404


@require_GET
@needs(Right.VAN_STOCK)
def all_vans(request: UserRequest) -> HttpResponseBase:
    """The vans; of an engineer the own one, at once."""
    found = list(vans(request.user))
    if len(found) == 1:
        return redirect("stock:van", found[0].pk)
    return render(request, "stock/vans.html", {"vans": found})


@require_http_methods(["GET", "POST"])
@needs(Right.VAN_STOCK)
def van(request: UserRequest, pk: int) -> HttpResponseBase:
    """What a van holds and should hold; the stores set its levels."""
    found = get_object_or_404(vans(request.user), pk=pk)
    may_set = request.user.has_right(Right.ORDER_STOCK)
    initial: dict[str, Any] = {}
    chosen = request.GET.get("item", "")
    content = van_content(found)
    for row in content:
        if row.sku == chosen:
            initial = {"item": row.sku, "minimum": row.minimum, "target": row.target}
    form = forms.LevelForm(request.POST or None, initial=initial)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            given = form.cleaned_data
            try:
                set_van_level(found, given["item"], minimum=given["minimum"], target=given["target"], by=request.user)
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                messages.success(request, f"{given['item'].sku}: at least {given['minimum']}, "
                                          f"filled up to {given['target']}.")
                return redirect("stock:van", pk)
    context = {
        "van": found, "content": content, "form": form, "may_set": may_set,
        "items": known_items() if may_set else [], "own": found.engineer_id == request.user.pk,
        "parcels": parcels_to(request.user) if found.engineer_id == request.user.pk else 0,
    }
    return render(request, "stock/van.html", context, status=status)


@require_GET
@needs(Right.MOVE_STOCK)
def all_bins(request: UserRequest) -> HttpResponseBase:
    """The stores, to choose one; the only one at once."""
    found = list(sources(request.user).filter(kind=Location.Kind.STORE))
    if len(found) == 1:
        return redirect("stock:bins", found[0].pk)
    return render(request, "stock/bin_stores.html", {"stores": found})


@require_http_methods(["GET", "POST"])
@needs(Right.MOVE_STOCK)
def bins(request: UserRequest, pk: int) -> HttpResponseBase:
    """Where each item lies in a store; a page of bins is saved together."""
    store = get_object_or_404(sources(request.user).filter(kind=Location.Kind.STORE), pk=pk)
    if request.method == "POST":
        keys = {name[4:]: value for name, value in request.POST.items() if name.startswith("bin-")}
        found = Item.objects.in_bulk([int(key) for key in keys if key.isdecimal() and len(key) < 18])
        try:
            changed = set_bins(store, {item: str(keys[str(key)]) for key, item in found.items()}, by=request.user)
        except ZonewrightError as error:
            messages.error(request, f"{error.message} {error.remedy}")
        else:
            messages.success(request, f"{changed} bin{'' if changed == 1 else 's'} changed.")
        return redirect(f"{request.path}?{request.GET.urlencode()}")
    asked = forms.BinFilter(request.GET)
    wanted = asked.cleaned_data if asked.is_valid() else {}
    page = bin_page(store, text=wanted.get("q", ""), without=bool(wanted.get("without")),
                    cursor=wanted.get("cursor"))
    return render(request, "stock/bins.html", {
        "store": store, "page": page, "form": asked, "may": not refusal_to_send(request.user, store),
    })
