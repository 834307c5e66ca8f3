"""Recalls: where a batch is, making a recall, its list of sites, and getting them visited."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from config.forms import OnceForm
from config.tables import csv_line
from maintenance.forms_recalls import BatchForm, RecallForm
from maintenance.models import Recall, RecallSite, Visit
from maintenance.queries import recalls as queries
from maintenance.queries.visits import visits_of
from maintenance.services import recalls as services
from stock.models import Item
from stock.services.retries import post_once


@require_GET
@needs(Right.RECALL_BATCHES)
def recalls(request: UserRequest) -> HttpResponse:
    page = queries.recall_page(request.user, cursor=request.GET.get("cursor"))
    return render(request, "maintenance/recalls.html", {"page": page})


@require_http_methods(["GET", "POST"])
@needs(Right.RECALL_BATCHES)
def start(request: UserRequest, item: int) -> HttpResponse:
    """Where a batch of the item is, and the form that recalls it."""
    found = get_object_or_404(Item, pk=item)
    batch = str(request.POST.get("batch") or request.GET.get("batch") or "").strip()[:40].replace("\0", "")
    form = RecallForm(request.POST or None, initial={"batch": batch})
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                recall, fresh = post_once(
                    lambda: services.make_recall(found, by=request.user, **form.content()),
                    by=request.user, token=form.cleaned_data["token"], content={"item": item, **form.content()},
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                if fresh:
                    messages.success(request, "The recall is made. Its sites are listed below.")
                return redirect("maintenance:recall", recall.pk)
    where = queries.whereabouts(request.user, found, batch) if batch else None
    return render(
        request, "maintenance/recall_start.html",
        {"item": found, "batch": batch, "where": where, "form": form, "ask": BatchForm(initial={"batch": batch})},
        status=status,
    )


@require_GET
@needs(Right.RECALL_BATCHES)
def recall(request: UserRequest, pk: int) -> HttpResponse:
    return _show(request, pk)


def _show(request: UserRequest, pk: int, *, error: ZonewrightError | None = None) -> HttpResponse:
    try:
        detail = queries.recall_detail(request.user, pk, cursor=request.GET.get("cursor"))
    except Recall.DoesNotExist:
        raise Http404 from None
    user = request.user
    return render(
        request, "maintenance/recall.html",
        {"detail": detail, "recall": detail.recall, "row": detail.row, "where": detail.whereabouts, "error": error,
         "token": OnceForm().initial["token"], "may_plan": user.has_right(Right.PLAN_VISITS),
         "may_move": user.has_right(Right.MOVE_STOCK), "opens": user.has_right(Right.SEE_SITES)},
        status=error.status if error else 200,
    )


def _found(request: UserRequest, pk: int) -> Recall:
    found: Recall = get_object_or_404(queries.recalls_of(request.user), pk=pk)
    return found


def _act(request: UserRequest, recall: Recall, act: Callable[[], Recall | RecallSite], said: str) -> HttpResponse:
    """One button of a recall's page: it acts once for its token, and a refusal is shown on the page."""
    form = OnceForm(request.POST)
    if not form.is_valid():
        return _show(request, recall.pk)
    try:
        _made, fresh = post_once(
            act, by=request.user, token=form.cleaned_data["token"], content={"recall": recall.pk, "do": said},
        )
    except ZonewrightError as error:
        return _show(request, recall.pk, error=error)
    if fresh and said:
        messages.success(request, said)
    return redirect("maintenance:recall", recall.pk)


@require_POST
@needs(Right.MOVE_STOCK)
def put_aside(request: UserRequest, pk: int) -> HttpResponse:
    """Move what is in stores and vans into quarantine."""
    found = _found(request, pk)
    told: list[services.PutAside] = []

    def act() -> Recall:
        told.append(services.put_stock_aside(found, by=request.user))
        return found

    answer = _act(request, found, act, "")
    for done in told:
        if done.moved:
            messages.success(request, f"{done.moved} {found.item.unit} put into quarantine.")
        for refused in done.refused:
            messages.error(request, refused)
    return answer


@require_POST
@needs(Right.RECALL_BATCHES)
def refresh(request: UserRequest, pk: int) -> HttpResponse:
    """Add the sites that the batch has come to since."""
    found = _found(request, pk)

    def act() -> Recall:
        services.refresh_sites(found, by=request.user)
        return found

    return _act(request, found, act, "The list of sites is up to date.")


@require_POST
@needs(Right.RECALL_BATCHES)
def close(request: UserRequest, pk: int) -> HttpResponse:
    found = _found(request, pk)
    return _act(request, found, lambda: services.close_recall(found, by=request.user), "The recall is closed.")


def _line(request: UserRequest, pk: int) -> RecallSite:
    try:
        return queries.recall_site(request.user, pk)
    except RecallSite.DoesNotExist:
        raise Http404 from None


@require_POST
@needs(Right.PLAN_VISITS)
def join(request: UserRequest, pk: int) -> HttpResponse:
    """Put a site's recall on a visit that goes there anyway."""
    line = _line(request, pk)
    text = request.POST.get("visit", "")
    visit: Visit = get_object_or_404(visits_of(request.user), pk=int(text) if text.isdecimal() else 0)
    return _act(
        request, line.recall, lambda: services.join_visit(line, visit, by=request.user),
        f"{line.site.reference} is on visit {visit.pk}.",
    )


@require_POST
@needs(Right.PLAN_VISITS)
def tick_off(request: UserRequest, pk: int) -> HttpResponse:
    """Mark a site as done without a visit."""
    line = _line(request, pk)
    return _act(
        request, line.recall, lambda: services.tick_off(line, by=request.user), f"{line.site.reference} is done."
    )


@require_GET
@needs(Right.RECALL_BATCHES)
def sites_csv(request: UserRequest, pk: int) -> HttpResponseBase:
    """The list of sites for a spreadsheet; its last line says who took it and when."""
    found = _found(request, pk)
    opens = request.user.has_right(Right.SEE_SITES)

    def lines() -> Iterator[str]:
        yield csv_line(["Site", "Name", "Town", "Pieces", "Still in use", "Done on", "Visit on", "Engineer"])
        for row in queries.site_lines(request.user, found):
            yield csv_line([
                row.reference, row.name if opens else "", row.town if opens else "", row.pieces, row.in_use,
                f"{timezone.localtime(row.done_at):%Y-%m-%d}" if row.done_at else "",
                f"{row.visit_at:%Y-%m-%d %H:%M}" if row.visit_at else "", row.engineer,
            ])
        yield csv_line([
            f"# Recall {found.pk}: {found.item.sku} batch {found.batch}; taken by {request.user.name} on "
            f"{timezone.localtime():%Y-%m-%d %H:%M}"
        ])

    return StreamingHttpResponse(
        lines(), content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="recall-{found.pk}-sites.csv"'},
    )
