"""Tables in and out: imports with their preview, exports of lists."""

from __future__ import annotations

from urllib.parse import urlsplit

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import InvalidInput, ZonewrightError
from config.tables import MOST_BYTES, MOST_ROWS
from stock import forms_files as forms
from stock.models.files import TableExport
from stock.queries import table_files as queries
from stock.rules.import_columns import SHEETS
from stock.services import exports as export_services
from stock.services import table_imports as services

KIND = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def _file(content: bytes | str, name: str, kind: str) -> HttpResponse:
    return HttpResponse(content, content_type=KIND[kind],
                        headers={"Content-Disposition": f'attachment; filename="{name}.{kind}"'})


def _part(request: UserRequest) -> bool:
    htmx = request.htmx  # type: ignore[attr-defined]
    return bool(htmx and not htmx.history_restore_request)


@require_http_methods(["GET", "POST"])
@needs(Right.SEE_STOCK)
def imports(request: UserRequest) -> HttpResponseBase:
    """The person's own imports, and the form for another."""
    form = forms.TableImportForm(request.user, request.POST or None, request.FILES or None)
    error: ZonewrightError | None = None
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            if file.size > MOST_BYTES:
                raise InvalidInput(f"The file has {file.size:,} bytes.", field="file", value=file.name,
                                   remedy=f"Split it: {MOST_BYTES:,} are read at most.")
            made = services.start_import(form.cleaned_data["subject"], file.name, file.read(), by=request.user)
        except ZonewrightError as refused:
            error = refused
        else:
            return redirect("stock:import", made.pk)
    context = {
        "page": queries.import_page(request.user, cursor=request.GET.get("cursor")), "form": form, "error": error,
        "sheets": queries.sheets_of(request.user), "most_rows": MOST_ROWS, "tones": queries.TONES,
    }
    status = error.status if error else 400 if form.errors else 200
    return render(request, "stock/imports.html", context, status=status)


@require_GET
@needs(Right.SEE_STOCK)
def one_import(request: UserRequest, pk: int) -> HttpResponseBase:
    """One import: how far it is, what it would change, what is wrong."""
    found = get_object_or_404(queries.imports_of(request.user), pk=pk)
    context = {"row": found, "tone": queries.TONES.get(found.state, "info"), "form": forms.ConfirmForm()}
    return render(request, "stock/_import.html" if _part(request) else "stock/import.html", context)


@require_GET
@needs(Right.SEE_STOCK)
def import_problems(request: UserRequest, pk: int) -> HttpResponseBase:
    found = get_object_or_404(queries.imports_of(request.user), pk=pk)
    return _file(queries.problems_csv(found), f"import-{pk}-problems", "csv")


@require_GET
@needs(Right.SEE_STOCK)
def import_headings(request: UserRequest, subject: str) -> HttpResponseBase:
    """An empty table with the headings that an import knows."""
    if subject not in SHEETS:
        raise Http404
    return _file(queries.headings_csv(SHEETS[subject]), subject, "csv")


@require_POST
@needs(Right.SEE_STOCK)
def confirm_import(request: UserRequest, pk: int) -> HttpResponseBase:
    form = forms.ConfirmForm(request.POST)
    form.is_valid()
    found = get_object_or_404(queries.imports_of(request.user), pk=pk)
    try:
        services.confirm_import(found, take_good_rows=form.cleaned_data["take_good_rows"])
    except ZonewrightError as error:
        messages.error(request, f"{error.message} {error.remedy}")
    return redirect("stock:import", pk)


@require_POST
@needs(Right.SEE_STOCK)
def cancel_import(request: UserRequest, pk: int) -> HttpResponseBase:
    services.cancel_import(get_object_or_404(queries.imports_of(request.user), pk=pk))
    messages.success(request, "The import is given up; nothing of the file is kept.")
    return redirect("stock:import", pk)


@require_POST
@needs(Right.SEE_STOCK)
def import_again(request: UserRequest, pk: int) -> HttpResponseBase:
    services.run_again(get_object_or_404(queries.imports_of(request.user), pk=pk))
    messages.success(request, "The file is looked over again.")
    return redirect("stock:import", pk)


@require_http_methods(["GET", "POST"])
@needs(Right.SEE_CATALOGUE)
def exports(request: UserRequest) -> HttpResponseBase:
    """The person's own exports, and the form for another: of a whole list, or as the list was filtered."""
    form = forms.ExportForm(request.user, request.POST or None)
    error: ZonewrightError | None = None
    if request.method == "POST" and form.is_valid():
        try:
            made = export_services.start_export(
                form.cleaned_data["subject"], _filters(request), form.cleaned_data["format"], by=request.user
            )
        except ZonewrightError as refused:
            error = refused
        else:
            return redirect("stock:export", made.pk)
    page = queries.export_page(request.user, cursor=request.GET.get("cursor"))
    context = {
        "rows": [(row, queries.export_title(row), queries.TONES.get(row.state, "info")) for row in page.rows],
        "page": page, "form": form, "error": error,
    }
    status = error.status if error else 400 if form.errors else 200
    return render(request, "stock/exports.html", context, status=status)


def _filters(request: UserRequest) -> dict[str, str]:
    """How the list was filtered: the query of the page that the button stands on, as the browser names it."""
    at = request.POST.get("at") or request.headers.get("Referer", "")
    if not url_has_allowed_host_and_scheme(at, allowed_hosts={request.get_host()}):
        return {}
    return {name: str(value) for name, value in QueryDict(urlsplit(at).query).items()}


@require_GET
@needs(Right.SEE_CATALOGUE)
def one_export(request: UserRequest, pk: int) -> HttpResponseBase:
    found = get_object_or_404(queries.exports_of(request.user), pk=pk)
    context = {"row": found, "title": queries.export_title(found), "tone": queries.TONES.get(found.state, "info")}
    return render(request, "stock/_export.html" if _part(request) else "stock/export.html", context)


@require_GET
@needs(Right.SEE_CATALOGUE)
def export_file(request: UserRequest, pk: int) -> HttpResponseBase:
    """The file, to whoever asked for it."""
    found = get_object_or_404(TableExport, by=request.user, pk=pk, state=TableExport.State.DONE)
    return _file(bytes(found.content), f"{found.subject}-{found.pk}", found.format)


@require_POST
@needs(Right.SEE_CATALOGUE)
def cancel_export(request: UserRequest, pk: int) -> HttpResponseBase:
    export_services.cancel_export(get_object_or_404(queries.exports_of(request.user), pk=pk))
    messages.success(request, "The export ends before its next rows.")
    return redirect("stock:export", pk)
