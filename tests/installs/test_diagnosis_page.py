"""The page that leads from a measured value to its causes."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import Branch, ReadLog, User
from installs.models import LoopMeasurement
from installs.queries.diagnosis import STATEMENTS, diagnosis_subject
from tests.conftest import logged_in
from tests.installs.kit import Kit, assign, site_with

pytestmark = pytest.mark.django_db


def ask(user: User, kit: Kit, data: Any = (), **headers: str) -> Any:
    return logged_in(user).get(address(kit), data, headers=headers)


def address(kit: Kit) -> str:
    return f"/sites/circuit/{kit.circuits[0].pk}/diagnose/"


def causes(answer: Any) -> list[str]:
    return [line.cause.words for line in answer.context["causes"]]


def kinds(answer: Any) -> list[str]:
    return [line.cause.kind for line in answer.context["causes"]]


@pytest.mark.parametrize("devices", [1, 3])
def test_a_subject_takes_the_same_statements_for_one_device_and_three(
    scheduler: User, branch: Branch, devices: int
) -> None:
    kit = site_with(branch, devices_each=devices)
    with CaptureQueriesContext(connection) as seen:
        subject = diagnosis_subject(scheduler, kit.circuits[0].pk)
    assert (len(seen), STATEMENTS) == (5, 5)
    assert subject is not None
    assert [place.mark for place in subject.places] == [f"D1{n + 1}" for n in range(devices)]
    assert [board.resistor_ohm for board in subject.boards] == [{"eol": 4700.0, "alarm": 4700.0}]


def test_only_those_who_may_open_the_site_find_the_page(
    scheduler: User, stranger: User, engineer: User, stores: User, kit: Kit
) -> None:
    assert [ask(user, kit).status_code for user in (scheduler, stranger, engineer, stores)] == [200, 404, 404, 403]
    assign(engineer, kit.site)
    assert ask(engineer, kit).status_code == 200


def test_a_healthy_value_puts_healthy_first_and_says_what_the_panel_reads(scheduler: User, kit: Kit) -> None:
    answer = ask(scheduler, kit, {"value": "4k7", "rest": "on"})
    page = answer.content.decode()
    assert kinds(answer)[0] == "healthy"
    assert "4.7 kΩ at the panel, pair disconnected, all at rest: the panel reads normal" in page
    assert page.index('class="caution"') < page.index('id="id_value"') < page.index("Causes, likeliest first")
    assert page.count("<h1>") == 1
    assert LoopMeasurement.objects.count() == 0


def test_an_alarm_value_with_unknown_states_names_the_device_in_alarm(scheduler: User, kit: Kit) -> None:
    answer = ask(scheduler, kit, {"value": "9.4k"})
    first = answer.context["causes"][0].cause
    assert (first.kind, first.places) == ("active", (0,))
    assert answer.context["lines"][0].reads == "alarm"


@pytest.mark.parametrize("text", ["open", "OL", "∞"])
def test_an_open_circuit_is_a_value(scheduler: User, kit: Kit, text: str) -> None:
    answer = ask(scheduler, kit, {"value": text})
    assert answer.context["lines"][0].words == "open circuit at the panel, pair disconnected"
    assert answer.context["lines"][0].reads == "tamper"
    assert kinds(answer) != []


def test_several_measurements_narrow_and_each_can_be_removed(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=3)
    one = ask(scheduler, kit, {"value": "9k4"})
    # All that was typed is in the address, and the form is empty for the next one.
    another = logged_in(scheduler).get(one.context["another"])
    assert another.context["kept"] == ["9k4~panel~0~~ordinary"]
    assert another.context["form"]["value"].value() is None
    both = logged_in(scheduler).get(one.context["another"] + "&value=4700&where=towards&first=1")
    assert [line.words for line in both.context["lines"]] == [
        "9.4 kΩ at the panel, pair disconnected",
        "4.7 kΩ from D12 towards the end, line opened before it",
    ]
    assert {place for line in one.context["causes"] for place in line.cause.places} == {0, 1, 2}
    assert both.context["causes"][0].cause.places == (0,)
    removed = logged_in(scheduler).get(both.context["lines"][1].without)
    assert [(line.cause.words, line.cause.fit) for line in removed.context["causes"]] == [
        (line.cause.words, line.cause.fit) for line in one.context["causes"]
    ]


def test_the_next_step_fills_the_form_in(scheduler: User, branch: Branch) -> None:
    kit = site_with(branch, devices_each=3)
    one = ask(scheduler, kit, {"value": "9k4"})
    step = one.context["step"]
    assert step.words != ""
    followed = logged_in(scheduler).get(step.address)
    asked = one.context["answer"].diagnosis.next_step
    form = followed.context["form"]
    assert form["where"].value() in {"panel", "connected", "far", "far-joined", "towards"}
    assert form["first"].value() == str(asked.first)
    # What the step says of the devices, and nothing more, is what the form then says.
    told = logged_in(scheduler).get(step.address + "&value=4k7").context["form"].written().taken.known
    assert told == dict(asked.known)
    assert followed.context["kept"] == ["9k4~panel~0~~ordinary"]


def test_htmx_gets_the_causes_only_and_the_address_that_goes_with_them(scheduler: User, kit: Kit) -> None:
    here = f"http://testserver{address(kit)}"
    headers = {"HX-Request": "true", "HX-Target": "causes", "HX-Current-URL": here}
    answer = ask(scheduler, kit, {"value": "4k7"}, **headers)
    page = answer.content.decode()
    assert ("<html" in page, "id_value" in page, "Causes, likeliest first" in page) == (False, False, True)
    assert answer["HX-Replace-Url"] == f"{address(kit)}?m=4k7~panel~0~~ordinary"
    from_circuit = ask(scheduler, kit, {"value": "4k7"}, **{**headers, "HX-Current-URL": "http://testserver/x/"})
    assert (from_circuit.headers.get("HX-Replace-Url"), from_circuit["HX-Push-Url"]) == (
        None, f"{address(kit)}?m=4k7~panel~0~~ordinary"
    )
    whole = ask(scheduler, kit, **{"HX-Request": "true", "HX-Target": "diagnose"}).content.decode()
    assert ("<html" in whole, "<form" in whole) == (False, True)


def test_a_look_is_logged_once_for_the_page_and_never_skipped(scheduler: User, stranger: User, kit: Kit) -> None:
    def looks() -> int:
        return ReadLog.objects.filter(subject_id=kit.site.pk, door="page: diagnosis").count()

    look = ask(scheduler, kit).context["look"]
    typing = {"HX-Request": "true", "HX-Target": "causes"}
    for text in ("4", "4k", "4k7"):
        ask(scheduler, kit, {"value": text}, **typing, **{"X-Look": look})
    assert looks() == 1
    ask(scheduler, kit, {"value": "4k7"}, **typing)
    ask(scheduler, kit, {"value": "4k7"}, **typing, **{"X-Look": "made up"})
    assert looks() == 3


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"value": "about four"}, "'about four' is not a resistor value"),
        ({"value": "4,700"}, "could mean thousands or a decimal part"),
        ({"value": "6.2 V"}, "The record has no pull-up resistor and reference voltage for this input"),
        ({"value": "-5"}, "is not a resistor value"),
        ({"value": "5M0", "where": "moon"}, "Select a valid choice"),
        # The input's pull-up is not recorded, so a pair left connected cannot be judged.
        ({"value": "4k7", "where": "connected"}, "Select a valid choice"),
        ({"m": "4k7~connected~0~~ordinary"}, "pull-up resistor is not known"),
        ({"m": "4k7~panel"}, "A measurement in the address cannot be read"),
        ({"m": "4k7~panel~9~~ordinary"}, "A measurement in the address cannot be read"),
        ({"m": "4k7~panel~0~0:mask~ordinary"}, "A measurement in the address cannot be read"),
        ({"m": ["4k7~panel~0~~ordinary"] * 9}, "More than 8 measurements"),
    ],
)
def test_what_cannot_be_used_is_said_on_the_page(scheduler: User, kit: Kit, data: Any, words: str) -> None:
    answer = ask(scheduler, kit, data)
    page = answer.content.decode().replace("&#x27;", "'")
    assert (answer.status_code, words in page, answer.context["answer"]) == (200, True, None)


def test_volts_at_a_powered_input_are_turned_into_ohms(scheduler: User, kit: Kit) -> None:
    profile = kit.circuits[0].profile
    profile.reference_v, profile.pull_up_ohm = 12.0, 4700.0
    profile.save()
    assert [slug for slug, _ in ask(scheduler, kit).context["form"].fields["where"].choices][:2] == [
        "panel", "connected"
    ]
    answer = ask(scheduler, kit, {"value": "6 V", "rest": "on"})
    # Half the reference: the loop has what the pull-up has.
    assert answer.context["lines"][0].words == "6 V, so 4.7 kΩ at the panel's terminals, all at rest"
    assert kinds(answer)[0] == "healthy"
    assert ask(scheduler, kit, {"value": "12 V"}).context["lines"][0].words.startswith("12 V, so open circuit")
    assert "so its terminals cannot show this" in ask(scheduler, kit, {"value": "14 V"}).content.decode()
    far = ask(scheduler, kit, {"value": "6 V", "where": "far"}).content.decode()
    assert "Volts are measured at the panel" in far


def test_nothing_that_explains_the_values_says_what_to_do(scheduler: User, kit: Kit) -> None:
    answer = ask(
        scheduler, kit, {"m": ["4k7~panel~0~rest~good", "1R0~panel~0~rest~good", "330k~panel~0~rest~good"]}
    )
    assert causes(answer) == []
    assert "Nothing considered explains these values. Measure again" in answer.content.decode()
    assert f'<a href="/sites/{kit.site.pk}/">site sheet</a>' in answer.content.decode()


def test_names_of_the_record_cannot_carry_markup(scheduler: User, kit: Kit) -> None:
    kit.circuits[0].zone = "<script>alert(1)</script>"
    kit.circuits[0].save()
    kit.devices[0].mark = "<b>X</b>"
    kit.devices[0].save()
    page = ask(scheduler, kit, {"value": "9k4<i>"}).content.decode() + ask(
        scheduler, kit, {"value": "9k4"}
    ).content.decode()
    assert re.findall(r"<script>alert|<b>X|<i>", page) == []
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_a_record_that_cannot_be_computed_says_so(scheduler: User, kit: Kit) -> None:
    kit.devices[0].places.all().delete()
    page = ask(scheduler, kit, {"value": "4k7"}).content.decode()
    assert "No device is recorded on this circuit, so nothing can be computed." in page


def test_a_measurement_is_written_down_once_and_at_rest_only_when_all_were_known_to_be(
    scheduler: User, stranger: User, kit: Kit
) -> None:
    write = address(kit) + "write/"
    sent = {"keep": "4k7~panel~0~rest~ordinary", "m": ["4k7~panel~0~rest~ordinary"], "token": "a"}
    assert logged_in(stranger).post(write, sent).status_code == 404
    client = logged_in(scheduler)
    answer = client.post(write, sent)
    assert (answer.status_code, answer["Location"]) == (302, f"{address(kit)}?m=4k7~panel~0~rest~ordinary")
    client.post(write, sent)
    client.post(write, {"keep": "open~far~0~~ordinary", "token": "b"})
    kept = LoopMeasurement.objects.order_by("id").values_list("ohm", "place", "at_rest", "source")
    assert list(kept) == [(4700.0, "panel", True, "by hand"), (None, "far end", False, "by hand")]
    assert "4.7 kΩ written down for circuit 1." in client.get(answer["Location"]).content.decode()
    for keep in ("4k7~towards~0~~ordinary", "6 V~panel~0~~ordinary", "rubbish", ""):
        assert client.post(write, {"keep": keep}).status_code == 400
    assert LoopMeasurement.objects.count() == 2
