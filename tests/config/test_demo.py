"""The demo firm: the same every time, valid throughout, with its awkward cases in place."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from io import StringIO
from typing import Any

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import connection, transaction
from django.db.models import F, OuterRef, Q, Subquery
from jsonschema import Draft202012Validator

from config.accounts.models import Firm, User
from config.accounts.rights import Role
from config.demo import awkward, firm, load
from config.demo.firm import ON_LEAVE, VAN_WITH_A_GAP
from config.demo_logins import LOGINS
from config.errors import Conflict, InvalidInput
from installs.models import Circuit, CircuitPlace, Device, InputBand, LoopMeasurement, Site
from installs.queries.loop_values import CIRCUIT_FIELDS, DEVICE_FIELDS, PLACE_FIELDS, loop_of
from installs.rules.bands import Band
from installs.rules.loops import verdict
from installs.rules.trend import Value, trend_of
from maintenance.models import Absence, Requirement, TestResult, Visit
from stock.models import Balance, Board, KitLine, Movement, Order, Serial, StockLevel, Variant

# The module's fixture opens the transaction; the mark makes the test database be set up at all.
pytestmark = pytest.mark.django_db

TODAY = date(2026, 11, 25)
SCALE = 0.05

DIGESTS = {
    "sites": """SELECT reference, name, street, town, postcode, latitude, longitude, grade, contract, in_use_since,
        cautions FROM installs_site""",
    "devices": """SELECT t.reference, d.mark, d.position, v.code, s.number, b.generation, i.sku, d.hand_wired,
        d.core_landings, d.settings, d.fitted_on, d.removed_on FROM installs_device d
        JOIN installs_system y ON y.id = d.system_id JOIN installs_site t ON t.id = y.site_id
        JOIN stock_variant v ON v.id = d.variant_id JOIN stock_backplate b ON b.id = d.backplate_id
        LEFT JOIN stock_serial s ON s.id = d.serial_id LEFT JOIN stock_board o ON o.id = d.board_id
        LEFT JOIN stock_item i ON i.id = o.item_id""",
    "circuits": """SELECT t.reference, c.number, c.zone, p.code, c.eol_ohm, l.order, l.run_m, l.functions, d.mark
        FROM installs_circuitplace l JOIN installs_circuit c ON c.id = l.circuit_id
        JOIN installs_inputprofile p ON p.id = c.profile_id JOIN installs_device d ON d.id = l.device_id
        JOIN installs_system y ON y.id = d.system_id JOIN installs_site t ON t.id = y.site_id""",
    "requirements": """SELECT t.reference, r.test, c.number, d.mark, d.fitted_on, q.due_month, q.last_done_on, q.active
        FROM maintenance_requirement q JOIN maintenance_regimerule r ON r.id = q.rule_id
        JOIN installs_site t ON t.id = q.site_id LEFT JOIN installs_circuit c ON c.id = q.circuit_id
        LEFT JOIN installs_device d ON d.id = q.device_id""",
    "results": """SELECT t.reference, r.test, c.number, d.mark, x.done_on, x.outcome, x.measured_ohm, x.note
        FROM maintenance_testresult x JOIN maintenance_requirement q ON q.id = x.requirement_id
        JOIN maintenance_regimerule r ON r.id = q.rule_id JOIN installs_site t ON t.id = q.site_id
        LEFT JOIN installs_circuit c ON c.id = q.circuit_id LEFT JOIN installs_device d ON d.id = q.device_id""",
    "visits": """SELECT t.reference, v.kind, v.state, v.period, u.email FROM maintenance_visit v
        JOIN installs_site t ON t.id = v.site_id JOIN maintenance_engineer e ON e.id = v.engineer_id
        JOIN accounts_user u ON u.id = e.user_id""",
    "movements": """SELECT i.sku, m.quantity, a.code, b.code, s.number, m.kind, m.at, m.reference FROM stock_movement m
        JOIN stock_item i ON i.id = m.item_id JOIN stock_location a ON a.id = m.source_id
        JOIN stock_location b ON b.id = m.destination_id LEFT JOIN stock_serial s ON s.id = m.serial_id""",
    "settings over time": """SELECT t.reference, e.mark, e.pgh_label, e.pgh_created_at, e.settings
        FROM installs_deviceevent e JOIN installs_system y ON y.id = e.system_id
        JOIN installs_site t ON t.id = y.site_id""",
}


def digests() -> dict[str, tuple[int, str]]:
    """Rows and fingerprint of the firm's content, whatever keys it was given."""
    found = {}
    with connection.cursor() as cursor:
        for name, statement in DIGESTS.items():
            cursor.execute(f"SELECT count(*), md5(string_agg(x::text, ';' ORDER BY x::text)) FROM ({statement}) x")
            found[name] = cursor.fetchone()
    return found


