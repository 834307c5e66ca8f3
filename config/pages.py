"""The first page of each role, and the health check."""

from __future__ import annotations

from django.db import connection
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right, Role

FIRST_PAGE = {
    Role.STORES: "stock:levels",
    Role.SCHEDULER: "maintenance:due",
    Role.ENGINEER: "maintenance:visits",
    Role.SERVICE_MANAGER: "maintenance:proposals",
    Role.ADMINISTRATOR: "maintenance:jobs",
}


@require_GET
@needs(Right.HOME)
def home(request: UserRequest) -> HttpResponseBase:
    return redirect(FIRST_PAGE[Role(request.user.role)])


@require_GET
def health(_request: HttpRequest) -> HttpResponse:
    """Answers 200 when this process reaches its database."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return JsonResponse({"status": "ok"})
