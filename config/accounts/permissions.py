"""One way for a door to say which right it needs, read by pages, endpoints and the test matrix."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Concatenate, ParamSpec

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponseBase
from rest_framework.permissions import BasePermission

from config.accounts.rights import Right
from config.errors import NotAllowed

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.views import APIView

    from config.accounts.models import User

P = ParamSpec("P")


class UserRequest(HttpRequest):
    """A request whose user is logged in: what `needs` hands to a page."""

    user: User


Page = Callable[Concatenate[UserRequest, P], HttpResponseBase]


def needs(right: Right) -> Callable[[Page[P]], Callable[Concatenate[HttpRequest, P], HttpResponseBase]]:
    """Let a page be opened only by people whose role carries the right; others log in or get 403."""

    def decorate(page: Page[P]) -> Callable[Concatenate[HttpRequest, P], HttpResponseBase]:
        @wraps(page)
        def guarded(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
            if not request.user.is_authenticated:
                return redirect_to_login(request.get_full_path())
            require(request.user, right)
            return page(request, *args, **kwargs)  # type: ignore[arg-type]

        guarded.right = right  # type: ignore[attr-defined]
        return guarded  # type: ignore[return-value]  # `wraps` keeps the narrower request

    return decorate


def require(user: User, right: Right) -> None:
    """Refuse the action if the person's role does not carry the right."""
    if not user.has_right(right):
        raise NotAllowed(
            f"Your role ({user.get_role_display()}) does not carry the right '{right}'.",
            field="role",
            value=user.role,
            remedy="Ask an administrator, or ask somebody whose role carries it.",
        )


class HasViewRight(BasePermission):
    """Endpoints name `right` for reading and `write_right` for everything else; without one, nobody enters."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        safe = request.method in {"GET", "HEAD", "OPTIONS"}
        right = getattr(view, "right", None) if safe else getattr(view, "write_right", None)
        if right is None or not request.user.is_authenticated:
            return False
        scopes = getattr(request.auth, "scopes", None)
        return request.user.has_right(right) and (scopes is None or right in scopes)
