"""The OpenAPI description of the whole REST interface."""

from __future__ import annotations

from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema


def test_schema_is_valid_and_made_without_complaint() -> None:
    GENERATOR_STATS.reset()
    schema = SchemaGenerator().get_schema(request=None, public=True)
    validate_schema(schema)
    assert sorted({*GENERATOR_STATS._warn_cache, *GENERATOR_STATS._error_cache}) == []
    assert len(schema["paths"]) > 60
