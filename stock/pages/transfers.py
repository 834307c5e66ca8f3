"""Pages of transfers: the list, a new one, and the document with all its steps."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from config.keyset import KeysetPage
from stock import forms_transfers as forms
from stock.models import Transfer
from stock.pages.papers import pick_list_pdf
from stock.queries.transfers import TransferDetail, TransferRow, known_items, transfer_detail, transfer_page
from stock.services import settling, transfers
from stock.services.retries import post_once
from stock.services.settling import Settling
from stock.services.transfer_scans import scan_into


@require_GET
@needs(Right.SEE_STOCK)
def listed(request: UserRequest) -> HttpResponseBase:
    """Transfers, those with something to do first asked for. For htmx only the list."""
    form = forms.TransferFilter(request.user, request.GET)
    page: KeysetPage[TransferRow] = KeysetPage([], None, True)
    if form.is_valid():
        page = transfer_page(
            request.user, show=form.cleaned_data["show"], location=form.cleaned_data["location"],
            cursor=request.GET.get("cursor"),
        )
    template = "stock/_transfers.html" if getattr(request, "htmx", False) else "stock/transfers.html"
    return render(request, template, {"form": form, "page": page}, status=200 if form.is_valid() else 400)


@require_http_methods(["GET", "POST"])
@needs(Right.VAN_STOCK)
def new(request: UserRequest) -> HttpResponseBase:
    """Make a pick list; an engineer, of the own van."""
    initial = {name: request.GET[name] for name in ("source", "destination") if name in request.GET}
    form = forms.NewTransferForm(request.user, request.POST or None, initial=initial)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            given = {name: form.cleaned_data[name] for name in ("source", "destination", "note", "lines")}
            try:
                made, fresh = post_once(
                    lambda: transfers.make_transfer(**given, by=request.user), by=request.user,
                    token=form.cleaned_data["token"],
                    content=given | {"lines": {item.pk: quantity for item, quantity in given["lines"].items()}},
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                if fresh:
                    messages.success(request, f"{made.number} is ready to be picked.")
                return redirect("stock:transfer_document", made.pk)
    return render(request, "stock/transfer_new.html", {"form": form}, status=status)


def _detail(request: UserRequest, pk: int) -> TransferDetail:
    try:
        return transfer_detail(request.user, pk)
    except Transfer.DoesNotExist:
        raise Http404 from None


def _document(request: UserRequest, detail: TransferDetail, *, error: str = "", status: int = 200) -> HttpResponseBase:
    context = {
        "detail": detail, "transfer": detail.transfer, "error": error, "token": forms.fresh_token(),
        "scan": forms.ScanStep(again="scan" in request.GET), "why_short": forms.WHY_SHORT,
        "items": known_items() if detail.transfer.state == Transfer.State.TO_PICK and detail.may_send else [],
    }
    return render(request, "stock/transfer_document.html", context, status=status)


@require_GET
@needs(Right.SEE_STOCK)
def document(request: UserRequest, pk: int) -> HttpResponseBase:
    """One transfer, with what the person can do next."""
    return _document(request, _detail(request, pk))


@require_GET
@needs(Right.SEE_STOCK)
def paper(request: UserRequest, pk: int) -> HttpResponseBase:
    """The pick list as PDF."""
    detail = _detail(request, pk)
    pairs = [(detail.transfer, line) for line in detail.lines]
    now = timezone.localtime()
    found = pick_list_pdf(pairs, title=f"Pick list {detail.transfer.number}", store=detail.transfer.source.name,
                          by=request.user, now=now)
    return HttpResponse(found, content_type="application/pdf", headers={
        "Content-Disposition": f'inline; filename="{detail.transfer.number}.pdf"'})


Act = Callable[..., Transfer]
# verb -> (form, service, what is said afterwards)
STEPS: dict[str, tuple[type[forms.Step], Act, str]] = {
    "pick": (forms.PickForm, lambda t, given, by: transfers.pick(t, given.pop("line"), by=by, **given), ""),
    "scan": (forms.ScanStep, lambda t, given, by: scan_into(
        t, given["scan"], quantity=given["quantity"] or 1, version=given["version"], by=by), "Scanned."),
    "add": (forms.AddForm, lambda t, given, by: transfers.add_line(t, given["item"], version=given["version"], by=by),
            "The item is on the list now: say how much of it goes along."),
    "send": (forms.Step, lambda t, given, by: transfers.send(t, by=by, **given), "The parcel is on its way."),
    "cancel": (forms.Step, lambda t, given, by: transfers.cancel_transfer(t, by=by, **given), "The list is cancelled."),
    "confirm": (forms.ConfirmForm, lambda t, given, by: transfers.confirm(t, by=by, **given), "Confirmed."),
    "settle": (forms.SettleForm, lambda t, given, by: settling.settle(
        t, given.pop("line"), by=by, **given), "The difference is settled."),
}


@require_POST
@needs(Right.VAN_STOCK)
def act(request: UserRequest, pk: int, verb: str) -> HttpResponseBase:
    """One step of a transfer, once for its token; what is wrong is said at the head of the page."""
    if verb not in STEPS:
        raise Http404
    kind, service, said = STEPS[verb]
    detail = _detail(request, pk)
    form: forms.Step = (
        forms.ConfirmForm(detail.lines, request.POST) if kind is forms.ConfirmForm else kind(request.POST)
    )
    if not form.is_valid():
        return _document(request, detail, error=form.words(), status=400)
    given = dict(form.values())
    try:
        done, fresh = post_once(
            lambda: service(detail.transfer, dict(given), request.user), by=request.user,
            token=form.cleaned_data["token"], content=_content(given) | {"transfer": pk, "verb": verb},
        )
    except ZonewrightError as error:
        words = f"{error.message} {error.remedy}".strip()
        return _document(request, _detail(request, pk), error=words, status=error.status)
    if fresh and said:
        messages.success(request, _said(done, verb, said, given))
    # Back to the line that was picked, or to the field for the next scan.
    after = {"pick": f"#line-{given.get('line')}", "scan": "?scan=1"}.get(verb, "")
    return redirect(reverse("stock:transfer_document", args=[pk]) + after)


def _content(given: dict[str, Any]) -> dict[str, object]:
    return {name: sorted(s.pk for s in value) if name == "serials" else value for name, value in given.items()}


def _said(done: Transfer, verb: str, said: str, given: dict[str, Any]) -> str:
    if verb == "scan" and done.state == Transfer.State.CONFIRMED:
        return f"{given['scan']} has arrived. Everything of {done.number} is there."
    if verb == "scan":
        did = "is picked" if done.state == Transfer.State.TO_PICK else "has arrived"
        return f"{given['quantity'] or 1} × {given['scan']} {did}."
    if verb == "settle" and given["how"] == Settling.LOST:
        return "Written off."
    return said
