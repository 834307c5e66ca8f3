"""Suppliers, their price lists, and exchange rates."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs, require
from config.accounts.rights import Right
from config.errors import ZonewrightError
from stock import forms_orders as forms
from stock.models import StoresPolicy, Supplier, SupplierItem
from stock.queries import suppliers as queries
from stock.queries.deliveries import item_choices
from stock.services import suppliers as services


@require_GET
@needs(Right.SEE_STOCK)
def suppliers(request: UserRequest) -> HttpResponseBase:
    """Suppliers with what they sell and how long they took."""
    today = timezone.localdate()
    page = queries.supplier_page(
        request.user, today=today, zone=settings.TIME_ZONE, cursor=request.GET.get("cursor")
    )
    return render(request, "stock/suppliers.html",
                  {"page": page, "may_order": request.user.has_right(Right.ORDER_STOCK)})


@require_http_methods(["GET", "POST"])
@needs(Right.ORDER_STOCK)
def new(request: UserRequest) -> HttpResponseBase:
    """A further supplier."""
    form = forms.SupplierForm(request.POST or None, own=StoresPolicy.current().currency)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                made = services.make_supplier(values=form.content(), by=request.user)
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                messages.success(request, f"{made.name} is added.")
                return redirect("stock:supplier", made.pk)
    return render(request, "stock/supplier_new.html", {"form": form}, status=status)


@require_http_methods(["GET", "POST"])
@needs(Right.SEE_STOCK)
def supplier(request: UserRequest, pk: int) -> HttpResponseBase:
    """One supplier, to read and to change, with its list."""
    found = get_object_or_404(Supplier.objects.select_related("location"), pk=pk)
    may_order = request.user.has_right(Right.ORDER_STOCK)
    form = forms.SupplierForm(request.POST or None, supplier=found) if may_order else None
    status = 200
    if request.method == "POST":
        require(request.user, Right.ORDER_STOCK)
        status = 400
        if form is not None and form.is_valid():
            try:
                services.change_supplier(found, values=form.content(), by=request.user)
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                messages.success(request, f"{form.cleaned_data['name']} is saved.")
                return redirect("stock:supplier", pk)
    return _page(request, found, form, status=status)


def _page(
    request: UserRequest, found: Supplier, form: forms.SupplierForm | None, *, status: int = 200
) -> HttpResponse:
    text = request.GET.get("q", "").strip()[:60]
    today = timezone.localdate()
    context: dict[str, Any] = {
        "supplier": found, "form": form, "text": text,
        "page": queries.terms_page(found, text=text, cursor=request.GET.get("cursor")),
        "seen": queries.lead_times([found.pk], today=today, zone=settings.TIME_ZONE).get(found.pk),
        "months": queries.LEAD_TIME_DAYS // 30,
    }
    return render(request, "stock/supplier.html", context, status=status)


@require_http_methods(["GET", "POST"])
@needs(Right.ORDER_STOCK)
def terms(request: UserRequest, pk: int, sold: int | None = None) -> HttpResponseBase:
    """Put an item on a supplier's list, or change how it is sold there."""
    found = get_object_or_404(Supplier, pk=pk)
    known = get_object_or_404(SupplierItem.objects.select_related("item"), pk=sold, supplier=found) if sold else None
    form = forms.TermsForm(found, request.POST or None, sold=known)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            item = known.item if known else form.cleaned_data["item"]
            try:
                services.set_terms(found, item, values=form.terms(), by=request.user)
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                messages.success(request, f"{item.sku} is on the list of {found.name}.")
                return redirect("stock:supplier", pk)
    context = {"supplier": found, "sold": known, "form": form, "items": item_choices() if known is None else []}
    return render(request, "stock/supplier_terms.html", context, status=status)


@require_POST
@needs(Right.ORDER_STOCK)
def drop_terms(request: UserRequest, pk: int, sold: int) -> HttpResponseBase:
    known = get_object_or_404(SupplierItem.objects.select_related("item", "supplier"), pk=sold, supplier_id=pk)
    services.drop_terms(known.supplier, known.item, by=request.user)
    messages.success(request, f"{known.item.sku} is off the list of {known.supplier.name}.")
    return redirect("stock:supplier", pk)


@require_http_methods(["GET", "POST"])
@needs(Right.ORDER_STOCK)
def rates(request: UserRequest) -> HttpResponseBase:
    """Exchange rates, and a form for the next one."""
    own = StoresPolicy.current().currency
    today = timezone.localdate()
    form = forms.RateForm(own, request.POST or None, initial={"valid_from": today})
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                made = services.set_exchange_rate(by=request.user, **form.content())
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                messages.success(request, f"One {made.currency} is {made.rate.normalize():f} {own} "
                                          f"from {made.valid_from:%-d %b %Y}.")
                return redirect("stock:exchange-rates")
    context = {"form": form, "own": own, "page": queries.rate_page(cursor=request.GET.get("cursor")),
               "today": queries.rates_today(today)}
    return render(request, "stock/exchange_rates.html", context, status=status)
