"""Taking in files of measured values: upload, progress, what was wrong."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import InvalidInput, ZonewrightError
from config.tables import MOST_BYTES, MOST_ROWS
from installs.forms_measurements import AgainForm, ImportForm
from installs.queries.measurements import import_list, imports_of, one_import, problems_csv
from installs.services.measurement_imports import cancel_import, run_again, start_import

SIZE = 30


@require_http_methods(["GET", "POST"])
@needs(Right.EDIT_SITES)
def imports(request: UserRequest) -> HttpResponseBase:
    """The person's own imports, and the form for another."""
    form = ImportForm(request.POST or None, request.FILES or None)
    error: ZonewrightError | None = None
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            if file.size > MOST_BYTES:
                raise InvalidInput(f"The file has {file.size:,} bytes.", field="file", value=file.name,
                                   remedy=f"Split it: {MOST_BYTES:,} are read at most.")
            made = start_import(file.name, file.read(), take_good_rows=form.cleaned_data["take_good_rows"],
                                by=request.user)
        except ZonewrightError as refused:
            error = refused
        else:
            return redirect("installs:import", made.pk)
    page = import_list(request.user, cursor=request.GET.get("cursor"), size=SIZE)
    return render(
        request, "installs/imports.html",
        {"page": page, "form": form, "error": error, "most_rows": MOST_ROWS},
        status=error.status if error else 400 if form.errors else 200,
    )


@require_GET
@needs(Right.EDIT_SITES)
def one(request: UserRequest, pk: int) -> HttpResponseBase:
    """One import: how far it is, then what came of it."""
    row = one_import(request.user, pk)
    htmx = request.htmx  # type: ignore[attr-defined]
    part = htmx and not htmx.history_restore_request
    context = {"row": row, "form": AgainForm(initial={"take_good_rows": row.take_good_rows})}
    return render(request, "installs/_import_progress.html" if part else "installs/import.html", context)


@require_GET
@needs(Right.EDIT_SITES)
def report(request: UserRequest, pk: int) -> HttpResponseBase:
    """The problems of an import as a CSV file."""
    return HttpResponse(
        "\N{ZERO WIDTH NO-BREAK SPACE}" + problems_csv(one_import(request.user, pk)),
        content_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="import-{pk}-problems.csv"'},
    )


@require_POST
@needs(Right.EDIT_SITES)
def cancel(request: UserRequest, pk: int) -> HttpResponseBase:
    cancel_import(get_object_or_404(imports_of(request.user), pk=pk))
    messages.success(request, "The import will end before its next rows, and nothing of it is kept.")
    return redirect("installs:import", pk)


@require_POST
@needs(Right.EDIT_SITES)
def again(request: UserRequest, pk: int) -> HttpResponseBase:
    form = AgainForm(request.POST)
    form.is_valid()
    run_again(get_object_or_404(imports_of(request.user), pk=pk), take_good_rows=form.cleaned_data["take_good_rows"])
    messages.success(request, "The import runs again.")
    return redirect("installs:import", pk)
