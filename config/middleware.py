"""Middleware: content policy, second factor, and one page for every error the services raise."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from config.errors import ZonewrightError

GetResponse = Callable[[HttpRequest], HttpResponse]


class ContentPolicyMiddleware:
    """Nothing is loaded from another host, and no page is kept by shared caches."""

    POLICY = (
        "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; "
        "script-src 'self'; object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
    )
    # The browsable schema page starts itself from an inline script.
    DOCS_POLICY = POLICY.replace("script-src 'self'", "script-src 'self' 'unsafe-inline'")

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        policy = self.DOCS_POLICY if request.path.startswith("/api/") else self.POLICY
        response.headers.setdefault("Content-Security-Policy", policy)
        if not request.path.startswith(f"/{settings.STATIC_URL.lstrip('/')}"):
            response.headers.setdefault("Cache-Control", "private, no-store")
        return response


class SecondFactorMiddleware:
    """Where a second factor is required, a person without one sees only the pages that set it up."""

    OPEN = ("/accounts/", "/static/", "/health/")

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if (
            settings.REQUIRE_SECOND_FACTOR
            and request.user.is_authenticated
            and not request.path.startswith(self.OPEN)
        ):
            from allauth.mfa.utils import is_mfa_enabled  # needs the app registry

            if not is_mfa_enabled(request.user):
                return redirect(reverse("mfa_activate_totp"))
        return self.get_response(request)


class ErrorPageMiddleware:
    """Turns a service's error into a readable page. The REST interface has its own handler."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if isinstance(exception, ZonewrightError):
            return render(request, "error.html", {"error": exception}, status=exception.status)
        return None
