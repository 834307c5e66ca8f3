"""Where a second factor is required, nobody gets past setting it up, and then everything opens."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from allauth.mfa.totp.internal import auth as totp
from django.test import Client
from django.utils import timezone

from config.accounts.models import User

PASSWORD = "correct horse 7"


@pytest.fixture
def required(settings: Any) -> None:
    settings.REQUIRE_SECOND_FACTOR = True


def code_for(secret: str) -> str:
    counter = next(iter(totp.yield_hotp_counters_from_time()))
    return str(totp.format_hotp_value(totp.hotp_value(secret, counter)))


def entered(user: User) -> Client:
    client = Client()
    answer = client.post("/accounts/login/", {"login": user.email, "password": PASSWORD})
    assert answer.status_code == 302
    return client


@pytest.mark.usefixtures("required")
def test_nothing_opens_before_it_is_set_up(stores: User) -> None:
    client = entered(stores)
    for address in ("/", "/stock/", "/api/balances/"):
        answer = client.get(address)
        assert (answer.status_code, answer["Location"]) == (302, "/accounts/2fa/totp/activate/"), address


@pytest.mark.usefixtures("required")
def test_setting_it_up_opens_the_pages_and_the_next_login_asks_for_it(stores: User) -> None:
    client = entered(stores)
    page = client.get("/accounts/2fa/totp/activate/")
    assert page.status_code == 200
    secret = page.context["form"].secret
    done = client.post("/accounts/2fa/totp/activate/", {"code": code_for(secret)})
    assert done.status_code == 302
    assert client.get("/stock/").status_code == 200

    again = Client()
    answer = again.post("/accounts/login/", {"login": stores.email, "password": PASSWORD})
    assert re.search(r"/accounts/2fa/authenticate/", answer["Location"])
    assert again.get("/stock/")["Location"].startswith("/accounts/login/")


def test_the_demo_does_not_ask_for_it(stores: User) -> None:
    assert entered(stores).get("/stock/").status_code == 200


@pytest.mark.usefixtures("required")
def test_later_on_the_password_is_asked_for_again(stores: User) -> None:
    client = entered(stores)
    User.objects.filter(pk=stores.pk).update(last_login=timezone.now() - timedelta(minutes=6))
    answer = client.get("/accounts/2fa/totp/activate/")
    assert answer["Location"].startswith("/accounts/reauthenticate/")
