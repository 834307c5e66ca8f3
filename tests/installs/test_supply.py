"""A panel's supply on its page and over REST, and the feeds of its devices."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.apps import apps
from django.utils import timezone

from config.accounts.models import Branch, Firm, ReadLog, User
from config.errors import ChangedMeanwhile, Conflict, InvalidInput
from installs.models import CircuitPlace, Device, PowerFeed, StandbyRule
from installs.queries.supply import STATEMENTS, panel_supply
from installs.queries.supply_rows import SupplyAnswer
from installs.services.supply import clear_power_feed, feed_version, install_standby_rules, set_power_feed
from tests.conftest import api_client, logged_in
from tests.installs.kit import Kit, assign, refusal, site_with

pytestmark = pytest.mark.django_db

FIGURES: dict[str, Any] = {
    "supply_mains_v": "13.7", "supply_end_v": "10.5", "supply_output_ma": 500, "own_quiescent_ma": 100,
    "own_alarm_ma": 200, "recharge_ma": 300,
}


def supplied(branch: Branch, *, rules: bool = True, **more: Any) -> Kit:
    """A grade 2 site whose panel type has every figure; devices draw 12 and 18 mA and need 9 V."""
    kit = site_with(branch, **more)
    for name, value in FIGURES.items():
        setattr(kit.panel.type, name, value)
    kit.panel.type.save()
    kit.panel.battery_ah, kit.panel.other_quiescent_ma, kit.panel.other_alarm_ma = 7, 50, 300
    kit.panel.save()
    if rules:
        install_standby_rules()
    return kit


def answer_of(user: User, kit: Kit, on: date | None = None) -> SupplyAnswer:
    answer = panel_supply(user, kit.panel.pk, on=on)
    assert answer is not None
    return answer


def feed(kit: Kit, device: Device, by: User, fed_from: Device | None = None, **fields: Any) -> PowerFeed:
    given: dict[str, Any] = {"run_m": 30.0, "cable_type": device.cable_type}
    return set_power_feed(device, by=by, fed_from=fed_from, **given | fields)


def test_without_feeds_the_power_follows_the_first_circuit(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch, circuits=2, devices_each=2)
    CircuitPlace.objects.create(
        circuit=kit.circuits[1], device=kit.devices[0], order=3, functions=["tamper"], run_m=99
    )
    lines = answer_of(scheduler, kit).lines
    assert [(line.mark, line.fed_from, line.feed and line.feed.run_m) for line in lines] == [
        ("D11", "the panel", 20), ("D12", "D11", 20), ("D21", "the panel", 20), ("D22", "D21", 20),
    ]
    # By hand: 20 m of pair at 85 Ω/km a core and 40 °C is 3.4 x 1.0786 Ω; 36 mA, then 18 mA in alarm.
    ohm = 3.4 * 1.0786
    assert lines[1].volts == pytest.approx(
        (13.7 - ohm * 0.036, 13.7 - ohm * 0.054, 10.5 - ohm * 0.036, 10.5 - ohm * 0.054), abs=1e-12
    )


def test_battery_by_hand(scheduler: User, branch: Branch) -> None:
    # 2 devices: 24 + 50 + 100 = 174 mA for 12 h, 36 + 300 + 200 = 536 mA for 15 min, a quarter more for ageing.
    kit = supplied(branch, devices_each=2)
    battery = answer_of(scheduler, kit).battery
    assert (battery.quiescent_ma, battery.alarm_ma) == (174, 536)
    assert battery.needed_ah == pytest.approx(1.25 * (0.174 * 12 + 0.536 * 0.25))
    assert (battery.needed_size_ah, battery.fitted_ah, battery.problems) == (4.0, 7.0, ())
    assert battery.rechargeable_ah == pytest.approx(21.6)
    assert (battery.recharge_size_ah, battery.rule and battery.rule.standby_hours) == (18.0, 12.0)


def test_the_rule_follows_grade_scheme_and_signalling(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch, grade=3)

    def hours() -> float | None:
        rule = answer_of(scheduler, kit).battery.rule
        return None if rule is None else rule.standby_hours

    assert hours() == 30
    kit.site.contract = "audible"
    kit.site.save()
    assert hours() == 60
    Firm.objects.update(standby_scheme="PD 6662:2004")
    assert hours() == 24
    Firm.objects.update(standby_scheme="Own")
    battery = answer_of(scheduler, kit).battery
    assert (battery.rule, battery.needed_ah) == (None, None)
    assert battery.problems[0].startswith("No standby rule of Own for grade 3 and a supply of type A: add one")


def test_a_battery_that_is_too_small_or_too_large_to_recharge(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch, grade=3)
    problems = answer_of(scheduler, kit).battery.problems
    # 1.25 x (0.162 x 30 + 0.518 x 0.25) = 6.24 Ah; 0.3 A x 24 h = 7.2 Ah.
    assert problems == ()
    kit.panel.battery_ah = 4
    kit.panel.save()
    assert answer_of(scheduler, kit).battery.problems == ("The fitted 4 Ah are 2.2 Ah less than needed.",)
    kit.panel.battery_ah = 17
    kit.panel.save()
    assert answer_of(scheduler, kit).battery.problems == (
        "The panel recharges 7.2 Ah at most in 24 h; the fitted 17 Ah take longer.",
    )
    kit.panel.type.recharge_ma = 100
    kit.panel.type.save()
    assert answer_of(scheduler, kit).battery.problems[-1].startswith("No battery does: 6.2 Ah are needed")
    Firm.objects.update(battery_ageing_factor="0.9")
    broken = answer_of(scheduler, kit).battery
    assert broken.needed_ah is None
    assert "ageing_factor" in broken.problems[0]


def test_an_old_battery_is_noted(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    today = timezone.localdate()
    kit.panel.battery_fitted_on = today - timedelta(days=5 * 365)
    kit.panel.save()
    assert answer_of(scheduler, kit, today).battery.notes == ()
    assert answer_of(scheduler, kit, today + timedelta(days=200)).battery.notes == (
        "The battery is 5.5 years old; small sealed batteries are changed after 3 to 5 years (practice).",
    )


def test_figures_that_lack_are_named_and_the_rest_is_computed(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    kit.panel.type.supply_end_v = kit.panel.type.recharge_ma = None
    kit.panel.type.save()
    answer = answer_of(scheduler, kit)
    assert [line.split("(")[-1] for line in answer.missing] == [
        "supply_end_v of the panel type).", "recharge_ma of the panel type).",
    ]
    assert [volts is None for volts in answer.lines[0].volts] == [False, False, True, True]
    assert answer.battery.needed_ah is not None


def test_too_much_load_for_the_outputs_and_too_many_volts(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    kit.panel.type.supply_output_ma, kit.panel.type.supply_mains_v = 300, "17.0"
    kit.panel.type.save()
    answer = answer_of(scheduler, kit)
    assert answer.problems[0].startswith("In full alarm the outputs are to give 318 mA, 18 mA more than the 300 mA")
    assert answer.lines[0].note == "On mains the supply gives 17 V; the device takes 16 V at most."


def test_what_hangs_on_nothing_is_said(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch, devices_each=3)
    first, second, _ = kit.devices
    feed(kit, second, scheduler, first)
    CircuitPlace.objects.filter(device=first).delete()
    lines = {line.mark: line for line in answer_of(scheduler, kit).lines}
    assert lines["D11"].note == "It is on no circuit and no power feed is recorded: record where it is fed from."
    assert lines["D12"].note == "It is fed from D11, whose own feed is not known."
    assert lines["D13"].note == "It is fed from D12, whose own feed is not known."
    assert [line.margin_v for line in lines.values()] == [None, None, None]
    assert answer_of(scheduler, kit).output_ma == 3 * 18 + 300
    Device.objects.filter(pk=first.pk).update(removed_on=date(2026, 11, 2))
    assert answer_of(scheduler, kit).lines[0].note == (
        "It is fed from a device that was removed: record where it is fed from now."
    )


@pytest.mark.parametrize("rows", [1, 3])
def test_statements_for_one_and_for_three(
    scheduler: User, branch: Branch, django_assert_num_queries: Any, rows: int
) -> None:
    kit = supplied(branch, circuits=rows, devices_each=rows)
    feed(kit, kit.devices[0], scheduler)
    assert STATEMENTS == 6
    with django_assert_num_queries(6):
        assert len(answer_of(scheduler, kit).lines) == rows * rows
    client = logged_in(scheduler)
    # session, user, the person's branch, the six, the read log
    with django_assert_num_queries(10):
        assert client.get(f"/sites/supply/{kit.panel.pk}/").status_code == 200


def test_the_page_says_it_all(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    CircuitPlace.objects.update(run_m=900)
    text = logged_in(scheduler).get(f"/sites/supply/{kit.panel.pk}/").content.decode()
    for words in (
        "Mains parts are only for those qualified", "Power-supply ripple and inrush currents are not computed.",
        "taken to follow the signals: not recorded", "Too little", "are lost on 900 m of cable from the panel to D11",
        "Two cores per pole from the panel to D11", "next common size 4 Ah", "EN 50131-6 ed. 2 as restated",
        f"/sites/device/{kit.devices[0].pk}/power-feed/",
    ):
        assert words in text
    assert f"/sites/supply/{kit.panel.pk}/" in logged_in(scheduler).get(f"/sites/{kit.site.pk}/").content.decode()


def test_who_may_look_and_that_it_is_logged(
    scheduler: User, stores: User, stranger: User, engineer: User, branch: Branch
) -> None:
    kit = supplied(branch)
    address, api = f"/sites/supply/{kit.panel.pk}/", f"/api/supplies/{kit.panel.pk}/"
    codes = {user.role: logged_in(user).get(address).status_code for user in (scheduler, stores, engineer)}
    assert codes == {"scheduler": 200, "stores": 403, "engineer": 404}
    assert logged_in(stranger).get(address).status_code == 404
    assert api_client(stranger).get(api).status_code == 404
    assert api_client(engineer).get(api).status_code == 404
    assert api_client(scheduler).get(api).status_code == 200
    assign(engineer, kit.site)
    assert logged_in(engineer).get(address).status_code == 200
    assert list(ReadLog.objects.order_by("id").values_list("user", "door", "subject_id")) == [
        (scheduler.pk, "page: supply", kit.site.pk), (scheduler.pk, "api: supply", kit.site.pk),
        (engineer.pk, "page: supply", kit.site.pk),
    ]


def test_the_supply_over_rest(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    body = api_client(scheduler).get(f"/api/supplies/{kit.panel.pk}/").json()
    line, = body["devices"]
    assert body["cases"] == [
        "quiet, mains present", "full alarm, mains present", "quiet, battery discharged",
        "full alarm, battery discharged",
    ]
    assert (line["mark"], line["short"], len(line["volts"])) == ("D11", False, 4)
    assert body["battery"]["rule"]["source"].startswith("EN 50131-6 ed. 2")
    assert "Power-supply ripple and inrush currents are not computed." in body["assumptions"]


def test_a_feed_is_recorded_with_its_history_and_taken_back(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch, devices_each=3)
    first, _, third = kit.devices
    feed(kit, third, scheduler, first, run_m=12.5, cores_per_pole=2)
    line = answer_of(scheduler, kit).lines[2]
    assert (line.fed_from, line.feed and (line.feed.run_m, line.feed.cores_per_pole, line.feed.recorded)) == (
        "D11", (12.5, 2, True)
    )
    feed(kit, third, scheduler, run_m=7)
    clear_power_feed(third, by=scheduler)
    events = apps.get_model("installs.PowerFeedEvent").objects.order_by("pgh_id")
    assert [(e.pgh_label, e.run_m, e.fed_from_id, e.pgh_context.metadata["user"]) for e in events] == [
        ("insert", 12.5, first.pk, scheduler.pk), ("update", 7.0, None, scheduler.pk),
        ("delete", 7.0, None, scheduler.pk),
    ]
    assert answer_of(scheduler, kit).lines[2].fed_from == "D12"


def test_rings_strangers_and_nonsense_are_refused(scheduler: User, branch: Branch) -> None:
    kit, other = supplied(branch, devices_each=3), supplied(branch)
    first, second, third = kit.devices
    with pytest.raises(InvalidInput) as ring:
        feed(kit, first, scheduler, third)
    assert ring.value.field == "fed_from"
    assert set(ring.value.value.split(", ")) == {"D11", "D12", "D13"}
    assert not PowerFeed.objects.exists()
    with pytest.raises(InvalidInput) as own:
        feed(kit, first, scheduler, first)
    assert refusal(own) == ("fed_from", "D11", True)
    with pytest.raises(InvalidInput) as foreign:
        feed(kit, first, scheduler, other.devices[0])
    assert refusal(foreign) == ("fed_from", "D11", True)
    for fields, name in (({"run_m": -1}, "run_m"), ({"run_m": float("nan")}, "run_m"), ({"cores_per_pole": 0},
                         "cores_per_pole")):
        with pytest.raises(InvalidInput) as refused:
            feed(kit, first, scheduler, **fields)
        assert refused.value.field == name
    # Once the second is fed from the panel, the first may hang on the third, and taking it back closes a ring.
    feed(kit, second, scheduler)
    feed(kit, first, scheduler, third)
    with pytest.raises(InvalidInput):
        clear_power_feed(second, by=scheduler)
    assert PowerFeed.objects.count() == 2
    Device.objects.filter(pk=third.pk).update(removed_on=date(2026, 11, 2))
    with pytest.raises(Conflict):
        feed(kit, third, scheduler)
    with pytest.raises(InvalidInput, match="was removed"):
        feed(kit, second, scheduler, third)


def test_a_feed_that_changed_meanwhile_is_not_overwritten(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    device, = kit.devices
    seen = feed_version(device)
    feed(kit, device, scheduler, run_m=11)
    with pytest.raises(ChangedMeanwhile):
        feed(kit, device, scheduler, run_m=12, version=seen)
    assert PowerFeed.objects.get().run_m == 11


def test_the_form_records_refuses_and_follows_again(
    scheduler: User, stranger: User, stores: User, branch: Branch
) -> None:
    kit = supplied(branch, devices_each=2)
    first, second = kit.devices
    address = f"/sites/device/{second.pk}/power-feed/"
    client = logged_in(scheduler)
    shown = client.get(address).context["form"].initial
    assert shown == {
        "fed_from": first.pk, "run_m": 20.0, "cable_type": kit.circuits[0].cable_type_id, "cores_per_pole": 1,
        "version": "",
    }
    given = {"fed_from": "", "run_m": "35.5", "cable_type": second.cable_type_id, "cores_per_pole": 2, "version": ""}
    assert client.post(address, given).headers["Location"] == (
        f"/sites/supply/{kit.panel.pk}/#device-{second.pk}"
    )
    row = PowerFeed.objects.get()
    assert (row.fed_from, row.run_m, row.cores_per_pole) == (None, 35.5, 2)
    assert client.post(address, given).status_code == 412
    assert client.post(address, given | {"run_m": "x"}).status_code == 400
    ring = client.post(f"/sites/device/{first.pk}/power-feed/", given | {"fed_from": second.pk, "run_m": "-3"})
    assert "run_m" in ring.context["form"].errors
    assert client.post(address, {"follow": "1", "version": feed_version(second)}).status_code == 302
    assert not PowerFeed.objects.exists()
    refused = client.post(f"/sites/device/{first.pk}/power-feed/", given | {"fed_from": second.pk})
    assert refused.status_code == 400
    assert "feed one another in a ring" in refused.content.decode()
    assert logged_in(stranger).get(address).status_code == 404
    assert logged_in(stores).get(address).status_code == 403


def test_feeds_over_rest(scheduler: User, stranger: User, branch: Branch, other_branch: Branch) -> None:
    kit = supplied(branch, devices_each=2)
    foreign = supplied(other_branch).devices[0]
    first, second = kit.devices
    client = api_client(scheduler)
    given = {"device": second.pk, "fed_from": first.pk, "run_m": 8, "cable_type": second.cable_type_id}
    made = client.post("/api/power-feeds/", given, format="json")
    assert (made.status_code, made.json()["cores_per_pole"]) == (201, 1)
    assert client.post("/api/power-feeds/", given, format="json").status_code == 409
    assert client.post("/api/power-feeds/", given | {"device": foreign.pk}, format="json").status_code == 404
    address = f"/api/power-feeds/{made.json()['id']}/"
    assert api_client(stranger).get(address).status_code == 404
    changed = client.patch(address, {"run_m": 9}, format="json", headers={"If-Match": made["ETag"]})
    assert (changed.status_code, changed.json()["run_m"], changed.json()["fed_from"]) == (200, 9, first.pk)
    assert client.patch(address, {"run_m": 9}, format="json", headers={"If-Match": made["ETag"]}).status_code == 412
    hidden = client.patch(address, {"fed_from": foreign.pk}, format="json", headers={"If-Match": changed["ETag"]})
    assert hidden.status_code == 404


def test_the_standards_rules_come_once_and_edits_stay(administrator: User) -> None:
    client = logged_in(administrator)
    address = "/admin/installs/standbyrule/"
    assert "Add the standards" in client.get(address).content.decode()
    assert client.post(f"{address}add-standard/").headers["Location"] == address
    assert StandbyRule.objects.count() == 32
    StandbyRule.objects.filter(scheme="EN 50131-6", grade=2).update(standby_hours=16)
    StandbyRule.objects.filter(grade=4).delete()
    assert install_standby_rules() == 8
    assert set(StandbyRule.objects.filter(scheme="EN 50131-6", grade=2).values_list("standby_hours", flat=True)) == {16}
    assert client.get(f"{address}add-standard/").status_code == 405


def test_the_firms_figures_are_edited_over_rest(administrator: User) -> None:
    client = api_client(administrator)
    tag = {"If-Match": client.get("/api/firm/1/")["ETag"]}
    wrong = client.patch("/api/firm/1/", {"battery_ageing_factor": "0.9"}, headers=tag)
    assert (wrong.status_code, list(wrong.json()["errors"])) == (400, ["battery_ageing_factor"])
    right = client.patch(
        "/api/firm/1/",
        {"battery_ageing_factor": "1.30", "loop_margin_percent": "3.0", "standby_scheme": "PD 6662:2004"},
        headers=tag,
    )
    assert right.status_code == 200
    firm = Firm.objects.get()
    assert (str(firm.battery_ageing_factor), str(firm.loop_margin_percent), firm.standby_scheme) == (
        "1.30", "3.0", "PD 6662:2004"
    )


def test_type_b_has_no_recharge(scheduler: User, branch: Branch) -> None:
    kit = supplied(branch)
    kit.panel.type.psu_type = "B"
    kit.panel.type.save()
    battery = answer_of(scheduler, kit).battery
    assert (battery.rechargeable_ah, battery.rule and battery.rule.standby_hours) == (None, 24.0)
