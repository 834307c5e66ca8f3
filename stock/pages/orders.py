"""Orders: the list with its proposals, one order from draft to placed, and its papers."""

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
from config.errors import InvalidInput, ZonewrightError
from config.keyset import KeysetPage
from stock import forms_orders as forms
from stock.models import Order
from stock.queries import orders as queries
from stock.queries.deliveries import item_choices
from stock.rules.codes import code_of
from stock.services import order_papers
from stock.services import orders as services
from stock.services.proposals import propose_orders
from stock.services.retries import post_once


def seen_order(request: UserRequest, pk: int) -> Order:
    """An order that the person sees, or 404."""
    try:
        return queries.find_order(request.user, pk)
    except Order.DoesNotExist:
        raise Http404 from None


def scan_address(request: UserRequest, order: Order) -> str:
    """What the order's code leads to."""
    return request.build_absolute_uri(reverse("stock:scan", args=[code_of("order", order.pk)]))


@require_GET
@needs(Right.SEE_STOCK)
def orders(request: UserRequest) -> HttpResponseBase:
    """Orders, the newest first. For htmx only the list."""
    form = forms.OrderFilter(request.user, request.GET)
    page: KeysetPage[queries.OrderRow] = KeysetPage([], None, True)
    if form.is_valid():
        page = queries.order_page(
            request.user, today=timezone.localdate(), cursor=request.GET.get("cursor"), **form.cleaned_data
        )
    partial = bool(request.htmx) and not request.htmx.history_restore_request  # type: ignore[attr-defined]
    template = "stock/_order_list.html" if partial else "stock/orders.html"
    context = {"form": form, "page": page, "may_order": request.user.has_right(Right.ORDER_STOCK)}
    return render(request, template, context, status=200 if form.is_valid() else 400)


@require_POST
@needs(Right.ORDER_STOCK)
def propose(request: UserRequest) -> HttpResponseBase:
    """Bring the proposals up to date now; the nightly work does the same."""
    done = propose_orders(business_date=timezone.localdate())
    changed = done.made + done.changed + done.dropped
    messages.success(
        request,
        f"Proposals are up to date: {done.made} new, {done.changed} changed, {done.dropped} no longer needed."
        if changed else "Proposals are up to date: nothing to add.",
    )
    for problem in done.problems:
        messages.error(request, problem)
    if done.without_supplier:
        count = done.without_supplier
        messages.warning(
            request, f"{count} {'item is' if count == 1 else 'items are'} short and no supplier sells "
                     f"{'it' if count == 1 else 'them'}. Put {'it' if count == 1 else 'them'} on a supplier's list.",
        )
    return redirect("stock:orders")


