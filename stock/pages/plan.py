"""What to hold: the list, one item at one place with its reasons, and the firm's policy."""

from __future__ import annotations

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from config.keyset import KeysetPage
from stock.forms_plan import HoldForm, PlanFilter, PolicyForm, ServiceForm
from stock.models import Item, Location, StockPlan, StoresPolicy
from stock.queries.plan_view import PlanDetail, PlanRow, plan_detail, plan_page
from stock.services.stores_policy import (
    change_policy,
    ensure_policy,
    hold_by_hand,
    hold_by_plan,
    set_service_levels,
)


@require_GET
@needs(Right.SEE_STOCK)
def plan(request: UserRequest) -> HttpResponseBase:
    """What each place should hold, below its reorder point first. For htmx only the list."""
    form = PlanFilter(request.user, request.GET)
    page: KeysetPage[PlanRow] = KeysetPage([], None, True)
    if form.is_valid():
        page = plan_page(request.user, cursor=request.GET.get("cursor"), **form.wanted())
    template = "stock/_plan_list.html" if getattr(request, "htmx", False) else "stock/plan.html"
    return render(
        request, template, {"form": form, "page": page, "may_order": request.user.has_right(Right.ORDER_STOCK)},
        status=200 if form.is_valid() else 400,
    )


def _detail(request: UserRequest, item: int, location: int) -> PlanDetail:
    try:
        return plan_detail(request.user, item, location, today=timezone.localdate())
    except StockPlan.DoesNotExist:
        raise Http404 from None


def _show(
    request: UserRequest, detail: PlanDetail, form: HoldForm | None = None, *, status: int = 200
) -> HttpResponseBase:
    if form is None and request.user.has_right(Right.ORDER_STOCK):
        level = detail.level
        form = HoldForm(initial={"minimum": level.minimum, "target": level.target} if level else None)
    return render(request, "stock/plan_item.html", {"detail": detail, "plan": detail.plan, "form": form}, status=status)


@require_GET
@needs(Right.SEE_STOCK)
def plan_item(request: UserRequest, item: int, location: int) -> HttpResponseBase:
    """One item at one place: every figure with its reasons, and stock over the coming weeks."""
    return _show(request, _detail(request, item, location))


@require_POST
@needs(Right.ORDER_STOCK)
def by_hand(request: UserRequest, item: int, location: int) -> HttpResponseBase:
    """Set the level by hand; what is wrong is said at its field."""
    held, place = get_object_or_404(Item, pk=item), _place(request, location)
    form = HoldForm(request.POST)
    if form.is_valid():
        try:
            level = hold_by_hand(held, place, by=request.user, **form.cleaned_data)
        except ZonewrightError as error:
            form.refuse(error)
        else:
            messages.success(request, f"{place} holds at least {level.minimum} {held.unit} of {held.sku}, set by hand.")
            return redirect("stock:plan_item", item, location)
    return _show(request, _detail(request, item, location), form, status=400)


@require_POST
@needs(Right.ORDER_STOCK)
def by_plan(request: UserRequest, item: int, location: int) -> HttpResponseBase:
    """Let the nightly plan set the level."""
    held, place = get_object_or_404(Item, pk=item), _place(request, location)
    level = hold_by_plan(held, place, by=request.user)
    messages.success(
        request, f"{place} holds at least {level.minimum} {held.unit} of {held.sku}; the plan sets it each night."
    )
    return redirect("stock:plan_item", item, location)


def _place(request: UserRequest, pk: int) -> Location:
    return get_object_or_404(Location.objects.visible_to(request.user), pk=pk)


@require_http_methods(["GET", "POST"])
@needs(Right.ORDER_STOCK)
def policy(request: UserRequest) -> HttpResponseBase:
    """The firm's settings and the service level of each class."""
    form = PolicyForm(request.POST or None, instance=StoresPolicy.current())
    service = ServiceForm(request.POST or None)
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid() and service.is_valid():
            failed: PolicyForm | ServiceForm = form
            try:
                with transaction.atomic():
                    change_policy(ensure_policy(), changes=form.cleaned_data, by=request.user)
                    failed = service
                    set_service_levels(service.levels(), by=request.user)
            except ZonewrightError as error:
                failed.refuse(error)
                status = error.status
            else:
                messages.success(request, "The policy is set. What to hold follows with the nightly work.")
                return redirect("stock:plan_policy")
    return render(request, "stock/plan_policy.html", {"form": form, "service": service}, status=status)
