"""Token authentication for the REST interface: `Authorization: Bearer <key>`."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed

from config.accounts.models import ApiToken, User
from config.accounts.rights import RIGHTS, Right, Role
from config.errors import InvalidInput

if TYPE_CHECKING:
    from rest_framework.request import Request


def _hash(key: str) -> str:
    # The key is 256 random bits, so a plain hash cannot be guessed back; no slow hash is needed.
    return hashlib.sha256(key.encode()).hexdigest()


def issue_token(user: User, *, name: str, scopes: list[Right], expires_at: datetime) -> str:
    """Make a key and return it: the only time it is ever shown.

    Raises InvalidInput when a scope is not a right of the owner's role.
    """
    beyond = sorted(set(scopes) - RIGHTS[Role(user.role)])
    if beyond:
        raise InvalidInput(
            f"The scope {beyond[0]!r} is not a right of the role {user.get_role_display()}.",
            field="scopes",
            value=beyond[0],
            remedy="Leave it out.",
        )
    key = f"zw_{secrets.token_urlsafe(32)}"
    ApiToken.objects.create(
        user=user, name=name, key_hash=_hash(key), scopes=[str(s) for s in scopes], expires_at=expires_at
    )
    return key


class TokenAuthentication(BaseAuthentication):
    keyword = "Bearer"

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() != self.keyword.lower().encode():
            return None
        if len(parts) != 2:
            raise AuthenticationFailed("Write the header as 'Authorization: Bearer <key>', the key without spaces.")
        token = (
            ApiToken.objects.select_related("user", "user__branch")
            .filter(key_hash=_hash(parts[1].decode(errors="replace")), expires_at__gt=timezone.now())
            .filter(user__is_active=True)
            .first()
        )
        if token is None:
            raise AuthenticationFailed("The key is unknown, has expired, or its owner is not active.")
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        return self.keyword


class TokenScheme(OpenApiAuthenticationExtension):
    """How the schema describes the key."""

    target_class = "config.accounts.authentication.TokenAuthentication"
    name = "key"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}