@require_http_methods(["GET", "POST"])
@needs(Right.ORDER_STOCK)
def new(request: UserRequest) -> HttpResponseBase:
    """An order by hand."""
    form = forms.NewOrderForm(request.user, request.POST or None)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            given = form.cleaned_data
            try:
                made, _ = post_once(
                    lambda: services.make_order(
                        supplier=given["supplier"], destination=given["destination"],
                        lines={given["item"]: given["quantity"]}, by=request.user,
                    ),
                    by=request.user, token=given["token"], content=form.content(),
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                return redirect("stock:order", made.pk)
    return render(request, "stock/order_new.html", {"form": form, "items": item_choices()}, status=status)


@require_GET
@needs(Right.SEE_STOCK)
def order(request: UserRequest, pk: int) -> HttpResponseBase:
    """One order: a draft to edit, or how far a placed one is."""
    return _page(request, pk)


def _page(
    request: UserRequest, pk: int, *, draft: forms.DraftForm | None = None, refuse: forms.RefuseForm | None = None,
    error: ZonewrightError | None = None, status: int = 200,
) -> HttpResponse:
    try:
        detail = queries.order_detail(request.user, pk, today=timezone.localdate())
    except Order.DoesNotExist:
        raise Http404 from None
    order, user = detail.order, request.user
    may_order = user.has_right(Right.ORDER_STOCK)
    editable = may_order and order.state in {Order.State.DRAFT, Order.State.APPROVED}
    if editable and draft is None:
        draft = forms.DraftForm(order, detail.lines)
    may_decide = user.has_right(Right.APPROVE_ORDERS)
    context = {
        "detail": detail, "order": order, "error": error, "may_order": may_order,
        "may_receive": user.has_right(Right.MOVE_STOCK) and order.state in {Order.State.PLACED, Order.State.RECEIVED},
        "may_approve": detail.may_be_approved_by(user), "may_decide": may_decide,
        "own": may_decide and user.pk in {order.made_by_id, order.approval_asked_by_id},
        "draft": draft if editable else None,
        "items": item_choices(supplier=order.supplier) if editable else [],
        "step": forms.VersionForm(initial={"version": order.version}),
        "refuse": refuse or forms.RefuseForm(initial={"version": order.version}),
        "held_form": forms.HeldForm(order) if detail.held else None,
        "others": [person for person in detail.approvers if person.pk != user.pk],
    }
    return render(request, "stock/order.html", context, status=status)


@require_POST
@needs(Right.ORDER_STOCK)
def edit(request: UserRequest, pk: int) -> HttpResponseBase:
    """Save the content of a draft."""
    order = seen_order(request, pk)
    form = forms.DraftForm(order, queries.order_lines(order), request.POST)
    if not form.is_valid():
        return _page(request, pk, draft=form, status=400)
    given = form.cleaned_data
    try:
        post_once(
            lambda: services.change_order(
                order, lines=form.asked(), note=given["note"].strip(), expected_on=given["expected_on"],
                version=given["version"], by=request.user,
            ),
            by=request.user, token=given["token"], content={"order": pk, **form.content()},
        )
    except ZonewrightError as error:
        if error.status == 412:  # what was typed belongs to lines that may be gone: show the order as it is now
            return _page(request, pk, error=error, status=error.status)
        form.refuse(error)
        return _page(request, pk, draft=form, status=error.status)
    messages.success(request, f"Order {order.number} is saved.")
    return redirect("stock:order", pk)


def _step(
    request: UserRequest, pk: int, act: Callable[[Order, forms.VersionForm], Order], said: str,
    form: forms.VersionForm | None = None,
) -> HttpResponseBase:
    """One step of an order as it was read; refusals are shown on its page."""
    order = seen_order(request, pk)
    given = form or forms.VersionForm(request.POST)
    if not given.is_valid():
        if isinstance(given, forms.RefuseForm) and "reason" in given.errors:
            return _page(request, pk, refuse=given, status=400)
        raise InvalidInput("The form is not complete.", field="version", remedy="Open the order again.")
    try:
        post_once(lambda: act(order, given), by=request.user, token=given.cleaned_data["token"],
                  content={"order": pk, "step": said, **given.content()})
    except ZonewrightError as error:
        return _page(request, pk, error=error, status=error.status)
    messages.success(request, said.format(number=order.number))
    return redirect("stock:order", pk)


def _version(form: forms.VersionForm) -> int:
    return int(form.cleaned_data["version"])


@require_POST
@needs(Right.ORDER_STOCK)
def ask(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk, lambda order, form: services.ask_approval(order, version=_version(form), by=request.user),
        "Order {number} waits for its approval.",
    )


@require_POST
@needs(Right.APPROVE_ORDERS)
def approve(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk, lambda order, form: services.approve_order(order, version=_version(form), by=request.user),
        "Order {number} is approved and may be placed.",
    )


@require_POST
@needs(Right.APPROVE_ORDERS)
def refuse(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk,
        lambda order, form: services.refuse_order(
            order, version=_version(form), reason=form.cleaned_data["reason"], by=request.user
        ),
        "Order {number} is given back with your reason.", forms.RefuseForm(request.POST),
    )


@require_POST
@needs(Right.ORDER_STOCK)
def place(request: UserRequest, pk: int) -> HttpResponseBase:
    """Place an order; with the button that says so, mail it to the supplier once it is placed."""
    answer = _step(
        request, pk, lambda order, form: services.place_order(order, version=_version(form), by=request.user),
        "Order {number} is placed: what it brings counts as on order.",
    )
    if answer.status_code == 302 and "mail" in request.POST and seen_order(request, pk).sent_at is None:
        return mail(request, pk)
    return answer


@require_POST
@needs(Right.ORDER_STOCK)
def mail(request: UserRequest, pk: int) -> HttpResponseBase:
    """Mail a placed order to its supplier."""
    order = seen_order(request, pk)
    try:
        sent = order_papers.mail_order(order, by=request.user, address=scan_address(request, order))
    except ZonewrightError as error:
        messages.error(request, f"{error.message} {error.remedy}")
    else:
        messages.success(request, f"Order {order.number} went by mail to {sent.sent_to}.")
    return redirect("stock:order", pk)


@require_POST
@needs(Right.ORDER_STOCK)
def sent(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk, lambda order, form: order_papers.mark_sent(order, by=request.user),
        "Order {number} is marked as sent.",
    )


@require_POST
@needs(Right.ORDER_STOCK)
def cancel(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk, lambda order, form: services.cancel_order(order, version=_version(form), by=request.user),
        "Order {number} is cancelled.",
    )


@require_POST
@needs(Right.ORDER_STOCK)
def close(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk, lambda order, form: services.close_short(order, version=_version(form), by=request.user),
        "Order {number} is closed; the rest is no longer expected.",
    )


@require_POST
@needs(Right.ORDER_STOCK)
def reopen(request: UserRequest, pk: int) -> HttpResponseBase:
    return _step(
        request, pk, lambda order, form: services.reopen_order(order, version=_version(form), by=request.user),
        "Order {number} is open again; the rest is expected.",
    )


def _download(order: Order, content: Any, kind: str, ending: str) -> HttpResponse:
    way = "inline" if ending == "pdf" else "attachment"
    return HttpResponse(
        content, content_type=kind, headers={"Content-Disposition": f'{way}; filename="{order.number}.{ending}"'}
    )


@require_GET
@needs(Right.SEE_STOCK)
def paper(request: UserRequest, pk: int) -> HttpResponseBase:
    """The order as a PDF."""
    order = seen_order(request, pk)
    made = order_papers.order_pdf(order, by=request.user, address=scan_address(request, order))
    return _download(order, made, "application/pdf", "pdf")


@require_GET
@needs(Right.SEE_STOCK)
def table(request: UserRequest, pk: int) -> HttpResponseBase:
    """The order's lines as CSV."""
    order = seen_order(request, pk)
    return _download(order, order_papers.order_csv(order), "text/csv; charset=utf-8", "csv")
