"""Writing down measured values, the verdict on one while it is typed, and the trend over the years."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from config.accounts.models import ReadLog, User
from config.errors import InvalidInput, KeyReused
from installs.models import Circuit, LoopMeasurement, LoopTable
from installs.queries.measurements import circuit_reads
from installs.queries.trend import circuit_trend
from installs.services.measurements import keep_measurement
from tests.conftest import api_client, logged_in
from tests.installs.kit import Kit, assign, refusal

pytestmark = pytest.mark.django_db

TODAY = date(2026, 11, 25)
DRIFTING = [(date(2024, 12, 1), 4700.0), (date(2025, 6, 1), 5180.0), (date(2025, 12, 1), 5720.0),
            (date(2026, 6, 1), 6190.0)]


@pytest.fixture
def circuit(kit: Kit) -> Circuit:
    """A circuit whose table is computed: 4.66 to 4.81 kΩ expected, the panel's band 2 to 7 kΩ."""
    LoopTable.objects.filter(circuit=kit.circuits[0]).update(
        stale=False, outcome="right", normal_ohm=4710, normal_least_ohm=4660, normal_greatest_ohm=4810,
        band_low_ohm=2000, band_high_ohm=7000, computed_at=timezone.now(),
    )
    return kit.circuits[0]


def measure(circuit: Circuit, by: User, values: list[tuple[date, float | None]], **fields: Any) -> None:
    for day, ohm in values:
        keep_measurement(circuit, ohm=ohm, measured_on=day, by=by, **fields)


def test_a_value_is_kept_as_it_was_measured(circuit: Circuit, engineer: User) -> None:
    kept = keep_measurement(circuit, ohm=None, measured_on=TODAY, place="far end", at_rest=False, note=" cut ",
                            by=engineer)
    kept.refresh_from_db()
    assert (kept.ohm, kept.measured_on, kept.place, kept.at_rest, kept.note, kept.source, kept.by) == (
        None, TODAY, "far end", False, "cut", "by hand", engineer)


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        ({"ohm": -1.0}, "measured"), ({"ohm": float("nan")}, "measured"), ({"ohm": float("inf")}, "measured"),
        ({"ohm": 100e6 + 1}, "measured"), ({"measured_on": date(1979, 12, 31)}, "measured_on"),
        ({"measured_on": date(2999, 1, 1)}, "measured_on"), ({"place": "shed"}, "place"), ({"note": "n" * 301}, "note"),
    ],
)
def test_what_cannot_be_is_refused(fields: dict[str, Any], named: str, circuit: Circuit, engineer: User) -> None:
    with pytest.raises(InvalidInput) as error:
        keep_measurement(circuit, **{"ohm": 4700.0, "measured_on": TODAY, "by": engineer, **fields})
    assert (refusal(error)[0], refusal(error)[2]) == (named, True)
    assert LoopMeasurement.objects.count() == 0


def test_a_second_press_changes_nothing(circuit: Circuit, engineer: User) -> None:
    first = keep_measurement(circuit, ohm=4700.0, measured_on=TODAY, by=engineer, key="k")
    assert keep_measurement(circuit, ohm=4700.0, measured_on=TODAY, by=engineer, key="k") == first
    with pytest.raises(KeyReused):
        keep_measurement(circuit, ohm=4800.0, measured_on=TODAY, by=engineer, key="k")
    assert LoopMeasurement.objects.count() == 1


