"""Pages for counting: which counts there are, counting line by line, typing a paper in."""

from __future__ import annotations

from pathlib import Path
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
from config.papers import pdf
from stock import forms_counting as forms
from stock.models import CountLine, Item, StockCount
from stock.queries import count_due, count_review, counting
from stock.rules.codes import code_of
from stock.services.counting import (
    add_line,
    cancel_count,
    count_on,
    enter,
    enter_many,
    hand_in,
    note_serials,
    start_count,
)
from stock.services.retries import post_once

PAPER = Path(__file__).parent.parent / "papers" / "count_sheet.typ"


def seen_count(request: UserRequest, pk: int) -> StockCount:
    return get_object_or_404(counting.counts(request.user), pk=pk)


def _seen_line(count: StockCount, pk: int) -> CountLine:
    found = counting.lines(count).filter(pk=pk).first()
    if found is None:
        raise Http404
    found.count = count
    return found


@require_GET
@needs(Right.SEE_STOCK)
def counts(request: UserRequest) -> HttpResponseBase:
    """Locations with what is due, counts under way, and how earlier ones went. `?location=` narrows the list."""
    text = request.GET.get("location", "")
    location = int(text) if text.isdecimal() and len(text) < 19 else None
    page = count_review.count_page(request.user, location=location, cursor=request.GET.get("cursor"))
    return render(request, "stock/counts.html", {
        "page": page, "places": count_due.count_places(request.user), "location": location,
        "may_start": request.user.has_right(Right.VAN_STOCK), "currency": count_review.currency(),
    })


@require_http_methods(["GET", "POST"])
@needs(Right.VAN_STOCK)
def start(request: UserRequest) -> HttpResponseBase:
    """Begin a count."""
    form = forms.StartForm(request.user, request.POST or None, initial={"location": request.GET.get("location")})
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            given = form.cleaned_data
            try:
                count, _ = post_once(
                    lambda: start_count(given["location"], by=request.user, blind=given["blind"], note=given["note"],
                                        choice=form.choice()),
                    by=request.user, token=given["token"], content=form.content(),
                )
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
            else:
                return redirect("stock:count", count.pk)
    return render(request, "stock/count_start.html", {"form": form}, status=status)


@require_GET
@needs(Right.SEE_STOCK)
def count(request: UserRequest, pk: int) -> HttpResponseBase:
    """One count: how far it is, and its lines in bin order."""
    found = seen_count(request, pk)
    asked = forms.LinesQuery(request.GET)
    wanted = asked.cleaned_data if asked.is_valid() else {}
    page = counting.line_page(found, only=wanted.get("only", ""), cursor=wanted.get("cursor") or None)
    return render(request, "stock/count.html", {
        "count": found, "page": page, "asked": asked, "progress": counting.progress(found), "find": forms.FindForm(),
        "next": counting.next_line(found), "code": code_of("count", found.pk),
        "may_count": counting.may_count(request.user, found.location),
        "may_review": counting.may_review(request.user, found.location),
    })


@require_GET
@needs(Right.VAN_STOCK)
def find(request: UserRequest, pk: int) -> HttpResponseBase:
    """Jump to the line of a scanned or typed item; one that is not on the sheet can be added."""
    found = seen_count(request, pk)
    form = forms.FindForm(request.GET)
    item, number = counting.thing_named(form.cleaned_data["text"]) if form.is_valid() else (None, "")
    if item is None:
        return render(request, "stock/count_find.html", {"count": found, "find": form, "asked": form.is_valid()},
                      status=404)
    line = counting.line_named(found, item=item)
    if line is not None:
        return redirect(_line_address(found, line.pk) + (f"?number={number}" if number else ""))
    return render(request, "stock/count_find.html", {
        "count": found, "find": forms.FindForm(), "item": item, "number": number,
        "by_batch": item.tracking == Item.Tracking.BATCH, "add": forms.AddForm(initial={"item": item.pk}),
    })


