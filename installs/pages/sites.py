"""Pages of the as-installed record."""

from __future__ import annotations

from datetime import datetime, time
from typing import Any

from django.contrib import messages
from django.http import FileResponse, Http404, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.timezone import is_naive, make_aware
from django.views.decorators.http import require_GET, require_http_methods

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import InvalidInput
from installs.forms import SettingsForm
from installs.queries import history, scope
from installs.queries.reads import looks_at_site
from installs.queries.search import search_sites, site_page
from installs.queries.sheet import site_sheet
from installs.services.devices import set_device_settings
from installs.services.reads import log_read


def _log(request: UserRequest, site_id: int, door: str) -> None:
    log_read(site_id, by=request.user, door=door, address=request.META.get("REMOTE_ADDR"))


@require_GET
@needs(Right.SEE_SITES)
def sites(request: UserRequest) -> HttpResponseBase:
    """Find a site by a few letters, or leaf through all that the person may open."""
    text = request.GET.get("q", "").strip()
    context: dict[str, Any] = {"text": text}
    if text:
        context |= {"answer": search_sites(request.user, text)}
    else:
        context |= {"page": site_page(request.user, cursor=request.GET.get("cursor"))}
    # A step back in the browser's history asks for the whole page again.
    htmx = request.htmx  # type: ignore[attr-defined]
    only_list = htmx and not htmx.boosted and not htmx.history_restore_request
    return render(request, "installs/_sites_list.html" if only_list else "installs/sites.html", context)


@require_GET
@needs(Right.SEE_SITES)
def site(request: UserRequest, pk: int) -> HttpResponseBase:
    """Everything at a site, on one page. The look is logged before anything is shown."""
    sheet = site_sheet(request.user, pk)
    if sheet is None:
        raise Http404
    _log(request, pk, "page: site sheet")
    return render(
        request,
        "installs/site.html",
        {
            "sheet": sheet,
            "may_edit": request.user.has_right(Right.EDIT_SITES),
            "may_see_log": request.user.has_right(Right.SEE_READ_LOG),
        },
    )


@require_GET
@needs(Right.SEE_READ_LOG)
def read_log(request: UserRequest, pk: int) -> HttpResponseBase:
    """Who looked at a site, newest first."""
    found = get_object_or_404(scope.sites(request.user), pk=pk)
    return render(
        request, "installs/read_log.html",
        {"site": found, "page": looks_at_site(found.pk, cursor=request.GET.get("cursor"))},
    )


@require_GET
@needs(Right.SEE_SITES)
def device(request: UserRequest, pk: int) -> HttpResponseBase:
    """Every version of a device, or with `at` the one that stood at that moment."""
    found = get_object_or_404(scope.devices(request.user).select_related("system__site"), pk=pk)
    _log(request, found.system.site_id, "page: device history")
    text = request.GET.get("at", "").strip()
    at = _moment(text) if text else None
    return render(
        request,
        "installs/device.html",
        {
            "device": found,
            "site": found.system.site,
            "lines": history.device_history(request.user, pk),
            "at": at,
            "text": text,
            "then": history.device_as_at(request.user, pk, at) if at else None,
            "may_edit": request.user.has_right(Right.EDIT_SITES),
        },
    )


@require_http_methods(["GET", "POST"])
@needs(Right.EDIT_SITES)
def device_settings(request: UserRequest, pk: int) -> HttpResponseBase:
    """Record how a device is set now."""
    found = get_object_or_404(
        scope.devices(request.user).select_related("system__site", "variant").filter(removed_on=None), pk=pk
    )
    schema = found.variant.settings_schema
    if request.method == "POST":
        form = SettingsForm(schema, request.POST)
        if form.is_valid():
            set_device_settings(found, form.settings(), by=request.user, read_at=form.read_moment())
            messages.success(request, f"Settings of {found.mark} recorded; the version before is kept.")
            return redirect(reverse("installs:site", args=[found.system.site_id]) + f"#device-{found.pk}")
    else:
        form = SettingsForm.showing(schema, found.settings, found.changed_at)
    return render(
        request, "installs/device_settings.html",
        {"form": form, "device": found, "site": found.system.site},
        status=400 if form.is_bound else 200,
    )


@require_GET
@needs(Right.SEE_SITES)
def document(request: UserRequest, pk: int) -> HttpResponseBase:
    """A paper or photo of a site. The look is logged."""
    found = get_object_or_404(scope.documents(request.user), pk=pk)
    _log(request, found.site_id, "page: document")
    try:
        return FileResponse(found.file.open("rb"), as_attachment=True)
    except FileNotFoundError:
        raise Http404 from None


def _moment(text: str) -> datetime:
    """The end of a day, or a moment."""
    try:
        day = parse_date(text)
        moment = datetime.combine(day, time.max) if day else parse_datetime(text)
    except ValueError:
        moment = None
    if moment is None:
        raise InvalidInput(f"{text!r} is not a date.", field="at", value=text, remedy="Choose a day.")
    return make_aware(moment) if is_naive(moment) else moment
