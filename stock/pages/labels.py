"""Labels with QR codes, on sheets."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import segno
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.papers import pdf
from stock.forms_labels import LabelsQuery, PrintForm
from stock.queries.labels import MOST, Label, labels_for, labels_of
from stock.rules.label_sheets import pages, sheet_of

TEMPLATE = Path(__file__).parents[1] / "papers" / "labels.typ"


@require_GET
@needs(Right.SEE_STOCK)
def labels(request: UserRequest) -> HttpResponseBase:
    """What can be labelled of a serial, an item, a place or an order."""
    asked = LabelsQuery(request.GET)
    found = labels_for(request.user, **asked.cleaned_data) if asked.is_valid() else []
    form = PrintForm(found, initial={"pick": [label.code for label in found]})
    return render(
        request, "stock/labels.html",
        {"labels": found, "form": form, "picked": {x.code for x in found}, "cut": len(found) == MOST},
    )


@require_POST
@needs(Right.SEE_STOCK)
def print_labels(request: UserRequest) -> HttpResponseBase:
    """The ticked labels as a PDF."""
    found = labels_of(request.user, request.POST.getlist("offered"))
    form = PrintForm(found, request.POST)
    if not form.is_valid():
        picked = set(request.POST.getlist("pick"))
        return render(request, "stock/labels.html", {"labels": found, "form": form, "picked": picked}, status=400)
    given = form.cleaned_data
    wanted = [label for label in found if label.code in given["pick"] for _ in range(given["copies"])]
    paper = _paper(wanted, given["sheet"], given["first"], request.build_absolute_uri)
    return HttpResponse(
        pdf(TEMPLATE, paper, printed_by=request.user.name, printed_at=f"{timezone.localtime():%d.%m.%Y %H:%M}"),
        content_type="application/pdf", headers={"Content-Disposition": 'inline; filename="labels.pdf"'},
    )


def _paper(wanted: list[Label], sheet_code: str, first: int, absolute: Callable[[str], str]) -> dict[str, Any]:
    sheet = sheet_of(sheet_code)
    drawn = {label.code: _drawn(label, absolute(reverse("stock:scan", args=[label.code]))) for label in wanted}
    return {
        "sheet": {name: getattr(sheet, name) for name in
                  ("across", "down", "width_mm", "height_mm", "left_mm", "top_mm")},
        "pages": [
            [None if index is None else drawn[wanted[index].code] for index in places]
            for places in pages(len(wanted), sheet, first=first)
        ],
    }


def _drawn(label: Label, address: str) -> dict[str, Any]:
    return {"code": label.code, "title": label.title, "lines": label.lines, "qr": qr_svg(address)}


def qr_svg(address: str) -> str:
    """A QR code of an address as SVG. Level M stands a scratch or a fold; a border of two is kept quiet around it."""
    out = BytesIO()
    segno.make(address, error="m", micro=False).save(out, kind="svg", border=2, xmldecl=False, dark="#000")
    return out.getvalue().decode()