def _line_address(found: StockCount, line: int) -> str:
    return reverse("stock:count-line", args=[found.pk, line])


@require_POST
@needs(Right.VAN_STOCK)
def add(request: UserRequest, pk: int) -> HttpResponseBase:
    """Put an item or batch on the sheet."""
    found = seen_count(request, pk)
    form = forms.AddForm(request.POST)
    if form.is_valid():
        line = add_line(found, form.cleaned_data["item"], by=request.user, batch=form.cleaned_data["batch"])
        return redirect(_line_address(found, line.pk))
    return redirect("stock:count", found.pk)


@require_http_methods(["GET", "POST"])
@needs(Right.VAN_STOCK)
def line(request: UserRequest, pk: int, line: int) -> HttpResponseBase:
    """Count one item: a number or serial numbers; then the next."""
    found = seen_count(request, pk)
    now = _seen_line(found, line)
    by_serial = now.item.tracking == Item.Tracking.SERIAL
    initial = {"version": now.version, "number": request.GET.get("number", "")[:40]}
    form: forms.QuantityForm | forms.NumbersForm = (
        forms.NumbersForm(now.item, request.POST or None, initial=initial)
        if by_serial else forms.QuantityForm(request.POST or None, initial=initial)
    )
    status = 200
    if request.method == "POST":
        status = 400
        if form.is_valid():
            try:
                return _enter(request, found, now, form)
            except ZonewrightError as error:
                form.refuse(error)
                status = error.status
                now = _seen_line(found, line)
    return _line_page(request, found, now, form, status)


def _enter(
    request: UserRequest, found: StockCount, now: CountLine, form: forms.QuantityForm | forms.NumbersForm
) -> HttpResponseBase:
    given = form.cleaned_data
    if isinstance(form, forms.NumbersForm) and not form.complete:
        note_serials(now, given["serials"], by=request.user)
        return redirect(_line_address(found, now.pk))
    what: dict[str, Any] = (
        {"serials": given["serials"]} if isinstance(form, forms.NumbersForm) else {"counted": given["counted"]}
    )
    entered, fresh = post_once(
        lambda: enter(now, by=request.user, version=given["version"], **what),
        by=request.user, token=given["token"], content={"line": now.pk, **what},
    )
    if fresh:
        _say_same_person(request, entered, now)
        messages.success(request, f"{now.item.sku}: {entered.counted} {now.item.unit} written down.")
    if counting.meanwhile(found, [entered])[entered.pk]:
        return redirect(_line_address(found, now.pk))
    following = counting.next_line(found, now)
    if following is not None:
        return redirect(_line_address(found, following))
    messages.success(request, "Every line is counted. Look whether anything lies there that is not on the sheet.")
    return redirect("stock:count", found.pk)


def _say_same_person(request: UserRequest, entered: CountLine, before: CountLine) -> None:
    if before.recount_asked and before.counted_by_id == request.user.pk:
        messages.warning(request, f"You counted {entered.item.sku} the first time as well; a recount by somebody else "
                                  "says more.")


def _line_page(
    request: UserRequest, found: StockCount, now: CountLine, form: forms.QuantityForm | forms.NumbersForm, status: int
) -> HttpResponseBase:
    row = counting.line_row(now, found)
    if row.counted is None:
        form.fields["number" if row.by_serial else "counted"].widget.attrs["autofocus"] = True
    expected = counting.numbers_here(found, now.item_id) if row.by_serial and row.counted is None else []
    posted = form.data.getlist("found") if form.is_bound and hasattr(form.data, "getlist") else []
    ticked = {*row.serials, *posted}
    return render(request, "stock/count_line.html", {
        "count": found, "row": row, "form": form, "progress": counting.progress(found),
        "numbers": [(number, number in ticked, bool(expected) and number not in expected)
                    for number in sorted({*expected, *ticked})],
        "moved": counting.meanwhile(found, [now])[now.pk], "next": counting.next_line(found, now),
        "find": forms.FindForm(), "add": forms.AddForm(initial={"item": now.item_id}),
        "may_count": counting.may_count(request.user, found.location),
        "same": row.recount_asked and now.counted_by_id == request.user.pk,
    }, status=status)