@pytest.mark.parametrize(
    ("text", "words", "tone", "find"),
    [
        ("4k7", "Reads normal: 4.66 to 4.81 kΩ expected", "ok", False),
        ("4660", "Reads normal: 4.66 to 4.81 kΩ expected", "ok", False),
        ("5k", "Outside: 4.66 to 4.81 kΩ expected; the panel reads normal at 2 to 7 kΩ", "warn", True),
        ("7000", "Outside: 4.66 to 4.81 kΩ expected; the panel reads normal only at 2 to 7 kΩ", "warn", True),
        ("", "", "", False),
        ("4700V", "'4700V' is not a resistance. Write it as 2k2, 2.2k, 2200 or 2,2 kΩ, or 'open' for an open circuit.",
         "error", False),
        ("open", "An open loop has no resistance: leave the field empty, choose 'failed', and say so in the note.",
         "error", False),
    ],
)
def test_the_verdict_on_a_value(
    text: str, words: str, tone: str, find: bool, circuit: Circuit, scheduler: User
) -> None:
    with CaptureQueriesContext(connection) as captured:
        found = circuit_reads(scheduler, circuit.pk, text)
    assert (found.words, found.tone, found.find_cause, found.stale) == (words, tone, find, False)
    assert len(captured) == 1


def test_a_table_that_is_stale_missing_or_empty_is_said_to_be_so(circuit: Circuit, scheduler: User) -> None:
    LoopTable.objects.update(stale=True)
    assert circuit_reads(scheduler, circuit.pk, "4k7").stale
    nothing = "Nothing is computed for this circuit yet, so nothing says what to expect."
    LoopTable.objects.update(computed_at=None)
    assert circuit_reads(scheduler, circuit.pk, "4k7").words == nothing
    LoopTable.objects.all().delete()
    assert circuit_reads(scheduler, circuit.pk, "4k7").words == nothing


def test_the_verdicts_line_and_its_log(circuit: Circuit, scheduler: User) -> None:
    address = reverse("installs:circuit-reads", args=[circuit.pk])
    client = logged_in(scheduler)
    page = client.get(address, {"field": "task-3-measured", "task-3-measured": "4k7"}).content.decode()
    assert page.strip() == '<span class="tag tag-ok wrap">Reads normal: 4.66 to 4.81 kΩ expected</span>'
    outside = client.get(address, {"measured": "9k"}).content.decode()
    assert re.search(r'<a href="[^"]*value=9k">Find the cause</a>', outside)
    assert client.get(address, {"measured": "<b>"}).content.decode().count("&lt;b&gt;") == 1
    assert list(ReadLog.objects.values_list("subject_id", "user", "door")) == [
        (circuit.panel.system.site_id, scheduler.pk, "page: loop verdict")
    ] * 3


@pytest.mark.parametrize("name", ["circuit-reads", "circuit-trend"])
def test_circuits_of_other_sites_are_not_there(
    name: str, circuit: Circuit, stranger: User, engineer: User, stores: User
) -> None:
    address = reverse(f"installs:{name}", args=[circuit.pk])
    assert [logged_in(user).get(address).status_code for user in (stranger, engineer, stores)] == [404, 404, 403]
    assert ReadLog.objects.count() == 0
    assign(engineer, circuit.panel.system.site)
    assert logged_in(engineer).get(address).status_code == 200


@pytest.mark.parametrize("rows", [1, 3, 250])
def test_the_trend_in_two_statements(rows: int, circuit: Circuit, scheduler: User) -> None:
    LoopMeasurement.objects.bulk_create([
        LoopMeasurement(circuit=circuit, measured_on=TODAY - timedelta(days=n), ohm=4700.0 + n, source="by hand",
                        by=scheduler) for n in range(rows)
    ])
    with CaptureQueriesContext(connection) as captured:
        found = circuit_trend(scheduler, circuit.pk, today=TODAY)
    assert found is not None
    assert len(captured) == 2
    assert (len(found.readings), found.more) == (min(rows, 200), rows > 200)
    assert found.plot is not None
    assert len(found.plot.marks) == min(rows, 200)


