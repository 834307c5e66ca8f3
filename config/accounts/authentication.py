"""Token authentication for the REST interface: `Authorization: Bearer <key>`."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime
from typing import TYPE_CHECKING, Any

from django.db import connection
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed

from config.accounts.models import ApiToken, Branch, User
from config.accounts.rights import RIGHTS, Right, Role
from config.errors import InvalidInput
from config.records import columns, record

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


_LIVE_TOKEN = (
    f"SELECT {columns(ApiToken, 't')}, {columns(User, 'u')}, {columns(Branch, 'b')} "  # noqa: S608 - from the models
    "FROM accounts_apitoken t JOIN accounts_user u ON u.id = t.user_id "
    "LEFT JOIN accounts_branch b ON b.id = u.branch_id WHERE t.key_hash = %s AND t.expires_at > %s AND u.is_active"
)


def _live_token(key_hash: str) -> ApiToken | None:
    """The token with its user and branch. One statement, by hand: every request with a token asks it."""
    with connection.cursor() as cursor:
        cursor.execute(_LIVE_TOKEN, [key_hash, timezone.now()])
        row = cursor.fetchone()
    if row is None:
        return None
    token, next_column = record(ApiToken, row)
    token.user, next_column = record(User, row, next_column)
    token.user.branch = record(Branch, row, next_column)[0] if token.user.branch_id is not None else None
    return token


class TokenAuthentication(BaseAuthentication):
    keyword = "Bearer"

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() != self.keyword.lower().encode():
            return None
        if len(parts) != 2:
            raise AuthenticationFailed("Write the header as 'Authorization: Bearer <key>', the key without spaces.")
        token = _live_token(_hash(parts[1].decode(errors="replace")))
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
