"""Deliveries, with a phone in the hand: what is still to come, one line at a time; what was wrong with it."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from stock import forms_orders as forms
from stock.models import HeldDelivery, Item, Order, OrderLine
from stock.pages.orders import seen_order
from stock.queries import orders as queries
from stock.queries.deliveries import find_line, item_choices, known_numbers
from stock.rules.codes import read_code
from stock.services import receiving as services
from stock.services.retries import post_once

_NOTE = "delivery_note"


@require_GET
@needs(Right.MOVE_STOCK)
def receive(request: UserRequest, pk: int) -> HttpResponseBase:
    """What of an order is still to come."""
    return _overview(request, pk)


def _overview(
    request: UserRequest, pk: int, *, held_form: forms.HeldForm | None = None, status: int = 200
) -> HttpResponse:
    try:
        detail = queries.order_detail(request.user, pk, today=timezone.localdate())
    except Order.DoesNotExist:
        raise Http404 from None
    note = request.GET.get(_NOTE, "")[:60]
    context = {
        "detail": detail, "order": detail.order, "open": [line for line in detail.lines if line.open],
        "whole": [line for line in detail.lines if not line.open], "delivery_note": note,
        "carry": f"?{urlencode({_NOTE: note})}" if note else "",
        "held_form": held_form or forms.HeldForm(detail.order),
        "arriving": detail.order.state in {Order.State.PLACED, Order.State.RECEIVED},
    }
    return render(request, "stock/receive.html", context, status=status)


def _add_number(form: forms.ReceiveForm) -> tuple[list[str], str]:
    """Numbers so far with the scanned one, and what is wrong with it (or with those on the list)."""
    numbers = form.numbers_so_far()
    scanned = str(form.data.get("scan", "")).strip()
    wrong = ""
    if scanned and read_code(scanned) is not None:
        wrong = f"{scanned} is one of the firm's own labels. Scan the number that the maker put on the piece."
    elif len(scanned) > 40:
        wrong = f"{scanned[:50]!r} is longer than 40 characters and no serial number."
    elif scanned and scanned in numbers:
        wrong = f"{scanned} is on the list already."
    elif scanned:
        numbers.append(scanned)
    doubled = sorted({number for number in numbers if numbers.count(number) > 1})
    known = known_numbers(form.item, numbers[:1000])
    if not wrong and doubled:
        wrong = f"Twice on the list: {', '.join(doubled)}. Take one away."
    if not wrong and known:
        listed = "; ".join(f"{number} ({place})" for number, place in sorted(known.items()))
        wrong = f"In stock or fitted already: {listed}. A returned piece is moved, not received again."
        numbers = [number for number in numbers if number not in known or number != scanned]
    return numbers, wrong


@require_http_methods(["GET", "POST"])
@needs(Right.MOVE_STOCK)
def line(request: UserRequest, pk: int, line: int) -> HttpResponseBase:
    """Receive part or all of one line."""
    order = seen_order(request, pk)
    found = find_line(order, line)
    if found is None:
        raise Http404
    record = OrderLine(pk=found.id, order=order, item=found.item)

    def act(values: dict[str, Any]) -> OrderLine:
        services.receive_order_line(record, by=request.user, **values)
        return record

    return _delivery(request, order, found.item, found, act)


@require_http_methods(["GET", "POST"])
@needs(Right.MOVE_STOCK)
def wrong_item(request: UserRequest, pk: int) -> HttpResponseBase:
    """Something came that is not on the order: first which item, then how many."""
    order = seen_order(request, pk)
    asked = forms.WrongItemForm(request.GET if "item" in request.GET else None,
                                initial={_NOTE: request.GET.get(_NOTE, "")})
    if not asked.is_valid():
        context = {"order": order, "form": asked, "items": item_choices()}
        return render(request, "stock/receive_wrong.html", context, status=400 if asked.is_bound else 200)
    item: Item = asked.cleaned_data["item"]

    def act(values: dict[str, Any]) -> Order:
        services.receive_wrong_item(order, item, by=request.user, **values)
        return order

    return _delivery(request, order, item, None, act)


def _delivery(
    request: UserRequest, order: Order, item: Item, found: queries.LineRow | None, act: Any
) -> HttpResponseBase:
    """The form of one item's delivery: scanned numbers are checked one by one, and the whole is posted once."""
    on_order = found is not None
    initial: dict[str, Any] = {_NOTE: request.GET.get(_NOTE, "")}
    if request.method == "GET":
        form = forms.ReceiveForm(item, initial=initial, on_order=on_order)
        return _form_page(request, order, item, found, form)
    beyond = "beyond" in request.POST or "ask_beyond" in request.POST
    form = forms.ReceiveForm(item, request.POST, on_order=on_order, ask_beyond=beyond)
    if item.tracking == Item.Tracking.SERIAL and request.POST.get("do") != "receive":
        numbers, wrong = _add_number(form)
        typed = {name: request.POST.get(name, "") for name in ("token", "batch", _NOTE, "damaged", "beyond")}
        form = forms.ReceiveForm(
            item, initial=typed | {"numbers": "\n".join(numbers)}, on_order=on_order, ask_beyond=beyond
        )
        added = numbers[-1] if numbers and not wrong else ""
        return _form_page(request, order, item, found, form, numbers=numbers, wrong=wrong, added=added)
    status = 400
    if form.is_valid():
        values = form.delivery()
        try:
            _, fresh = post_once(
                lambda: act(values), by=request.user, token=form.cleaned_data["token"],
                content={"order": order.pk, "item": item.pk, **values},
            )
        except ZonewrightError as error:
            too_many = found is not None and values["quantity"] > found.open and error.field == "quantity"
            if too_many and not beyond:
                form = forms.ReceiveForm(item, request.POST, on_order=True, ask_beyond=True)
                form.is_valid()
                error.field = "beyond"
            form.refuse(error)
            status = error.status
        else:
            if fresh:
                messages.success(request, _said(order, item, found, values))
            note = form.cleaned_data[_NOTE].strip()
            carry = f"?{urlencode({_NOTE: note})}" if note else ""
            return redirect(f"{reverse('stock:receive', args=[order.pk])}{carry}")
    return _form_page(request, order, item, found, form, numbers=form.numbers_so_far(), status=status)


