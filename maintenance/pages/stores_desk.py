"""The first page of the stores manager."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right
from maintenance.queries.stores_desk import stores_desk


@require_GET
@needs(Right.SEE_STOCK)
def desk(request: UserRequest) -> HttpResponse:
    """What waits in the stores today, and what the weeks ahead lack."""
    return render(request, "maintenance/stores_desk.html", {"desk": stores_desk(request.user)})
