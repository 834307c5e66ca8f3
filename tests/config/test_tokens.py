"""Keys of the REST interface."""

from __future__ import annotations

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone
from rest_framework.test import APIClient

from config.accounts.authentication import issue_token
from config.accounts.models import ApiToken, User
from config.accounts.rights import Right
from config.errors import InvalidInput


def client(key: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {key}")
    return client


def later(days: int = 1) -> object:
    return timezone.now() + timedelta(days=days)


def test_key_opens_what_its_scopes_name_and_no_more(stores: User) -> None:
    key = issue_token(stores, name="stock screen", scopes=[Right.SEE_STOCK], expires_at=later())
    assert client(key).get("/api/balances/").status_code == 200
    assert client(key).get("/api/items/").status_code == 403  # the role may, the key may not


def test_key_is_kept_as_a_hash_only(stores: User) -> None:
    key = issue_token(stores, name="x", scopes=[Right.SEE_STOCK], expires_at=later())
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM accounts_apitoken t WHERE t::text LIKE %s", [f"%{key}%"])
        assert cursor.fetchone() == (0,)
    assert ApiToken.objects.count() == 1


def test_scope_beyond_the_role_is_refused(stores: User) -> None:
    with pytest.raises(InvalidInput, match="plan visits"):
        issue_token(stores, name="x", scopes=[Right.PLAN_VISITS], expires_at=later())


@pytest.mark.parametrize("spoil", ["expired", "inactive", "unknown"])
def test_dead_keys_are_refused_with_401(stores: User, spoil: str) -> None:
    key = issue_token(stores, name="x", scopes=[Right.SEE_STOCK], expires_at=later(-1 if spoil == "expired" else 1))
    if spoil == "inactive":
        User.objects.filter(pk=stores.pk).update(is_active=False)
    answer = client(key + ("x" if spoil == "unknown" else "")).get("/api/balances/")
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["WWW-Authenticate"] == "Bearer"


def test_changed_role_acts_at_once(stores: User) -> None:
    key = issue_token(stores, name="x", scopes=[Right.SEE_STOCK], expires_at=later())
    User.objects.filter(pk=stores.pk).update(is_active=True, role="scheduler")
    assert client(key).get("/api/balances/").status_code == 200
    assert client(key).post("/api/movements/", {}, format="json").status_code == 403


def test_command_prints_a_working_key(stores: User) -> None:
    out = StringIO()
    call_command("issue_token", stores.email, "--name", "screen", "--scope", "see stock", stdout=out)
    assert client(out.getvalue().strip()).get("/api/balances/").status_code == 200


def test_command_refuses_what_the_role_lacks(stores: User) -> None:
    with pytest.raises(CommandError, match="is not a right of the role"):
        call_command("issue_token", stores.email, "--name", "screen", "--scope", "administer")