def _said(order: Order, item: Item, found: queries.LineRow | None, values: dict[str, Any]) -> str:
    amount = f"{values['quantity']} {item.unit} of {item.name}"
    if found is None or values.get("damaged"):
        return f"{amount} {'is' if values['quantity'] == 1 else 'are'} in quarantine, to decide on."
    left = found.open - values["quantity"]
    rest = f"{left} {item.unit} still to come." if left > 0 else "The line is complete."
    if left < 0:
        kept = "kept" if values.get("beyond") == services.KEEP else "put into quarantine"
        was = "was" if left == -1 else "were"
        rest = f"The line is complete, and {-left} {item.unit} more than ordered {was} {kept}."
    return f"Received {amount} into {order.destination}. {rest}"


def _form_page(
    request: UserRequest, order: Order, item: Item, found: queries.LineRow | None, form: forms.ReceiveForm, *,
    numbers: list[str] | None = None, wrong: str = "", added: str = "", status: int = 200,
) -> HttpResponse:
    context = {
        "order": order, "item": item, "line": found, "form": form, "numbers": numbers or [], "wrong": wrong,
        "added": added, "by_number": item.tracking == Item.Tracking.SERIAL,
        "priced": found is not None and found.unit_price is not None,
    }
    return render(request, "stock/receive_line.html", context, status=status)


@require_POST
@needs(Right.MOVE_STOCK)
def held(request: UserRequest, pk: int) -> HttpResponseBase:
    """Return, keep or settle pieces of the order that wait in quarantine."""
    order = seen_order(request, pk)
    form = forms.HeldForm(order, request.POST)
    if not form.is_valid():
        return _overview(request, pk, held_form=form, status=400)
    given = form.cleaned_data
    pieces: list[HeldDelivery] = list(given["held"])

    def act() -> Order:
        note = given["note"].strip()
        if given["act"] == "return":
            services.return_held(pieces, by=request.user, note=note)
        elif given["act"] == "keep":
            services.keep_held(pieces, by=request.user, unit_price=given["unit_price"], note=note)
        else:
            services.settle_held(pieces, by=request.user, note=note)
        return order

    try:
        post_once(act, by=request.user, token=given["token"], content={"order": pk, **form.content()})
    except ZonewrightError as error:
        form.refuse(error)
        return _overview(request, pk, held_form=form, status=error.status)
    done = {"return": "returned to the supplier", "keep": "kept and counted on the order", "settle": "settled"}
    many = "entry is" if len(pieces) == 1 else "entries are"
    messages.success(request, f"{len(pieces)} {many} {done[given['act']]}.")
    return redirect("stock:receive", pk)
