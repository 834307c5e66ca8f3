"""Complete detectors: how many can be put together from the parts on hand."""

from __future__ import annotations

from django.http import HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import ZonewrightError
from stock.forms_kits import MORE, PRIORITIES, KitsForm, lines_of, wanted_of
from stock.queries import kits as queries


@require_GET
@needs(Right.SEE_STOCK)
def kits(request: UserRequest) -> HttpResponseBase:
    """Each variant alone, and the best mix when numbers are filled in. It computes and stores nothing, so its address
    can be kept and sent on."""
    form = KitsForm(request.user, request.GET)
    if not form.is_valid():
        return render(request, "stock/kits.html", {"form": form}, status=400 if form.places else 200)
    asked = form.cleaned_data
    found = queries.kits_at(
        form.places[asked["place"]], until=asked["until"], family=asked["family"], more=asked["more"] or MORE
    )
    wanted, wrong = wanted_of(request.GET)
    answer, error = None, None
    if wanted and not wrong:
        try:
            answer = queries.best_mix(found, wanted)
        except ZonewrightError as refused:
            error = refused
    typed = lines_of(request.GET, [row.variant_id for row in found.rows])
    return render(
        request, "stock/kits.html",
        {"form": form, "kits": found, "answer": answer, "error": error, "more": asked["more"] or MORE,
         "priorities": range(1, PRIORITIES + 1),
         "rows": [(row, typed[row.variant_id], wrong.get(row.variant_id, "")) for row in found.rows]},
        status=error.status if error else 400 if wrong else 200,
    )
