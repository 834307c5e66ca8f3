"""The first page of each role, and the health check."""

from __future__ import annotations

from django.db import connection
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET

from config.accounts.permissions import UserRequest, needs
from config.accounts.rights import Right, Role
from config.api import PROBLEM

FIRST_PAGE = {
    Role.STORES: "maintenance:stores",
    Role.SCHEDULER: "maintenance:due",
    Role.ENGINEER: "maintenance:visits",
    Role.SERVICE_MANAGER: "maintenance:proposals",
    Role.ADMINISTRATOR: "maintenance:jobs",
}


@require_GET
@needs(Right.HOME)
def home(request: UserRequest) -> HttpResponseBase:
    return redirect(FIRST_PAGE[Role(request.user.role)])


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """What no address answers: problem details under /api/, else a page."""
    if not request.path.startswith("/api/"):
        return render(request, "404.html", status=404)
    title = "There is no such record, or you may not see it"
    problem = {"type": "about:blank", "title": title, "status": 404, "detail": "No endpoint has this address."}
    return JsonResponse(problem, status=404, content_type=PROBLEM)


@require_GET
def health(_request: HttpRequest) -> HttpResponse:
    """Answers 200 when this process reaches its database."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return JsonResponse({"status": "ok"})
