"""The page on which a circuit is designed before it is wired."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from config.errors import InvalidInput
from installs.forms_design import DesignForm
from installs.queries.design import design_choices, design_circuit


@require_GET
@needs(Right.SEE_SITES)
def design(request: UserRequest) -> HttpResponseBase:
    """A design from its address, with its answer. Nothing of it is stored, and no site's record is looked at."""
    asked = bool(request.GET)
    form = DesignForm(design_choices(request.user), request.GET if asked else None)
    context: dict[str, Any] = {"form": form, "answer": None, "error": None}
    if asked and form.is_valid():
        try:
            context["answer"] = design_circuit(request.user, form.request())
        except InvalidInput as error:
            context["error"] = error
    htmx = request.htmx  # type: ignore[attr-defined]
    only_result = htmx and not htmx.boosted and not htmx.history_restore_request
    wrong = asked and context["answer"] is None
    return render(
        request, "installs/_design_result.html" if only_result else "installs/design.html", context,
        # An answer that is not 200 would not be shown by htmx.
        status=400 if wrong and not only_result else 200,
    )
