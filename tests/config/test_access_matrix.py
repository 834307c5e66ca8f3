"""Who may open what: derived from the table of addresses, so that a new address without a rule fails here.

`access_matrix.txt` beside this file is the whole matrix as it stands, for people to read and for reviews to
see a change. Write it anew with ZONEWRIGHT_WRITE_MATRIX=1.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from config.accounts.models import Branch
from config.accounts.rights import RIGHTS, Right, Role
from tests.conftest import logged_in, person

MATRIX = Path(__file__).with_name("access_matrix.txt")

# Addresses that carry no right of ours, each with the reason.
OPEN = {
    "health": "tells only that the process lives; load balancers have no login",
    "accounts/": "log-in, log-out and second factor are for everyone; the library guards its own pages",
    "admin/": "guarded by is_staff, which the role decides; tested below",
    "api/schema/": "any logged-in person; tested below",
    "api/docs/": "any logged-in person; tested below",
    "static/": "files that hold nothing of a firm",
}
NO_SUCH_KEY = {"int": "999999999", "str": "999999999", "slug": "none", "path": "none"}


@dataclass(frozen=True)
class Endpoint:
    route: str
    name: str
    method: str
    right: Right | None
    callback: Any

    @property
    def address(self) -> str:
        """The address with keys that no record has."""
        text = re.sub(r"\(\?P<\w+>[^)]*\)", "999999999", self.route)
        text = re.sub(r"<(?:(\w+):)?\w+>", lambda m: NO_SUCH_KEY[m.group(1) or "str"], text)
        return "/" + text.replace("^", "").replace("$", "").replace("\\", "").replace("/?", "/")


def _walk(patterns: list[URLPattern | URLResolver], prefix: str, space: str) -> Iterator[tuple[str, str, Any]]:
    for pattern in patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            inner = f"{space}{pattern.namespace}:" if pattern.namespace else space
            yield from _walk(pattern.url_patterns, route, inner)
        else:
            yield route, f"{space}{pattern.name}", pattern.callback


def endpoints() -> list[Endpoint]:
    found = []
    for route, name, callback in _walk(get_resolver().url_patterns, "", ""):
        if route.startswith(tuple(OPEN)) or "(?P<format>" in route or "<drf_format_suffix" in route:
            continue
        view_class = getattr(callback, "cls", None)
        if view_class is not None:
            options = getattr(callback, "initkwargs", {})
            actions = getattr(callback, "actions", None) or {
                m: m for m in ("get", "post", "put", "patch", "delete") if hasattr(view_class, m)
            }
            for method in actions:
                if method == "head":
                    continue
                attribute = "right" if method == "get" else "write_right"
                right = options.get(attribute, getattr(view_class, attribute, None))
                found.append(Endpoint(route, name, method.upper(), right, callback))
        else:
            right = getattr(callback, "right", None)
            found.append(Endpoint(route, name, "GET", right, callback))
            found.append(Endpoint(route, name, "POST", right, callback))
    return found




ALL = endpoints()


def test_every_address_names_a_right() -> None:
    assert [f"{e.method} /{e.route}" for e in ALL if not isinstance(e.right, Right)] == []


def test_the_matrix_is_as_reviewed() -> None:
    width = max(len(e.route) for e in ALL)
    heads = [role.value for role in Role]
    lines = [f"{'address':{width + 8}} {'right':20} " + " ".join(f"{h:9}" for h in heads)]
    for e in sorted(ALL, key=lambda e: (e.route, e.method)):
        assert e.right is not None
        marks = " ".join(f"{'yes' if e.right in RIGHTS[role] else '-':9}" for role in Role)
        lines.append(f"{e.method:6} /{e.route:{width}} {e.right.value:20} {marks}".rstrip())
    text = "\n".join(line.rstrip() for line in lines) + "\n"
    if os.environ.get("ZONEWRIGHT_WRITE_MATRIX"):
        MATRIX.write_text(text)
    assert MATRIX.read_text() == text


@pytest.mark.django_db
@pytest.mark.parametrize("role", list(Role))
def test_role_gets_what_its_rights_say_and_nothing_else(role: Role, branch: Branch) -> None:
    client = logged_in(person(role, branch))
    client.raise_request_exception = False
    wrong = []
    for e in ALL:
        assert e.right is not None
        answer = client.generic(
            e.method, e.address, data=b"{}" if e.address.startswith("/api/") else b"", content_type="application/json"
        )
        if e.right in RIGHTS[role]:
            # No record has that key, and the body is empty: not found, unusable or fine, but never refused.
            if answer.status_code in {401, 403} or answer.status_code >= 500:
                wrong.append(f"{e.method} {e.address} [{e.right}]: {answer.status_code}, should be let in")
        elif answer.status_code not in {403, 404, 405}:
            wrong.append(f"{e.method} {e.address} [{e.right}]: {answer.status_code}, should be refused")
    assert wrong == []


@pytest.mark.django_db
def test_nobody_gets_in_without_login() -> None:
    client = Client(raise_request_exception=False)
    wrong = []
    for e in ALL:
        answer = client.generic(e.method, e.address, content_type="application/json")
        to_login = answer.status_code == 302 and answer["Location"].startswith("/accounts/login/")
        if not to_login and answer.status_code not in {401, 403, 405}:
            wrong.append(f"{e.method} {e.address}: {answer.status_code}")
    assert wrong == []


@pytest.mark.django_db
def test_administration_is_for_administrators(branch: Branch) -> None:
    for role in Role:
        user = person(role, branch)
        answer = logged_in(user).get("/admin/")
        assert answer.status_code == (200 if role == Role.ADMINISTRATOR else 302), role


@pytest.mark.django_db
@pytest.mark.parametrize("address", ["/api/schema/", "/api/docs/", "/api/"])
def test_schema_and_docs_need_a_login(address: str, branch: Branch) -> None:
    assert Client().get(address).status_code in {401, 403}
    assert logged_in(person(Role.STORES, branch)).get(address).status_code == 200