@require_http_methods(["GET", "POST"])
@needs(Right.VAN_STOCK)
def type_in(request: UserRequest, pk: int) -> HttpResponseBase:
    """Type a paper in: the lines that are not counted, a page at a time, in the paper's order."""
    found = seen_count(request, pk)
    page = counting.line_page(found, only="open", cursor=request.GET.get("cursor"))
    shown, form, status = page.rows, forms.SheetForm(page.rows), 200
    if request.method == "POST":
        # The lines of the page that was sent: somebody else may have counted one of them meanwhile.
        shown = counting.some_rows(found, forms.SheetForm.keys_in(request.POST))
        form, status = forms.SheetForm(shown, request.POST), 400
        if form.is_valid():
            wrong = enter_many(found, form.entries(), by=request.user)
            for key, error in wrong.items():
                form.add_error(f"line-{key}", f"{error.message} {error.remedy}")
            if not wrong:
                messages.success(request, f"Written down: {len(form.entries())}.")
                return redirect(request.get_full_path())
            status = 409
    rows = [(row, form[f"line-{row.id}"] if not row.by_serial else None,
             form[f"version-{row.id}"] if not row.by_serial else None) for row in shown]
    return render(request, "stock/count_type.html", {"count": found, "page": page, "form": form, "rows": rows},
                  status=status)


@require_GET
@needs(Right.SEE_STOCK)
def sheet(request: UserRequest, pk: int) -> HttpResponseBase:
    """The count sheet as PDF, in bin order: of a blind count without anything that the ledger holds."""
    found = seen_count(request, pk)
    book, numbers = counting.book_now(found), counting.numbers_at(found)
    data = {
        "number": found.number, "code": code_of("count", found.pk), "location": found.location.name,
        "blind": found.blind, "note": found.note, "started": f"{timezone.localtime(found.started_at):%d %b %Y, %H:%M}",
        "rows": [
            {
                "bin": row.bin, "sku": row.sku, "name": row.name, "batch": row.batch, "unit": row.unit,
                "serial": row.by_serial, "book": None if found.blind else str(book.get((row.item_id, row.batch), 0)),
                "numbers": numbers.get(row.item_id, []) if row.by_serial else [],
            }
            for row in counting.sheet_rows(found)
        ],
    }
    made = pdf(PAPER, data, printed_by=request.user.name, printed_at=f"{timezone.localtime():%d %b %Y, %H:%M}")
    return HttpResponse(made, content_type="application/pdf",
                        headers={"Content-Disposition": f'inline; filename="count-{found.number}.pdf"'})


@require_POST
@needs(Right.VAN_STOCK)
def done(request: UserRequest, pk: int) -> HttpResponseBase:
    """Finish the counting: stores people go on to look it over."""
    found = seen_count(request, pk)
    hand_in(found, by=request.user)
    if counting.may_review(request.user, found.location):
        return redirect("stock:count-review", found.pk)
    messages.success(request, f"Count {found.number} is handed in. The stores people look it over and post it.")
    return redirect("stock:count", found.pk)


@require_POST
@needs(Right.VAN_STOCK)
def go_on(request: UserRequest, pk: int) -> HttpResponseBase:
    """Back to counting."""
    found = seen_count(request, pk)
    count_on(found, by=request.user)
    return redirect("stock:count", found.pk)


@require_POST
@needs(Right.VAN_STOCK)
def cancel(request: UserRequest, pk: int) -> HttpResponseBase:
    """Give a count up."""
    found = seen_count(request, pk)
    cancel_count(found, by=request.user)
    messages.success(request, f"Count {found.number} is cancelled. Nothing was posted.")
    return redirect("stock:counts")
