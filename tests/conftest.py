"""People that most tests need. Each is of one role; `stranger` and `other_*` belong to another branch."""

from __future__ import annotations

import pytest
from django.test import Client
from hypothesis import settings
from rest_framework.test import APIClient

from config.accounts.models import Branch, Firm, User
from config.accounts.rights import Role

# How fast an example runs says how busy the machine is, not whether the law holds.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture
def firm(db: None) -> Firm:
    return Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")


@pytest.fixture
def branch(firm: Firm) -> Branch:
    return Branch.objects.create(code="NB", name="Northbeck")


@pytest.fixture
def other_branch(firm: Firm) -> Branch:
    return Branch.objects.create(code="SW", name="Southwold Vale")


def person(role: Role, branch: Branch | None, email: str = "") -> User:
    return User.objects.create_user(
        email or f"{role.value}@{branch.code.lower() if branch else 'firm'}.example",
        "correct horse 7",
        name=f"{role.label} {branch.code if branch else ''}".strip(),
        role=role,
        branch=branch,
    )


@pytest.fixture
def stores(branch: Branch) -> User:
    return person(Role.STORES, branch)


@pytest.fixture
def scheduler(branch: Branch) -> User:
    return person(Role.SCHEDULER, branch)


@pytest.fixture
def engineer(branch: Branch) -> User:
    return person(Role.ENGINEER, branch)


@pytest.fixture
def service_manager(firm: Firm) -> User:
    return person(Role.SERVICE_MANAGER, None)


@pytest.fixture
def administrator(firm: Firm) -> User:
    return person(Role.ADMINISTRATOR, None)


@pytest.fixture
def stranger(other_branch: Branch) -> User:
    """A scheduler of another branch."""
    return person(Role.SCHEDULER, other_branch)


def logged_in(user: User) -> Client:
    client = Client()
    client.force_login(user)
    return client


def api_client(user: User) -> APIClient:
    client = APIClient()
    client.force_authenticate(user)
    return client
