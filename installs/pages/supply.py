"""Pages of a panel's supply and of a device's power feed."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from installs.forms_supply import PowerFeedForm
from installs.models import Device
from installs.queries import scope
from installs.queries.supply import feed_shown, panel_supply
from installs.services.reads import log_read
from installs.services.supply import clear_power_feed, feed_version, set_power_feed


def _log(request: UserRequest, site_id: int, door: str) -> None:
    log_read(site_id, by=request.user, door=door, address=request.META.get("REMOTE_ADDR"))


@require_GET
@needs(Right.SEE_SITES)
def panel(request: UserRequest, pk: int) -> HttpResponseBase:
    """Volts at each device of a panel, and its battery. The look is logged."""
    answer = panel_supply(request.user, pk)
    if answer is None:
        raise Http404
    _log(request, answer.site.pk, "page: supply")
    return render(
        request, "installs/supply.html",
        {"answer": answer, "panel": answer.panel, "site": answer.site,
         "may_edit": request.user.has_right(Right.EDIT_SITES)},
    )


@require_http_methods(["GET", "POST"])
@needs(Right.EDIT_SITES)
def power_feed(request: UserRequest, pk: int) -> HttpResponseBase:
    """Record where a device's power pair comes from, or that it follows the signals."""
    device = get_object_or_404(
        scope.devices(request.user)
        .filter(removed_on=None, system__panel__isnull=False)
        .select_related("system__site", "system__panel"),
        pk=pk,
    )
    _log(request, device.system.site_id, "page: power feed")
    refused: ZonewrightError | None = None
    if request.method == "POST":
        form = PowerFeedForm(device, request.POST)
        follow = "follow" in request.POST
        if follow or form.is_valid():
            try:
                _record(request, device, form, follow=follow)
            except ZonewrightError as error:
                refused = error
            else:
                messages.success(request, f"Power feed of {device.mark} recorded; the one before is in the history.")
                return redirect(reverse("installs:supply", args=[device.system.panel.pk]) + f"#device-{device.pk}")
    else:
        form = PowerFeedForm(device, initial=feed_shown(device) | {"version": feed_version(device)})
    return render(
        request, "installs/power_feed.html",
        {"form": form, "device": device, "site": device.system.site, "panel": device.system.panel, "refused": refused,
         "recorded": bool(feed_version(device))},
        status=refused.status if refused else 400 if form.is_bound else 200,
    )


def _record(request: UserRequest, device: Device, form: PowerFeedForm, *, follow: bool) -> None:
    if follow:
        clear_power_feed(device, by=request.user, version=request.POST.get("version", ""))
        return
    given = form.cleaned_data
    set_power_feed(
        device, by=request.user, fed_from=given["fed_from"], run_m=given["run_m"], cable_type=given["cable_type"],
        cores_per_pole=given["cores_per_pole"], version=given["version"],
    )