def test_a_drift_is_drawn_and_said(circuit: Circuit, scheduler: User) -> None:
    measure(circuit, scheduler, DRIFTING)
    measure(circuit, scheduler, [(date(2025, 1, 1), 20.0)], place="far end")
    found = circuit_trend(scheduler, circuit.pk, today=TODAY)
    assert found is not None
    assert (found.expected, found.band, found.tone) == ("4.66 to 4.81 kΩ", "2 to 7 kΩ", "warn")
    assert found.trend is not None
    assert found.trend.leaves_on is not None
    assert found.verdict.startswith(
        f"Rises by 1.003 kΩ a year: leaves the panel's band about {found.trend.leaves_on:%-d %b %Y}, with 95 %"
    )
    plot = found.plot
    assert plot is not None
    assert plot.expected is not None
    assert plot.leaves is not None
    assert plot.trend is not None
    assert [mark.shape for mark in plot.marks] == ["used", "other", "used", "used", "used"]
    # The line ends at the upper edge, on the day of leaving.
    upper = max(plot.edges, key=lambda edge: -float(edge.y1))
    assert plot.trend.x2 == plot.leaves.x1
    assert float(plot.trend.y2) == pytest.approx(float(upper.y1), abs=0.5)
    inside = [float(n) for mark in plot.marks for n in (mark.x, mark.y)]
    assert all(0 <= n <= 340 for n in inside)


def test_a_value_far_out_stands_at_the_edge_of_the_drawing(circuit: Circuit, scheduler: User) -> None:
    measure(circuit, scheduler, [(date(2025, 1, 1), 4700.0), (date(2026, 1, 1), 5e6), (date(2026, 2, 1), None)])
    found = circuit_trend(scheduler, circuit.pk, today=TODAY)
    assert found is not None
    assert found.plot is not None
    assert [(mark.shape, mark.words) for mark in found.plot.marks] == [
        ("used", "1 Jan 2025: 4.7 kΩ"), ("above", "1 Jan 2026: 5 MΩ, off the scale"),
    ]
    assert found.verdict == "Too few values for a trend: 2 at rest at the panel. It takes 3 over 180 days."
    assert [reading.words for reading in found.readings] == ["open circuit", "5 MΩ", "4.7 kΩ"]


def test_values_before_the_change_are_drawn_but_carry_no_line(circuit: Circuit, scheduler: User) -> None:
    measure(circuit, scheduler, DRIFTING)
    LoopTable.objects.update(values_since=date(2025, 12, 1))
    found = circuit_trend(scheduler, circuit.pk, today=TODAY)
    assert found is not None
    assert found.trend is None
    assert [reading.used for reading in found.readings] == [True, True, False, False]


def test_without_a_table_there_are_values_only(circuit: Circuit, scheduler: User) -> None:
    measure(circuit, scheduler, DRIFTING)
    LoopTable.objects.all().delete()
    found = circuit_trend(scheduler, circuit.pk, today=TODAY)
    assert found is not None
    assert found.plot is not None
    assert (found.expected, found.band, found.plot.expected, found.plot.edges) == ("", "", None, ())
    assert found.verdict == "Rises by 1.003 kΩ a year; no edge of the panel's band lies ahead within sight."


def test_the_page_has_plot_table_cautions_and_form(circuit: Circuit, scheduler: User) -> None:
    measure(circuit, scheduler, DRIFTING)
    address = reverse("installs:circuit-trend", args=[circuit.pk])
    page = logged_in(scheduler).get(address).content.decode()
    assert page.count("<svg class=\"trend\"") == 1
    assert page.count("<circle") == 4
    assert page.count('data-label="Measured"') == 4
    assert "<h1>" in page
    assert "disconnect the pair from the panel" in page
    part = logged_in(scheduler).get(address, headers={"HX-Request": "true"}).content.decode()
    assert "<h1>" not in part
    assert part.lstrip().startswith('<section class="card" id="trend"')


def form(**fields: str) -> dict[str, str]:
    return {"measured": "4,7 kΩ", "measured_on": "2026-11-24", "place": "panel", "at_rest": "on", "note": "",
            "token": "t1", **fields}