@pytest.fixture(scope="module")
def earlier_digests(django_db_setup: None, django_db_blocker: Any) -> Iterator[dict[str, tuple[int, str]]]:
    """Load once and undo, then load again and keep it for the tests of this module; gives the first's digests."""
    with django_db_blocker.unblock():
        with transaction.atomic():
            load.load_demo(scale=SCALE, seed=7, today=TODAY)
            first = digests()
            transaction.set_rollback(True)
        with transaction.atomic():
            load.load_demo(scale=SCALE, seed=7, today=TODAY)
            yield first
            transaction.set_rollback(True)


@pytest.fixture(autouse=True)
def _loaded(earlier_digests: dict[str, tuple[int, str]]) -> None:
    """Every test here looks at the loaded firm."""


def test_load_with_the_same_seed_and_day_gives_the_same_content(earlier_digests: dict[str, tuple[int, str]]) -> None:
    assert digests() == earlier_digests
    assert all(rows > 0 for rows, _ in earlier_digests.values())


def test_load_with_another_seed_gives_other_content(earlier_digests: dict[str, tuple[int, str]]) -> None:
    with transaction.atomic():
        _empty()
        load.load_demo(scale=SCALE, seed=8, today=TODAY)
        other = digests()
        transaction.set_rollback(True)
    assert {name for name in other if other[name] == earlier_digests[name]} == set()


def _empty() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        tables = [f'"{name}"' for name in connection.introspection.django_table_names(only_existing=True)
                  if name.split("_")[0] in ("accounts", "stock", "installs", "maintenance")]
        cursor.execute(f"TRUNCATE {', '.join(tables)} CASCADE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def test_command_says_that_the_firm_is_there_and_changes_nothing() -> None:
    before, out = digests(), StringIO()
    call_command("load_demo", stdout=out)
    assert out.getvalue() == "The demo firm is already there.\n"
    assert digests() == before


def test_load_into_a_part_loaded_database_is_refused() -> None:
    with transaction.atomic():
        Firm.objects.all().delete()
        with pytest.raises(Conflict, match="not the whole demo firm"):
            load.load_demo(scale=SCALE, seed=7, today=TODAY)
        transaction.set_rollback(True)


def test_load_at_an_impossible_scale_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"from 0\.01 to 1000"):
        load.load_demo(scale=0, seed=7, today=TODAY)


def test_every_deferred_constraint_holds() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def test_balances_equal_the_sum_of_movements() -> None:
    with connection.cursor() as cursor:
        cursor.execute("""
            SELECT item_id, location_id, sum(quantity) FROM (
                SELECT item_id, destination_id AS location_id, quantity FROM stock_movement
                UNION ALL SELECT item_id, source_id, -quantity::bigint FROM stock_movement
            ) m GROUP BY 1, 2 HAVING sum(quantity) <> 0
        """)
        posted = {(item, place): int(total) for item, place, total in cursor.fetchall()}
    held = {(b.item_id, b.location_id): b.on_hand for b in Balance.objects.exclude(on_hand=0)}
    assert held == posted


def test_each_serial_is_where_its_last_movement_put_it() -> None:
    last = Movement.objects.filter(serial=OuterRef("pk")).order_by("-at", "-id").values("destination")[:1]
    assert Serial.objects.annotate(last=Subquery(last)).exclude(last=F("location")).count() == 0


def test_serials_at_sites_are_those_of_live_devices() -> None:
    at_sites = set(Serial.objects.filter(location__kind="site").values_list("pk", flat=True))
    assert at_sites == set(Device.objects.filter(removed_on=None).values_list("serial", flat=True))
    assert len(at_sites) > 50


def test_movements_are_posted_in_order_of_time() -> None:
    moments = list(Movement.objects.order_by("id").values_list("at", flat=True))
    assert moments == sorted(moments)


def test_settings_of_every_device_are_valid_under_its_schema_now_and_before() -> None:
    schemas = {v.pk: Draft202012Validator(v.settings_schema) for v in Variant.objects.all()}
    rows = list(Device.objects.values_list("variant_id", "settings"))
    rows += list(apps.get_model("installs", "DeviceEvent").objects.values_list("variant_id", "settings"))
    assert [settings for variant, settings in rows if not schemas[variant].is_valid(settings)] == []


def test_factory_settings_of_every_variant_are_valid_and_every_schema_is_one() -> None:
    variants = list(Variant.objects.all())
    for variant in variants:
        Draft202012Validator.check_schema(variant.settings_schema)
        assert list(Draft202012Validator(variant.settings_schema).iter_errors(variant.factory_settings)) == []
    assert len(variants) == 40


