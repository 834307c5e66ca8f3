"""Every GET of the REST interface against its own schema, with made-up and hostile parameters (schemathesis).

Nothing may fail on the server's side, and every answer must be one that the schema describes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import timedelta

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections, transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from config.accounts.models import ApiToken, Firm, User
from config.accounts.rights import Right, Role
from config.demo.factories import fitted_device
from config.wsgi import application

KEY = "zw_fuzz"
HEADERS = {"Authorization": f"Bearer {KEY}"}

# Not checked: that every parameter the schema allows is accepted. A cursor is any text to the schema, but only
# one that a list gave can be used.
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


@pytest.fixture
def rest(db: None) -> Iterator[schemathesis.BaseSchema]:
    # As Django's own test client does: a request must not close the connection that holds the test's transaction.
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
    user = User.objects.create_user("admin@firm.example", name="A", role=Role.ADMINISTRATOR)
    fitted_device()
    ApiToken.objects.create(
        user=user, name="fuzz", key_hash=hashlib.sha256(KEY.encode()).hexdigest(), scopes=list(Right),
        expires_at=timezone.now() + timedelta(hours=1),
    )
    described = schemathesis.openapi.from_wsgi("/api/schema/?format=json", application, headers=HEADERS)
    yield described.include(method="GET")
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


CALM = settings(
    max_examples=10,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)


def test_every_get_answers_as_its_schema_says(rest: schemathesis.BaseSchema) -> None:
    asked = 0
    wrong = []
    for found in rest.get_all_operations():
        operation = found.ok()

        @CALM
        @given(case=operation.as_strategy())
        def answers_as_described(case: schemathesis.Case) -> None:
            with transaction.atomic():  # so that one refused statement does not spoil the rest
                case.call_and_validate(headers=HEADERS, checks=CHECKS)
                transaction.set_rollback(True)

        try:
            answers_as_described()
        except (Failure, FailureGroup) as failure:
            wrong.append(f"{operation.label}: {failure}")
        asked += 1
    assert asked > 70
    assert wrong == []