def test_a_value_is_written_down_on_the_page(circuit: Circuit, scheduler: User) -> None:
    client, address = logged_in(scheduler), reverse("installs:circuit-measure", args=[circuit.pk])
    assert client.post(address, form()).headers["Location"] == reverse("installs:circuit-trend", args=[circuit.pk])
    part = client.post(address, form(token="t2", measured="open"), headers={"HX-Request": "true"})
    assert (part.status_code, part.content.decode().count("is written down")) == (200, 1)
    assert list(LoopMeasurement.objects.order_by("id").values_list("ohm", "at_rest", "by")) == [
        (4700.0, True, scheduler.pk), (None, True, scheduler.pk)
    ]


def test_a_value_that_cannot_be_used_is_said_beside_the_form(circuit: Circuit, scheduler: User) -> None:
    client, address = logged_in(scheduler), reverse("installs:circuit-measure", args=[circuit.pk])
    for fields, words in (({"measured": "4700V"}, "is not a resistance"),
                          ({"measured_on": "2999-01-01"}, "is in the future or before 1980")):
        whole = client.post(address, form(**fields))
        assert (whole.status_code, whole.content.decode().count(words)) == (400, 1)
        part = client.post(address, form(**fields), headers={"HX-Request": "true"})
        assert (part.status_code, part.content.decode().count(words)) == (200, 1)
    assert LoopMeasurement.objects.count() == 0


def test_nobody_writes_down_a_value_of_a_site_they_may_not_open(circuit: Circuit, stranger: User, stores: User) -> None:
    address = reverse("installs:circuit-measure", args=[circuit.pk])
    assert [logged_in(user).post(address, form()).status_code for user in (stranger, stores)] == [404, 403]


def test_the_endpoint_writes_once_and_lists(circuit: Circuit, scheduler: User, stranger: User) -> None:
    client = api_client(scheduler)
    body = {"circuit": circuit.pk, "measured_on": "2026-11-24", "measured": "2k2"}
    first = client.post("/api/loop-measurements/", body, headers={"Idempotency-Key": "a"})
    again = client.post("/api/loop-measurements/", body, headers={"Idempotency-Key": "a"})
    assert (first.status_code, again.status_code, again.json()) == (201, 201, first.json())
    assert {name: first.json()[name] for name in ("circuit", "ohm", "place", "at_rest", "source", "by")} == {
        "circuit": circuit.pk, "ohm": 2200.0, "place": "panel", "at_rest": True, "source": "by hand",
        "by": scheduler.pk,
    }
    opened = client.post("/api/loop-measurements/", body | {"measured": "open"}, headers={"Idempotency-Key": "b"})
    assert opened.json()["ohm"] is None
    listed = client.get("/api/loop-measurements/", {"circuit": circuit.pk}).json()["results"]
    assert [row["ohm"] for row in listed] == [None, 2200.0]
    assert api_client(stranger).get("/api/loop-measurements/").json()["results"] == []


@pytest.mark.parametrize(
    ("change", "key", "status"),
    [({"measured": "-1"}, "a", 400), ({"measured_on": "2999-01-01"}, "a", 400), ({"circuit": 10**9}, "a", 404),
     ({}, "", 400), ({"place": "shed"}, "a", 400)],
)
def test_the_endpoint_refuses(change: dict[str, Any], key: str, status: int, circuit: Circuit, scheduler: User) -> None:
    body = {"circuit": circuit.pk, "measured_on": "2026-11-24", "measured": "2k2"} | change
    answer = api_client(scheduler).post("/api/loop-measurements/", body, headers={"Idempotency-Key": key})
    assert (answer.status_code, LoopMeasurement.objects.count()) == (status, 0)


@pytest.mark.parametrize("rows", [1, 3])
def test_the_endpoint_lists_in_one_statement(rows: int, circuit: Circuit, scheduler: User) -> None:
    measure(circuit, scheduler, DRIFTING[:rows])
    with CaptureQueriesContext(connection) as captured:
        found = api_client(scheduler).get("/api/loop-measurements/").json()["results"]
    assert (len(found), len(captured)) == (rows, 1)