def test_landings_name_cores_of_the_cable_and_terminals_of_the_backplate() -> None:
    for device in Device.objects.select_related("cable_type", "backplate"):
        landed = [terminal for terminal in device.core_landings.values() if terminal is not None]
        assert set(device.core_landings) == set(device.cable_type.cores)
        assert set(landed) <= set(device.backplate.terminals)
        assert len(landed) == len(set(landed)) == device.signalling_wires + 2


def test_every_circuit_reads_right_except_the_one_with_the_wrong_board() -> None:
    devices: dict[int, Any] = {row["id"]: row for row in Device.objects.values(*DEVICE_FIELDS)}
    bands: dict[int, list[Band]] = {}
    for band in InputBand.objects.all():
        bands.setdefault(band.profile_id, []).append(Band(band.state, band.low_ohm, band.high_ohm))
    places: dict[int, list[dict[str, Any]]] = {}
    for place in CircuitPlace.objects.order_by("order").values(*PLACE_FIELDS):
        places.setdefault(place["circuit_id"], []).append(place)
    circuits: list[Any] = list(Circuit.objects.values(*CIRCUIT_FIELDS, "panel__system__site__name"))
    wrong = []
    for circuit in circuits:
        found = verdict(loop_of(circuit, places[circuit["id"]], devices), bands[circuit["profile_id"]])
        if found.outcome != "right":
            wrong.append((circuit["panel__system__site__name"], found.outcome))
    assert wrong == [(awkward.WRONG_BOARD, "wrong")]
    assert len(circuits) > 30


def test_loop_results_lie_near_the_computed_value_when_passed() -> None:
    passed = TestResult.objects.filter(requirement__rule__test="loop", outcome="passed")
    assert passed.filter(measured_ohm=None).count() == 0
    single = passed.filter(requirement__circuit__eol_ohm__isnull=False)
    assert single.count() > 0
    eol = F("requirement__circuit__eol_ohm")
    assert single.exclude(measured_ohm__gte=eol * 0.99, measured_ohm__lte=eol * 1.05).count() == 0


def test_named_sites_are_there() -> None:
    names = [awkward.MIXED, awkward.WRONG_BOARD, awkward.SUCCESSOR, awkward.NO_SUCCESSOR, awkward.NO_SPARE_CORES,
             awkward.SPARE_CORES, awkward.BELOW_GRADE, awkward.PAST_LIFE, awkward.FAILED, awkward.IN_ORDER,
             awkward.DRIFTING]
    assert list(Site.objects.order_by("reference").values_list("name", flat=True)[: len(names)]) == names


def _devices(name: str) -> Any:
    return Device.objects.filter(system__site__name=name, removed_on=None)


def test_mixed_site_has_several_topologies_hand_wiring_boards_and_wiring_boards() -> None:
    circuits = Circuit.objects.filter(panel__system__site__name=awkward.MIXED)
    topologies = set(circuits.values_list("topology__code", flat=True))
    assert topologies == {"double-eol", "single-eol-open", "single-eol-tamper"}
    kinds = {
        (device.board is not None and device.board.presets_values, device.board is None)
        for device in _devices(awkward.MIXED).select_related("board")
    }
    assert kinds == {(True, False), (False, True), (False, False)}


def test_discontinued_family_with_a_successor_on_the_same_backplate_and_one_without() -> None:
    for device in _devices(awkward.SUCCESSOR).select_related("variant__successor", "backplate"):
        successor = device.variant.successor
        assert device.variant.discontinued_on < TODAY
        assert successor.family_id == device.variant.family_id
        assert device.backplate.generation in successor.backplate_generations
    gone = [device.variant for device in _devices(awkward.NO_SUCCESSOR).select_related("variant__family")]
    assert {(v.family.code, v.discontinued_on < TODAY, v.successor) for v in gone} == {("tw", True, None)}


def test_grade_3_sites_whose_mask_signal_has_no_way_with_and_without_spare_cores() -> None:
    for name, spare in ((awkward.NO_SPARE_CORES, 0), (awkward.SPARE_CORES, 2)):
        assert Site.objects.get(name=name).grade == 3
        for device in _devices(name):
            assert sum(terminal is None for terminal in device.core_landings.values()) == spare
            assert not any("mask" in place.functions for place in device.places.all())


def test_grade_3_site_with_grade_2_detectors() -> None:
    assert set(_devices(awkward.BELOW_GRADE).values_list("variant__grade", flat=True)) == {2, 3}


