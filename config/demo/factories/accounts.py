# mypy: disable-error-code="no-untyped-call,no-untyped-def,untyped-decorator"
"""Factories of the firm, its branches and people."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

from django.contrib.auth.hashers import make_password
from factory.declarations import LazyFunction, Sequence, SubFactory
from factory.django import DjangoModelFactory

from config.accounts.models import ApiToken, Branch, Firm, IdempotencyKey, ReadLog, User
from config.accounts.rights import Role
from config.demo_logins import PASSWORD as PASSWORD


@cache
def password_hash() -> str:
    """The hash of PASSWORD, computed once: hashing is slow on purpose."""
    return make_password(PASSWORD)


class FirmFactory(DjangoModelFactory[Firm]):
    id = 1
    name = "Invented Alarms"

    class Meta:
        model = Firm
        django_get_or_create = ("id",)


class BranchFactory(DjangoModelFactory[Branch]):
    code = Sequence(lambda n: f"B{n}")
    name = Sequence(lambda n: f"Branch {n}")
    latitude = 52.0
    longitude = -1.0

    class Meta:
        model = Branch


class UserFactory(DjangoModelFactory[User]):
    """An administrator of every branch, with the password PASSWORD."""

    email = Sequence(lambda n: f"person{n}@zonewright.example")
    name = Sequence(lambda n: f"Person {n}")
    role = Role.ADMINISTRATOR
    branch = None
    password = LazyFunction(password_hash)

    class Meta:
        model = User


class ReadLogFactory(DjangoModelFactory[ReadLog]):
    subject = "site"
    subject_id = 1
    user = SubFactory(UserFactory)
    door = "installs:site"

    class Meta:
        model = ReadLog


class ApiTokenFactory(DjangoModelFactory[ApiToken]):
    user = SubFactory(UserFactory)
    name = "Token"
    key_hash = Sequence(lambda n: f"{n:064x}")
    expires_at = datetime(2030, 1, 1, tzinfo=UTC)

    class Meta:
        model = ApiToken


class IdempotencyKeyFactory(DjangoModelFactory[IdempotencyKey]):
    user = SubFactory(UserFactory)
    key = Sequence(lambda n: f"key-{n}")
    request_hash = "0" * 64

    class Meta:
        model = IdempotencyKey
