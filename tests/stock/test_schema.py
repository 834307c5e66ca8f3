"""The OpenAPI description of the stock endpoints."""

from __future__ import annotations

from typing import Any

import pytest
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from rest_framework.routers import DefaultRouter

import stock.api
import stock.api_orders


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    router = DefaultRouter()
    stock.api.register(router)
    stock.api_orders.register(router)
    GENERATOR_STATS.reset()
    return dict(SchemaGenerator(patterns=router.urls).get_schema(request=None, public=True))


def test_schema_is_valid_and_made_without_complaint(schema: dict[str, Any]) -> None:
    validate_schema(schema)
    complaints = sorted({*GENERATOR_STATS._warn_cache, *GENERATOR_STATS._error_cache})
    # Names of choices and the way to log in are matters of the whole service, not of one app.
    assert [c for c in complaints if "enum naming" not in c and "TokenAuthentication" not in c] == []


def header_of(schema: dict[str, Any], path: str, method: str) -> list[tuple[str, bool]]:
    parameters = schema["paths"][path][method].get("parameters", [])
    return [(p["name"], p["required"]) for p in parameters if p["in"] == "header"]


def test_posts_that_move_stock_ask_for_a_key(schema: dict[str, Any]) -> None:
    posts = ("/movements/", "/movements/many/", "/movements/{id}/correct/", "/reservations/", "/orders/",
             "/orders/{id}/receive/")
    for path in posts:
        assert header_of(schema, path, "post") == [("Idempotency-Key", True)]


def test_updates_ask_for_if_match(schema: dict[str, Any]) -> None:
    patched = [path for path, methods in schema["paths"].items() if "patch" in methods]
    assert patched == [
        "/items/{id}/", "/orders/{id}/", "/stock-levels/{id}/", "/supplier-items/{id}/", "/suppliers/{id}/",
        "/variants/{id}/",
    ]
    for path in patched:
        assert header_of(schema, path, "patch") == [("If-Match", True)]


def test_ledger_has_no_address_that_changes_or_deletes(schema: dict[str, Any]) -> None:
    verbs = {path: sorted(methods) for path, methods in schema["paths"].items() if path.startswith("/movements/")}
    assert verbs == {
        "/movements/": ["get", "post"], "/movements/{id}/": ["get"], "/movements/{id}/correct/": ["post"],
        "/movements/many/": ["post"],
    }