def test_one_circuits_measured_values_rise_towards_the_edge_of_its_band() -> None:
    circuit = Circuit.objects.get(panel__system__site__name=awkward.DRIFTING, number=1)
    values = [
        Value(row.measured_on, row.ohm)
        for row in LoopMeasurement.objects.filter(circuit=circuit).order_by("measured_on") if row.ohm is not None
    ]
    trend = trend_of(values, band_low_ohm=3290, band_high_ohm=6815)
    assert trend is not None
    assert (trend.values, trend.drifts) == (3, True)
    assert trend.leaves_on is not None
    assert abs((trend.leaves_on - TODAY).days) < 200
    assert all(3290 <= value.ohm < 6815 for value in values)


def test_devices_past_their_service_life() -> None:
    for device in _devices(awkward.PAST_LIFE).select_related("variant__family"):
        assert TODAY - device.fitted_on > timedelta(days=366 * device.variant.family.service_life_years)


def test_three_devices_failed_their_last_walk_test() -> None:
    last = TestResult.objects.filter(requirement=OuterRef("pk")).order_by("-done_on", "-id").values("outcome")[:1]
    tests = Requirement.objects.filter(site__name=awkward.FAILED, rule__test="walk test").annotate(last=Subquery(last))
    assert sorted(tests.values_list("last", flat=True)) == ["failed"] * 3 + ["passed"] * 2


def test_engineer_on_leave_has_no_visit_during_it() -> None:
    absence = Absence.objects.get(engineer__user__email=ON_LEAVE)
    assert (absence.days.lower, absence.days.upper) == (TODAY, TODAY + timedelta(days=14))
    assert Visit.objects.filter(engineer=absence.engineer, state__in=Visit.LIVE).count() == 0


def test_one_van_lacks_one_part_of_a_kit() -> None:
    held = set(Balance.objects.filter(location__code=VAN_WITH_A_GAP, on_hand__gt=0).values_list("item_id", flat=True))
    missing = {
        code: [line.item.kind for line in KitLine.objects.filter(variant__code=code) if line.item_id not in held]
        for code in ("FW2-3DA", "BF2-2P")
    }
    assert missing == {"FW2-3DA": ["backplate"], "BF2-2P": []}


def test_login_of_every_role_works_and_engineers_see_their_visits_of_today() -> None:
    users = {user.email: user for user in User.objects.all()}
    assert [Role(users[email].role).label for _, email, _ in LOGINS] == [label for label, _, _ in LOGINS]
    assert all(users[email].check_password(password) for _, email, password in LOGINS[:1])
    engineer = users["engineer@lanternfold.example"]
    start = firm.local(TODAY, 0)
    today = Visit.objects.filter(engineer__user=engineer, period__overlap=(start, start + timedelta(days=2)))
    assert today.count() >= 1


def test_stock_has_items_below_minimum_orders_on_the_way_and_reservations() -> None:
    balance = Balance.objects.filter(item=OuterRef("item"), location=OuterRef("location"))
    levels = StockLevel.objects.annotate(held=Subquery(balance.values("on_hand")[:1]))
    assert levels.filter(Q(held__lt=F("minimum")) | Q(held=None)).count() > 0
    assert Order.objects.filter(state="placed", lines__isnull=False).count() > 0
    assert Balance.objects.filter(on_order__gt=0).count() > 0
    assert Balance.objects.filter(reserved__gt=0).count() > 0


def test_requirements_are_those_that_the_nightly_work_calls_for() -> None:
    from maintenance.services.requirements import sync_requirements

    with transaction.atomic():
        assert sync_requirements(business_date=TODAY) == {"added": 0, "taken up again": 0, "dropped": 0}
        transaction.set_rollback(True)


def test_due_months_keep_the_anniversary_of_coming_into_use() -> None:
    """NSI Technical Bulletin 0068 (6 Nov 2024), item 1: due months count from the month of coming into use."""
    rows = Requirement.objects.filter(active=True).select_related("rule", "site")
    off = [
        row.pk
        for row in rows
        if (
            (row.due_month.year - row.site.in_use_since.year) * 12
            + row.due_month.month
            - row.site.in_use_since.month
            - row.rule.first_after_months
        )
        % row.rule.interval_months
    ]
    assert off == []
    assert rows.count() > 100


def test_boards_without_values_only_preset_a_wiring() -> None:
    assert Board.objects.filter(presets_values=False).count() == 3


def test_settings_changes_are_in_the_history_backdated() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM installs_deviceevent WHERE pgh_label = 'update'")
        assert cursor.fetchone()[0] > 0
        cursor.execute("""
            SELECT count(*) FROM installs_device d LEFT JOIN installs_deviceevent e
                ON e.pgh_obj_id = d.id AND e.pgh_label = 'insert' AND e.pgh_created_at::date = d.fitted_on
            WHERE e.pgh_id IS NULL
        """)
        assert cursor.fetchone()[0] == 0
