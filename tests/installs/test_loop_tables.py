"""Kept loop tables: computed once per change, stale at once when the record changes, and no change ever lost."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import date, timedelta

import psycopg
import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, Firm, User
from installs.models import Circuit, CircuitPlace, Device, InputBand, LoopTable, Site
from installs.queries.sheet import OWN_STATEMENTS, site_sheet
from installs.services.devices import remove_device
from installs.services.loop_tables import keep_loop_tables, keep_stale_tables
from installs.services.wiring import Place, set_circuit_places
from stock.models import Board, CableType, Location, Topology
from tests.installs.kit import Kit, site_with, topology

pytestmark = pytest.mark.django_db


def kept(circuit: Circuit) -> LoopTable:
    return LoopTable.objects.get(circuit=circuit)


def test_every_circuit_has_a_table_that_waits(kit: Kit) -> None:
    table = kept(kit.circuits[0])
    assert (table.stale, table.outcome, table.table, table.computed_at) == (True, "unknown", {}, None)


def test_values_of_one_device_by_hand(kit: Kit) -> None:
    # 20 m of pair at 85 Ω/km a core: 2 x 20 x 0.085 = 3.4 Ω. Resistors 1 % and 100 ppm/K over 30 K: 1.3 %.
    # Least: 4700 x 0.987 = 4638.9, cable at -10 °C 3.4 x (1 - 0.00393 x 30) = 2.999; contacts and joints 0.
    # Greatest: 4700 x 1.013 = 4761.1, cable at 40 °C 3.4 x (1 + 0.00393 x 20) = 3.667, joint 0.1, tamper contact 0.5,
    # alarm contact 0.5 beside 4761.1 = 0.49995.
    assert keep_loop_tables([kit.circuits[0].pk]) == 1
    table = kept(kit.circuits[0])
    assert (table.stale, table.outcome, table.cause, table.cure) == (False, "right", "", "")
    assert (table.normal_ohm, table.normal_least_ohm, table.normal_greatest_ohm) == (4703.4, 4641.9, 4765.9)
    assert (table.band_low_ohm, table.band_high_ohm) == (2000.0, 7000.0)
    assert table.values_since == kit.devices[0].fitted_on
    assert table.table["short"] == "normal 4.703 kΩ, alarm 9.403 kΩ, tamper open circuit"
    assert table.table["readings"][0]["label"] == "Normal"


def test_a_record_that_cannot_be_computed_is_kept_with_its_reason(kit: Kit) -> None:
    device = kit.devices[0]
    device.board = None
    device.save()
    keep_loop_tables([kit.circuits[0].pk])
    table = kept(kit.circuits[0])
    assert (table.stale, table.outcome, table.normal_ohm) == (False, "unknown", None)
    assert table.table["verdict"].startswith("Cannot be computed from the record: ")


def test_too_thin_a_margin_is_told_with_cause_and_cure(kit: Kit) -> None:
    # Normal is read up to 4780 Ω: its greatest, 4765.9 Ω, leaves 14.1 Ω, 0.3 % of 4703.4. The firm asks for 2 %.
    InputBand.objects.filter(state="normal").update(high_ohm=4780)
    keep_loop_tables([kit.circuits[0].pk])
    table = kept(kit.circuits[0])
    assert table.outcome == "thin"
    assert table.least_margin_ohm == pytest.approx(14.1, abs=0.1)
    assert table.least_margin_percent == pytest.approx(0.3, abs=0.01)
    assert table.cause.startswith("Normal (4.703 kΩ) comes within ")
    assert table.cause.endswith("most of it is the resistors' tolerance, 61.1 Ω.")


@pytest.mark.parametrize("circuits", [1, 3])
def test_statements_do_not_grow_with_the_circuits(branch: Branch, circuits: int) -> None:
    kit = site_with(branch, circuits=circuits, devices_each=2)
    with CaptureQueriesContext(connection) as seen:
        assert keep_loop_tables([circuit.pk for circuit in kit.circuits]) == circuits
    # lock, circuits, places, devices, bands, cables, boards, firm, write; savepoints aside
    sql = [q["sql"] for q in seen if "SAVEPOINT" not in q["sql"]]
    assert len(sql) == 9, [line[:80] for line in sql]


# What makes a table stale


def _board(kit: Kit) -> None:
    Board.objects.update(alarm_ohm=2200)


def _tolerance(kit: Kit) -> None:
    Board.objects.update(tolerance_percent=5)


def _cable(kit: Kit) -> None:
    CableType.objects.update(ohm_per_km_20=100)


def _topology(kit: Kit) -> None:
    Topology.objects.update(circuit=topology("triple-eol").circuit)


def _band(kit: Kit) -> None:
    InputBand.objects.filter(state="normal").delete()


def _site(kit: Kit) -> None:
    Site.objects.update(environmental_class=4)


def _circuit(kit: Kit) -> None:
    Circuit.objects.update(eol_ohm=4700)


def _place(kit: Kit) -> None:
    CircuitPlace.objects.update(run_m=21)


def _place_gone(kit: Kit) -> None:
    CircuitPlace.objects.all().delete()


def _hand_wired(kit: Kit) -> None:
    Device.objects.update(hand_wired={"eol": 4700})


@pytest.mark.parametrize(
    "change",
    [_board, _tolerance, _cable, _topology, _band, _site, _circuit, _place, _place_gone, _hand_wired],
)
def test_a_table_is_stale_after(kit: Kit, change: Callable[[Kit], None]) -> None:
    keep_stale_tables()
    assert LoopTable.objects.filter(stale=True).count() == 0
    change(kit)
    assert kept(kit.circuits[0]).stale


@pytest.mark.parametrize(("percent", "stale", "outcome"), [(1, False, "right"), (60, True, "thin")])
def test_another_margin_that_the_firm_asks_for_makes_those_stale_that_it_touches(
    kit: Kit, firm: Firm, percent: int, stale: bool, outcome: str
) -> None:
    # Nearest to an edge is alarm: 2 x 4638.9 + 3.0 = 9280.8 Ω at the least, 2280.8 Ω above 7000 Ω, of 9403.4 Ω.
    keep_stale_tables()
    assert kept(kit.circuits[0]).least_margin_percent == pytest.approx(24.26, abs=0.01)
    firm.loop_margin_percent = percent
    firm.save()
    assert kept(kit.circuits[0]).stale == stale
    keep_stale_tables()
    assert kept(kit.circuits[0]).outcome == outcome


def test_what_the_loop_does_not_rest_on_leaves_it(kit: Kit) -> None:
    keep_stale_tables()
    Device.objects.update(settings={}, position="Hall")
    Site.objects.update(name="Renamed")
    assert not kept(kit.circuits[0]).stale


def test_changes_by_services_leave_a_fresh_table(kit: Kit, scheduler: User, quarantine: Location) -> None:
    keep_stale_tables()
    device = kit.devices[0]
    set_circuit_places(kit.circuits[0], [Place(device.pk, ("alarm", "tamper"), 120)], by=scheduler)
    table = kept(kit.circuits[0])
    # 120 m: 2 x 120 x 0.085 = 20.4 Ω
    assert (table.stale, table.normal_ohm) == (False, 4720.4)
    remove_device(device, by=scheduler, on=date(2026, 11, 2), destination=quarantine)
    table = kept(kit.circuits[0])
    assert (table.stale, table.outcome) == (False, "unknown")
    assert table.table["verdict"] == "No device is recorded here, so nothing can be computed."


# Since when measured values belong to it


def test_measured_values_belong_since_the_youngest_device(branch: Branch) -> None:
    kit = site_with(branch, devices_each=2)
    Device.objects.filter(pk=kit.devices[1].pk).update(fitted_on=date(2025, 6, 1))
    keep_stale_tables()
    assert kept(kit.circuits[0]).values_since == date(2025, 6, 1)


@pytest.mark.parametrize(("run_m", "today"), [(290, False), (300, True)])
def test_a_value_that_moves_more_than_a_percent_starts_anew(kit: Kit, run_m: float, today: bool) -> None:
    # 1 % of 4703.4 Ω are 47.0 Ω; 270 m more make 45.9 Ω, 280 m more 47.6 Ω.
    keep_stale_tables()
    CircuitPlace.objects.update(run_m=run_m)
    keep_stale_tables()
    expected = timezone.localdate() if today else kit.devices[0].fitted_on
    assert kept(kit.circuits[0]).values_since == expected


def test_a_day_that_was_kept_stays_when_nothing_moves(kit: Kit) -> None:
    keep_stale_tables()
    day = timezone.localdate() - timedelta(days=40)
    LoopTable.objects.update(values_since=day, stale=True)
    keep_stale_tables()
    assert kept(kit.circuits[0]).values_since == day


# Chunks, kills and two at once


def test_a_run_that_ends_early_leaves_the_rest_to_the_next(branch: Branch) -> None:
    site_with(branch, circuits=5)

    def killed(_part: str, _percent: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        keep_stale_tables(killed, chunk=2)
    assert LoopTable.objects.filter(stale=True).count() == 3
    told: list[tuple[str, int]] = []
    assert keep_stale_tables(lambda part, percent: told.append((part, percent)), chunk=2) == {"computed": 3}
    assert told == [("2 of 3 loops", 66)]
    assert LoopTable.objects.filter(stale=True).count() == 0
    assert keep_stale_tables() == {"computed": 0}


@pytest.fixture
def other_session(transactional_db: None) -> Iterator[psycopg.Connection]:
    """Another process's session on the tests' database."""
    with psycopg.connect(**connection.get_connection_params() | {"context": None}) as session:
        yield session


MOVE = "UPDATE installs_circuitplace SET run_m = 120 WHERE circuit_id = %s"


def test_a_change_under_way_is_left_to_a_later_run(
    other_session: psycopg.Connection, branch: Branch
) -> None:
    kit = site_with(branch, circuits=2)
    other_session.execute(MOVE, [kit.circuits[0].pk])
    assert keep_stale_tables() == {"computed": 1}
    assert [kept(circuit).stale for circuit in kit.circuits] == [True, False]
    other_session.commit()
    assert keep_stale_tables() == {"computed": 1}
    assert kept(kit.circuits[0]).normal_ohm == 4720.4


def test_a_change_during_the_computation_waits_and_makes_the_table_stale_again(
    other_session: psycopg.Connection, branch: Branch
) -> None:
    kit = site_with(branch)
    circuit = kit.circuits[0]

    def change() -> None:
        other_session.execute(MOVE, [circuit.pk])
        other_session.commit()

    thread = threading.Thread(target=change)
    with transaction.atomic():
        assert keep_stale_tables() == {"computed": 1}
        thread.start()
        thread.join(0.5)
        assert thread.is_alive()
    thread.join(10)
    assert not thread.is_alive()
    table = kept(circuit)
    assert (table.stale, table.normal_ohm) == (True, 4703.4)
    keep_stale_tables()
    assert (kept(circuit).stale, kept(circuit).normal_ohm) == (False, 4720.4)


def test_two_runs_share_the_work(other_session: psycopg.Connection, branch: Branch) -> None:
    kit = site_with(branch, circuits=3)
    other_session.execute(
        "SELECT FROM installs_looptable WHERE circuit_id = %s FOR UPDATE", [kit.circuits[1].pk]
    )
    assert keep_stale_tables() == {"computed": 2}
    assert [kept(circuit).stale for circuit in kit.circuits] == [False, True, False]


# The site sheet reads what is kept


def _short(user: User, kit: Kit) -> str:
    sheet = site_sheet(user, kit.site.pk)
    assert sheet is not None
    return sheet.systems[0].circuits[0].loop.short


def test_the_sheet_shows_what_is_kept_and_computes_what_is_stale(kit: Kit, scheduler: User) -> None:
    keep_stale_tables()
    assert _short(scheduler, kit) == "normal 4.703 kΩ, alarm 9.403 kΩ, tamper open circuit"
    # That it reads and does not compute: a kept word of another hand shows.
    table = kept(kit.circuits[0])
    table.table["short"] = "as kept"
    table.save(update_fields=["table"])
    assert _short(scheduler, kit) == "as kept"
    CircuitPlace.objects.update(run_m=120)
    assert _short(scheduler, kit) == "normal 4.72 kΩ, alarm 9.42 kΩ, tamper open circuit"


def test_a_circuit_without_a_table_is_computed(kit: Kit, scheduler: User) -> None:
    LoopTable.objects.all().delete()
    assert _short(scheduler, kit) == "normal 4.703 kΩ, alarm 9.403 kΩ, tamper open circuit"


@pytest.mark.parametrize("circuits", [1, 3])
@pytest.mark.parametrize("stale", [False, True])
def test_the_sheet_needs_no_more_statements(
    branch: Branch, scheduler: User, monkeypatch: pytest.MonkeyPatch, circuits: int, stale: bool
) -> None:
    monkeypatch.setattr("installs.sections.SHEET_SECTIONS", [])
    kit = site_with(branch, circuits=circuits, devices_each=2)
    if not stale:
        keep_stale_tables()
    with CaptureQueriesContext(connection) as seen:
        site_sheet(scheduler, kit.site.pk)
    assert len(seen) == OWN_STATEMENTS + stale


def test_the_kept_sheet_equals_the_computed_one(branch: Branch, scheduler: User) -> None:
    kit = site_with(branch, circuits=2, devices_each=3)
    computed = site_sheet(scheduler, kit.site.pk)
    keep_stale_tables()
    assert site_sheet(scheduler, kit.site.pk) == computed
