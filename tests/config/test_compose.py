"""docker-compose.yml: valid by the specification, and the same entry points as a start without containers.

No container engine runs where these tests run; what a schema and a comparison can show is shown.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft7Validator

from config import lifecycle
from tests.machine import ROOT

# The Compose Specification's JSON Schema, schema/compose-spec.json of github.com/compose-spec/compose-spec
# at commit 170098ba07d9 (23 June 2026), Apache License 2.0, unchanged.
SCHEMA = json.loads((Path(__file__).parent / "compose-spec.json").read_text())


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    return loaded


def test_the_file_is_valid_by_the_compose_specification(compose: dict[str, Any]) -> None:
    Draft7Validator.check_schema(SCHEMA)
    assert [error.message for error in Draft7Validator(SCHEMA).iter_errors(compose)] == []


def test_the_schema_would_notice_a_mistake(compose: dict[str, Any]) -> None:
    wrong = compose | {"services": compose["services"] | {"web": compose["services"]["web"] | {"comand": []}}}
    assert [error.path[-1] for error in Draft7Validator(SCHEMA).iter_errors(wrong)] == ["web"]


def test_the_services_are_the_parts_of_an_installation(compose: dict[str, Any]) -> None:
    assert sorted(compose["services"]) == ["beat", "migrate", "postgres", "valkey", "web", "worker"]
    assert compose["services"]["postgres"]["image"] == "postgres:18"
    assert compose["services"]["valkey"]["image"] == "valkey/valkey:9"


def test_the_commands_are_those_of_a_start_without_containers(compose: dict[str, Any]) -> None:
    commands = {name: compose["services"][name]["command"] for name in ("web", "worker", "beat", "migrate")}
    assert commands == {
        "web": lifecycle.web_command(host="0.0.0.0", port=8000, workers=2),
        "worker": lifecycle.worker_command(),
        "beat": lifecycle.beat_command(schedule="/srv/data/beat/schedule"),
        "migrate": ["python", "manage.py", "migrate", "--noinput"],
    }


def test_web_and_workers_scale_by_count_and_beat_does_not(compose: dict[str, Any]) -> None:
    services = compose["services"]
    assert [name for name in services if "container_name" in services[name]] == []
    assert services["beat"]["scale"] == 1
    # A fixed host port would let only one web container start.
    assert services["web"]["ports"] == ["127.0.0.1:8000-8015:8000"]


def test_everything_that_stays_up_has_a_health_check(compose: dict[str, Any]) -> None:
    without = [name for name, service in compose["services"].items() if "healthcheck" not in service]
    assert without == ["migrate"]


def test_the_code_starts_after_the_tables_are_ready(compose: dict[str, Any]) -> None:
    ready = {"postgres": {"condition": "service_healthy"}, "valkey": {"condition": "service_healthy"}}
    migrated = ready | {"migrate": {"condition": "service_completed_successfully"}}
    for name in ("web", "worker", "beat"):
        assert compose["services"][name]["depends_on"] == migrated
    assert compose["services"]["migrate"]["depends_on"] == ready


def test_no_secret_is_written_in_the_file(compose: dict[str, Any]) -> None:
    web = compose["services"]["web"]["environment"]
    secret = ("ZONEWRIGHT_SECRET_KEY", "ZONEWRIGHT_FIELD_KEYS")
    assert {name: web[name] for name in secret} == {name: f"${{{name}:?set it in .env}}" for name in secret}
    assert "${POSTGRES_PASSWORD:?set it in .env}@postgres" in web["DATABASE_URL"]
    assert "${VALKEY_PASSWORD:?set it in .env}@valkey" in web["REDIS_URL"]


def test_every_variable_that_is_set_is_one_that_the_settings_read(compose: dict[str, Any]) -> None:
    source = (ROOT / "config" / "settings.py").read_text() + (ROOT / "config" / "embedded.py").read_text()
    unread = [name for name in compose["services"]["web"]["environment"] if f'"{name}"' not in source]
    assert unread == []


def test_the_volumes_that_are_used_are_declared(compose: dict[str, Any]) -> None:
    used = {
        volume.partition(":")[0] for service in compose["services"].values() for volume in service.get("volumes", [])
    }
    assert used == set(compose["volumes"])


def test_the_image_runs_the_locked_dependencies_and_the_same_web_server() -> None:
    lines = (ROOT / "Dockerfile").read_text().splitlines()
    command = json.loads(next(line for line in lines if line.startswith("CMD ")).removeprefix("CMD "))
    assert command == lifecycle.web_command(host="0.0.0.0", port=8000, workers=2)
    assert [line for line in lines if "pip install" in line] == [
        "RUN python -m venv /srv/venv && pip install --no-cache-dir -qr requirements/run.txt"
    ]
