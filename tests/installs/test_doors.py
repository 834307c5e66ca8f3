"""Pages and endpoints around the sheet: settings form, history, documents, REST."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, ReadLog, User
from config.demo import factories as make
from installs.models import Document, InputBand
from tests.conftest import api_client, logged_in
from tests.installs.kit import Kit, assign, site_with, variant

pytestmark = pytest.mark.django_db

# A grade 3 detector with anti-mask: with the creep-zone optic active, pet immunity stays at 12 kg
# (common practice, no source).
DEPENDENT: dict[str, Any] = {
    "type": "object",
    "properties": {
        "pir_range_m": {"type": "integer", "minimum": 6, "maximum": 18, "title": "PIR range"},
        "creep_zone": {"type": "boolean", "title": "Creep-zone optic"},
        "pet_immunity_kg": {"anyOf": [{"const": 0}, {"type": "integer", "minimum": 12, "maximum": 30}],
                            "title": "Pet immunity"},
        "sensitivity": {"enum": ["low", "normal", "high"]},
    },
    "required": ["pir_range_m", "creep_zone", "pet_immunity_kg", "sensitivity"],
    "additionalProperties": False,
    "if": {"properties": {"creep_zone": {"const": True}}},
    "then": {"properties": {"pet_immunity_kg": {"anyOf": [{"const": 0}, {"const": 12}]}}},
}
START = {"pir_range_m": 12, "creep_zone": False, "pet_immunity_kg": 20, "sensitivity": "normal"}


@pytest.fixture
def dependent(kit: Kit) -> Kit:
    device = kit.devices[0]
    device.variant = variant(family=device.variant.family, settings_schema=DEPENDENT, factory_settings=START)
    device.settings = START
    device.save()
    return kit


# The form of settings


def form_fields(page: str, kit: Kit) -> dict[str, str]:
    kit.devices[0].refresh_from_db()
    assert kit.devices[0].changed_at.isoformat() in page
    return {
        "read_at": kit.devices[0].changed_at.isoformat(),
        "setting-pir_range_m": "12",
        "setting-pet_immunity_kg": "20",
        "setting-sensitivity": '"normal"',
    }


def test_the_form_shows_every_setting_with_its_limits(scheduler: User, dependent: Kit) -> None:
    page = logged_in(scheduler).get(f"/sites/device/{dependent.devices[0].pk}/settings/").content.decode()
    assert '<label for="id_setting-pir_range_m">PIR range in m</label>' in page
    assert 'name="setting-pir_range_m" value="12" min="6" max="18"' in page
    assert '<option value="&quot;normal&quot;" selected>normal</option>' in page
    assert 'type="checkbox" name="setting-creep_zone"' in page
    assert "Allowed: 0 kg or 12 to 30 kg." in page


def test_recording_settings_keeps_the_version_before(scheduler: User, dependent: Kit) -> None:
    device = dependent.devices[0]
    client = logged_in(scheduler)
    address = f"/sites/device/{device.pk}/settings/"
    fields = form_fields(client.get(address).content.decode(), dependent)
    answer = client.post(address, {**fields, "setting-creep_zone": "on", "setting-pet_immunity_kg": "12"})
    assert (answer.status_code, answer["Location"]) == (302, f"/sites/{dependent.site.pk}/#device-{device.pk}")
    device.refresh_from_db()
    assert device.settings == {"pir_range_m": 12, "creep_zone": True, "pet_immunity_kg": 12, "sensitivity": "normal"}
    history = client.get(f"/sites/device/{device.pk}/").content.decode()
    assert "Pet immunity: 20 kg → <strong>12 kg</strong>" in history
    assert scheduler.name in history


def test_a_setting_that_another_forbids_is_explained_at_its_field(scheduler: User, dependent: Kit) -> None:
    client = logged_in(scheduler)
    address = f"/sites/device/{dependent.devices[0].pk}/settings/"
    fields = form_fields(client.get(address).content.decode(), dependent)
    answer = client.post(address, {**fields, "setting-creep_zone": "on"})
    assert answer.status_code == 400
    error = answer.context["form"].errors["setting-pet_immunity_kg"][0]
    assert error == "Pet immunity cannot be 20 kg while creep-zone optic is on. Set 0 kg or 12 kg."
    dependent.devices[0].refresh_from_db()
    assert dependent.devices[0].settings == START


def test_a_form_read_before_somebody_elses_change_is_refused(scheduler: User, dependent: Kit) -> None:
    device = dependent.devices[0]
    client = logged_in(scheduler)
    address = f"/sites/device/{device.pk}/settings/"
    fields = form_fields(client.get(address).content.decode(), dependent)
    client.post(address, {**fields, "setting-pir_range_m": "9"})
    answer = client.post(address, {**fields, "setting-pir_range_m": "15"})
    assert answer.status_code == 412
    device.refresh_from_db()
    assert device.settings["pir_range_m"] == 9


@pytest.mark.parametrize("path", ["/sites/device/{}/", "/sites/device/{}/settings/"])
def test_devices_of_other_sites_are_not_found(stranger: User, engineer: User, kit: Kit, path: str) -> None:
    address = path.format(kit.devices[0].pk)
    assert [logged_in(user).get(address).status_code for user in (stranger, engineer)] == [404, 404]
    assign(engineer, kit.site)
    assert logged_in(engineer).get(address).status_code == 200


def test_the_page_of_a_device_as_at_a_day(scheduler: User, kit: Kit) -> None:
    client = logged_in(scheduler)
    address = f"/sites/device/{kit.devices[0].pk}/"
    assert "The device was not yet recorded then." in client.get(address, {"at": "2020-01-01"}).content.decode()
    # The whole day counts: what was recorded a moment ago stands at the end of today.
    today = timezone.localdate().isoformat()
    assert "<dt>PIR range</dt><dd>12 m</dd>" in client.get(address, {"at": today}).content.decode()
    assert client.get(address, {"at": "yesterday"}).status_code == 400
    assert ReadLog.objects.filter(door="page: device history", subject_id=kit.site.pk).count() == 3


# REST


LISTS = ["customers", "sites", "systems", "panels", "circuits", "circuit-places", "devices", "documents"]


@pytest.mark.parametrize("name", LISTS)
def test_lists_hold_what_the_person_may_see(
    name: str, scheduler: User, stranger: User, engineer: User, stores: User, kit: Kit
) -> None:
    make.DocumentFactory.create(site=kit.site)
    results = api_client(scheduler).get(f"/api/{name}/").json()["results"]
    assert len(results) == 1
    one = f"/api/{name}/{results[0]['id']}/"
    for user in (stranger, engineer):
        assert api_client(user).get(f"/api/{name}/").json()["results"] == []
        assert api_client(user).get(one).status_code == 404
    assert api_client(stores).get(f"/api/{name}/").status_code == 403
    assign(engineer, kit.site)
    assert api_client(engineer).get(f"/api/{name}/").json()["results"] == results
    assert api_client(engineer).get(one).json() == results[0]


@pytest.mark.parametrize("name", [*LISTS, "panel-types", "input-profiles"])
def test_lists_take_a_fixed_number_of_statements(name: str, scheduler: User, branch: Branch) -> None:
    counts = []
    for _ in range(2):
        for kit in (site_with(branch, circuits=2, devices_each=2), site_with(branch)):
            make.DocumentFactory.create(site=kit.site, device=kit.devices[0])
        with CaptureQueriesContext(connection) as seen:
            assert api_client(scheduler).get(f"/api/{name}/").status_code == 200
        counts.append(len(seen))
    assert counts == [2, 2] if name == "input-profiles" else counts == [1, 1]


def test_sites_by_words_and_page_by_page(scheduler: User, branch: Branch) -> None:
    sites = [make.SiteFactory.create(branch=branch, name=name) for name in ("Ash", "Beech", "Cedar", "Beech")]
    client = api_client(scheduler)
    assert [s["name"] for s in client.get("/api/sites/?q=bee").json()["results"]] == ["Beech", "Beech"]
    seen, address = [], "/api/sites/?size=3"
    while address:
        body = client.get(address).json()
        seen += [s["id"] for s in body["results"]]
        address = body["next"]
    assert seen == [sites[0].pk, sites[1].pk, sites[3].pk, sites[2].pk]


def test_a_device_changes_with_the_etag_it_was_read_with(scheduler: User, kit: Kit) -> None:
    client = api_client(scheduler)
    address = f"/api/devices/{kit.devices[0].pk}/"
    tag = client.get(address)["ETag"]
    change = {"position": "Porch", "settings": {"pir_range_m": 9, "pet_immunity_kg": 0, "led": True}}
    assert client.patch(address, change, format="json").status_code == 428
    first = client.patch(address, change, format="json", headers={"If-Match": tag})
    assert (first.status_code, first.json()["position"], first.json()["settings"]["pir_range_m"]) == (200, "Porch", 9)
    assert first["ETag"] == client.get(address)["ETag"]
    stale = client.patch(address, {"position": "Attic"}, format="json", headers={"If-Match": tag})
    assert (stale.status_code, stale["Content-Type"]) == (412, "application/problem+json")
    again = client.patch(address, {"position": "Attic"}, format="json", headers={"If-Match": first["ETag"]})
    assert (again.status_code, again.json()["position"]) == (200, "Attic")


def test_settings_that_are_not_allowed_are_a_problem_with_field_and_remedy(scheduler: User, kit: Kit) -> None:
    client = api_client(scheduler)
    address = f"/api/devices/{kit.devices[0].pk}/"
    answer = client.patch(
        address, {"settings": {"pir_range_m": 40, "pet_immunity_kg": 0, "led": True}}, format="json",
        headers={"If-Match": client.get(address)["ETag"]},
    )
    body = answer.json()
    assert (answer.status_code, body["field"], body["value"], body["remedy"]) == (
        400, "settings.pir_range_m", "40", "Set 6 to 18 m."
    )


def test_history_and_as_at_over_rest(scheduler: User, kit: Kit) -> None:
    client = api_client(scheduler)
    address = f"/api/devices/{kit.devices[0].pk}/"
    client.patch(address, {"position": "Porch"}, format="json", headers={"If-Match": client.get(address)["ETag"]})
    assert [v["position"] for v in client.get(f"{address}history/").json()] == ["Porch", "Room 1.1"]
    assert [v["by"] for v in client.get(f"{address}history/").json()] == [scheduler.name, ""]
    assert client.get(f"{address}history/", {"at": "2020-01-01T00:00:00Z"}).json() == []
    assert [v["position"] for v in client.get(f"{address}history/", {"at": "2999-01-01T00:00:00Z"}).json()] == ["Porch"]
    assert client.get(f"{address}history/", {"at": "now"}).status_code == 400


# Documents


@pytest.fixture
def media(settings, tmp_path) -> None:
    settings.MEDIA_ROOT = tmp_path


def test_a_document_goes_in_and_comes_out_only_through_the_application(
    media: None, engineer: User, stranger: User, kit: Kit
) -> None:
    assign(engineer, kit.site)
    client = api_client(engineer)
    made = client.post(
        "/api/documents/",
        {"site": kit.site.pk, "device": kit.devices[0].pk, "kind": "photo", "title": "Hall",
         "file": SimpleUploadedFile("hall.jpg", b"JPEG")},
        format="multipart",
    )
    assert made.status_code == 201
    document = Document.objects.get()
    assert (document.added_by, document.device) == (engineer, kit.devices[0])
    assert made.json()["file"] == f"http://testserver/api/documents/{document.pk}/file/"
    for client_, address in ((client, made.json()["file"]), (logged_in(engineer), f"/sites/document/{document.pk}/")):
        answer = client_.get(address)
        assert (b"".join(answer.streaming_content), answer["Content-Disposition"]) == (
            b"JPEG", 'attachment; filename="hall.jpg"'
        )
    for client_, address in (
        (api_client(stranger), made.json()["file"]), (logged_in(stranger), f"/sites/document/{document.pk}/"),
        (logged_in(engineer), f"/media/{document.file.name}"), (logged_in(engineer), f"/{document.file.name}"),
    ):
        assert client_.get(address).status_code == 404
    assert list(ReadLog.objects.order_by("id").values_list("door", flat=True)) == ["api: document", "page: document"]


@pytest.mark.parametrize(("name", "code"), [("run.html", 400), ("run.svg", 400), ("as-fitted.pdf", 201)])
def test_only_papers_and_photos_are_kept(media: None, scheduler: User, kit: Kit, name: str, code: int) -> None:
    answer = api_client(scheduler).post(
        "/api/documents/",
        {"site": kit.site.pk, "kind": "other", "title": "T", "file": SimpleUploadedFile(name, b"x")},
        format="multipart",
    )
    assert answer.status_code == code


def test_a_document_of_another_sites_device_is_refused(media: None, scheduler: User, branch: Branch, kit: Kit) -> None:
    answer = api_client(scheduler).post(
        "/api/documents/",
        {"site": kit.site.pk, "device": site_with(branch).devices[0].pk, "kind": "other", "title": "T",
         "file": SimpleUploadedFile("a.pdf", b"x")},
        format="multipart",
    )
    assert (answer.status_code, answer.json()["field"]) == (400, "device")


def test_nobody_adds_documents_to_a_site_of_another_branch(media: None, stranger: User, kit: Kit) -> None:
    answer = api_client(stranger).post(
        "/api/documents/",
        {"site": kit.site.pk, "kind": "other", "title": "T", "file": SimpleUploadedFile("a.pdf", b"x")},
        format="multipart",
    )
    assert (answer.status_code, Document.objects.count()) == (404, 0)


# Bands of a panel input


@pytest.mark.parametrize(("low", "high"), [(6000, 8000), (1000, 2500), (0, None), (50_000, 60_000), (3000, 4000)])
def test_bands_that_overlap_are_refused_by_the_database(kit: Kit, low: float, high: float | None) -> None:
    profile = kit.circuits[0].profile
    with (
        pytest.raises(IntegrityError, match="installs_inputband_no_overlap"), transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(
            "INSERT INTO installs_inputband (profile_id, state, low_ohm, high_ohm) VALUES (%s, 'mask', %s, %s)",
            [profile.pk, low, high],
        )


def test_bands_may_touch_and_leave_gaps(kit: Kit) -> None:
    profile = make.InputProfileFactory.create(panel_type=kit.panel.type)
    for state, low, high in (("tamper", 0, 100), ("normal", 100, 200), ("alarm", 300, None)):
        InputBand.objects.create(profile=profile, state=state, low_ohm=low, high_ohm=high)
    assert profile.bands.count() == 3
