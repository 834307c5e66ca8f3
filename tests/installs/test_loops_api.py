"""The REST endpoints of loops."""

from __future__ import annotations

from typing import Any

import pytest

from config.accounts.models import Branch, ReadLog, User
from installs.models import LoopMeasurement
from tests.conftest import api_client
from tests.installs.kit import Kit, assign, site_with

pytestmark = pytest.mark.django_db


def post(user: User, kit: Kit, *measurements: Any) -> Any:
    return api_client(user).post(
        f"/api/circuits/{kit.circuits[0].pk}/diagnosis/", {"measurements": list(measurements)}, format="json"
    )


def test_the_kept_table_is_scoped_and_each_look_is_logged(
    scheduler: User, stranger: User, engineer: User, stores: User, kit: Kit
) -> None:
    address = f"/api/circuits/{kit.circuits[0].pk}/loop/"
    people = (scheduler, stranger, engineer, stores)
    assert [api_client(user).get(address).status_code for user in people] == [200, 404, 404, 403]
    assign(engineer, kit.site)
    body = api_client(engineer).get(address).json()
    assert body["circuit"] == kit.circuits[0].pk
    assert body["outcome"] in {"right", "thin", "marginal", "wrong", "unknown"}
    assert ReadLog.objects.filter(door="api: loop", subject_id=kit.site.pk).count() == 2


def test_a_diagnosis_answers_causes_and_stores_nothing(scheduler: User, kit: Kit) -> None:
    answer = post(scheduler, kit, {"ohm": "4k7", "all_at_rest": True})
    body = answer.json()
    assert (answer.status_code, body["reads"], body["causes"][0]["kind"]) == (200, ["normal"], "healthy")
    assert body["causes"][0]["predicted"][0]["nominal_ohm"] == pytest.approx(4700, rel=0.01)
    assert [cause["number"] for cause in body["causes"]] == list(range(1, len(body["causes"]) + 1))
    assert body["caution"].startswith("Put the system on test")
    assert LoopMeasurement.objects.count() == 0
    assert ReadLog.objects.filter(door="api: diagnosis", subject_id=kit.site.pk).count() == 1


def test_numbers_open_circuits_and_several_measurements_are_taken(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=3)
    assert post(scheduler, kit, {"ohm": 4700.0}).json()["reads"] == ["normal"]
    opened = post(scheduler, kit, {"ohm": "open"}).json()
    assert opened["reads"] == ["tamper"]
    assert {one["least_ohm"] for cause in opened["causes"] for one in cause["predicted"]} >= {None}
    both = post(
        scheduler, kit, {"ohm": "9k4"}, {"ohm": 4700, "where": "towards", "first": 1}
    ).json()
    assert (both["reads"], both["causes"][0]["devices"]) == (["alarm", None], [0])


@pytest.mark.parametrize(
    ("measurement", "field"),
    [
        ({"ohm": "about four"}, "measurements[1].ohm"),
        ({"ohm": -1}, "measurements[1].ohm"),
        ({"ohm": True}, "measurements[1].ohm"),
        ({"ohm": None}, "measurements[1].ohm"),
        ({}, "measurements[1].ohm"),
        ({"ohm": "6.2 V"}, "measurements[1].volts"),
        ({"ohm": 4700, "where": "moon"}, "measurements[1].where"),
        ({"ohm": 4700, "where": "towards", "first": 7}, "measurements[1].first"),
        ({"ohm": 4700, "known": [{"device": 0, "operated": ["mask"]}]}, "measurements[1].known"),
        ({"ohm": 4700, "known": [{"device": 5}]}, "measurements[1].known"),
        ({"ohm": 4700, "known": [{"device": 0, "operated": ["rain"]}]}, "measurements[1].known"),
        ({"ohm": 4700, "meter": "golden"}, "measurements[1].meter"),
    ],
)
def test_a_bad_measurement_is_named(scheduler: User, kit: Kit, measurement: Any, field: str) -> None:
    answer = post(scheduler, kit, {"ohm": 4700}, measurement)
    body = answer.json()
    assert (answer.status_code, answer["Content-Type"], body["field"]) == (400, "application/problem+json", field)
    assert "" not in (body["detail"], body["remedy"])


@pytest.mark.parametrize("measurements", [[], [{"ohm": 1}] * 9, "4k7", [4700], None])
def test_what_is_no_list_of_measurements_is_refused(scheduler: User, kit: Kit, measurements: Any) -> None:
    answer = api_client(scheduler).post(
        f"/api/circuits/{kit.circuits[0].pk}/diagnosis/", {"measurements": measurements}, format="json"
    )
    assert (answer.status_code, answer.json()["field"][:12]) == (400, "measurements")


def test_a_diagnosis_is_for_those_who_may_open_the_site(
    stranger: User, engineer: User, stores: User, kit: Kit
) -> None:
    assert [post(user, kit, {"ohm": 4700}).status_code for user in (stranger, engineer, stores)] == [404, 404, 403]
    assign(engineer, kit.site)
    assert post(engineer, kit, {"ohm": 4700}).status_code == 200


def test_the_root_still_names_the_list_of_circuits(scheduler: User) -> None:
    assert api_client(scheduler).get("/api/").json()["circuits"].endswith("/api/circuits/")
