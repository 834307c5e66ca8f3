"""Range studies: which positions count and how, what is kept, dropped and unserved, and what a worker leaves behind."""

from __future__ import annotations

import threading
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

import config.background
from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from maintenance.queries.range_positions import positions_by_signature, weekly_use, worth_of
from maintenance.queries.range_savings import savings
from maintenance.queries.swap_facts import load_catalogue
from maintenance.services import range_study
from maintenance.services.range_study import run_again, start_study, study_range
from maintenance.services.swaps import accept_proposal, propose_swaps
from stock.models import SupplierItem
from tests.maintenance.swap_scene import DAY, Scene, make_scene

# Progress goes through a second connection, so the study must be committed.
pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was posted to the workers; here the tests themselves are the worker."""
    posted: list[Any] = []
    monkeypatch.setattr(config.background.app, "send_task", lambda name, args: posted.append((name, args)))
    return posted


@pytest.fixture
def scene(branch: Branch, scheduler: User) -> Scene:
    return make_scene(branch, scheduler)


def studied(by: User, branch: Branch | None = None, **terms: Any) -> dict[str, Any]:
    made = start_study(branch, by=by, **terms)
    assert study_range(made.pk, today=DAY) == "done"
    made.refresh_from_db()
    assert (made.state, made.progress, made.error) == ("done", 100, "")
    result: dict[str, Any] = made.result
    return result


def kept(result: dict[str, Any]) -> dict[str, int]:
    return {row["code"]: row["positions"] for row in result["kept"]}


def dropped(result: dict[str, Any]) -> dict[str, list[tuple[str, int]]]:
    return {row["code"]: [(by["code"], by["positions"]) for by in row["by"]] for row in result["dropped"]}


def test_the_higher_grade_takes_the_place_of_the_lower(scene: Scene, service_manager: User) -> None:
    for variant in (scene.old, scene.new, scene.new):
        scene.device(variant=variant)
    scene.device(scene.site(grade=3), variant=scene.masking, core_landings=WITH_SPARES)
    result = studied(service_manager)
    # A grade 3 cover would serve the grade 2 sites as well; the grade 3 site's mask signal has no way to the panel.
    assert kept(result) == {"NEW": 3}
    assert dropped(result)["OLD"] == [("NEW", 1)]
    assert [(row["positions"], row["kinds"]) for row in result["unserved"]] == [
        (1, [{"code": "MASK", "grade": 3, "positions": 1}])
    ]
    assert (result["positions"], result["variants_now"], result["variants_made"]) == (4, 3, 2)
    assert result["proof"]["variants"] == {"value": 1, "bound": 1, "proven": True}


WITH_SPARES = {"red": "+", "black": "-", "blue": "A1", "yellow": "T2", "green": None, "white": None}


def test_no_need_is_asked_for_every_position_counts(scene: Scene, service_manager: User) -> None:
    scene.device()
    scene.device(removed_on=date(2026, 5, 1))
    assert propose_swaps(business_date=DAY)["needs new"] == 0
    assert kept(studied(service_manager)) == {"NEW": 1}


def test_settings_stay_or_may_change(scene: Scene, service_manager: User) -> None:
    schema = {**scene.new.settings_schema, "properties": {
        **scene.new.settings_schema["properties"], "pet_immunity_kg": {"const": 0},
    }}
    plain = make.VariantFactory.create(
        family=scene.family, code="ABC", settings_schema=schema, environmental_class=3
    )
    scene.device(settings={"pir_range_m": 12, "pet_immunity_kg": 20, "led": True})
    scene.device(scene.site(environmental_class=3), variant=plain)
    keep = studied(service_manager)
    assert kept(keep) == {"ABC": 1, "NEW": 1}
    assert keep["one_fewer"]["unserved"] == {"value": 1, "bound": 1, "proven": True}
    may_change = studied(service_manager, keep_settings=False)
    assert kept(may_change) == {"ABC": 2}
    # Another cover, and a setting that cannot stay.
    assert may_change["proof"]["changes"]["value"] == 2
    assert [row["alone"] for row in may_change["kept"]] == [1]


def test_boards_and_inserts_that_the_covers_need(scene: Scene, service_manager: User) -> None:
    # The board in place does not suit the panel input; two boards would do, and both positions take the same one.
    scene.device(board=scene.foreign)
    scene.device(board=scene.foreign, position="Hall")
    make.BoardFactory.create(topology=scene.board.topology, families=[scene.family])
    result = studied(service_manager)
    assert (result["proof"]["parts"]["value"], [row["positions"] for row in result["parts"]]) == (1, [2])
    assert result["kept"][0]["with_parts"] == 2


def test_an_insert_belongs_to_the_position(scene: Scene, service_manager: User) -> None:
    insert = make.InsertFactory.create(setting="led", value=False, families=[scene.family])
    scene.device(settings={"pir_range_m": 12, "pet_immunity_kg": 0, "led": False})
    result = studied(service_manager)
    assert [(row["sku"], row["positions"]) for row in result["parts"]] == [(insert.item.sku, 1)]


def test_accepted_proposals_count_as_they_will_be(scene: Scene, service_manager: User, scheduler: User) -> None:
    device = scene.device(variant=scene.old)
    propose_swaps(business_date=DAY)
    before = studied(service_manager)
    assert (before["planned"], [row["code"] for row in before["dropped"]]) == (0, ["OLD", "MASK"])
    proposal = device.swap_proposals.get()
    accept_proposal(proposal, by=scheduler, version=proposal.version)
    after = studied(service_manager)
    # The position holds the new cover now, so that nothing changes there any more.
    assert (after["planned"], after["variants_now"], [row["code"] for row in after["dropped"]]) == (1, 1, ["MASK"])
    assert (before["proof"]["changes"]["value"], after["proof"]["changes"]["value"]) == (1, 0)


def test_a_branch_is_studied_alone(scene: Scene, service_manager: User, branch: Branch, other_branch: Branch) -> None:
    scene.device()
    scene.device(make.SiteFactory.create(branch=other_branch))
    assert [studied(service_manager, scope)["positions"] for scope in (None, branch, other_branch)] == [2, 1, 1]


def test_who_may_study_what(branch: Branch, other_branch: Branch, stores: User, service_manager: User) -> None:
    assert start_study(branch, by=stores).branch == branch
    for bad in ({"branch": None}, {"branch": other_branch}):
        with pytest.raises(InvalidInput) as error:
            start_study(by=stores, **bad)
        assert error.value.field == "branch"
    for field, value in (("service_percent", 49), ("service_percent", 100), ("correlation", 1.1)):
        with pytest.raises(InvalidInput) as error:
            start_study(None, by=service_manager, **{field: value})
        assert error.value.field == field


def test_the_same_records_give_the_same_result(scene: Scene, service_manager: User) -> None:
    for grade in (1, 2, 3, 2, 1):
        scene.device(scene.site(grade=grade), variant=scene.old)
    assert studied(service_manager) == studied(service_manager)


@pytest.mark.parametrize("devices", [1, 3])
def test_statements_do_not_grow_with_the_devices(devices: int, scene: Scene, service_manager: User) -> None:
    for number in range(devices):
        scene.device(scene.site(grade=number % 2 + 1))
    made = start_study(None, by=service_manager)
    with CaptureQueriesContext(connection) as seen:
        study_range(made.pk, today=DAY)
    assert len(seen) == 26
    catalogue = load_catalogue(DAY)
    with (
        transaction.atomic(), CaptureQueriesContext(connection) as seen,
        positions_by_signature(None, catalogue) as found,
    ):
        assert sum(group.positions for group in found.groups) == devices
    assert len(seen) == 4


def test_an_end_asked_for_in_the_middle_leaves_nothing(
    scene: Scene, service_manager: User, monkeypatch: pytest.MonkeyPatch, asked: list[Any]
) -> None:
    scene.device()
    made = start_study(None, by=service_manager)
    solve = range_study.fewest

    def cancel(*args: Any, **terms: Any) -> Any:
        thread = threading.Thread(target=lambda: (config.background.cancel(made), connection.close()))
        thread.start()
        thread.join()
        return solve(*args, **terms)

    monkeypatch.setattr(range_study, "fewest", cancel)
    assert study_range(made.pk, today=DAY) == "cancelled"
    made.refresh_from_db()
    assert (made.state, set(made.result)) == ("cancelled", {"asked"})
    with pytest.raises(Conflict):
        config.background.cancel(made)
    monkeypatch.setattr(range_study, "fewest", solve)
    run_again(made)
    assert asked == [("maintenance.study_range", [made.pk])] * 2
    assert study_range(made.pk, today=DAY) == "done"
    assert study_range(made.pk, today=DAY) == "done"
    with pytest.raises(Conflict):
        run_again(made)


def test_an_error_of_the_service_is_kept(
    scene: Scene, service_manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = start_study(None, by=service_manager)
    monkeypatch.setattr(range_study, "load_catalogue", lambda day: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        study_range(made.pk, today=DAY)
    made.refresh_from_db()
    assert (made.state, "Run it again" in made.error) == ("failed", True)


def test_without_positions_there_is_nothing_to_keep(scene: Scene, service_manager: User) -> None:
    result = studied(service_manager)
    assert (result["kept"], result["one_fewer"], result["savings"]["lines"]) == ([], None, [])


# --- savings ----------------------------------------------------------------------------------------


def fitted(scene: Scene, variant: Any, weeks: list[int]) -> None:
    """Pieces of a cover fitted in each of the last whole weeks, the oldest first, as imported history."""
    monday = DAY - timedelta(days=DAY.weekday())
    for back, quantity in enumerate(reversed(weeks), 1):
        if quantity:
            scene.store.past_demand.create(item=variant.cover, week=monday - timedelta(weeks=back), quantity=quantity)


def test_use_by_week(scene: Scene, branch: Branch, other_branch: Branch) -> None:
    fitted(scene, scene.old, [0, 2, 0, 1])
    monday = date(2026, 11, 23)
    items = [scene.old.cover_id, scene.new.cover_id]
    assert weekly_use(items, branch_id=branch.pk, until=monday, weeks=4) == {scene.old.cover_id: [0, 2, 0, 1]}
    assert weekly_use(items, branch_id=None, until=monday, weeks=2) == {scene.old.cover_id: [0, 1]}
    assert weekly_use(items, branch_id=other_branch.pk, until=monday, weeks=4) == {}


def test_a_piece_is_worth_its_price(scene: Scene) -> None:
    supplier = make.SupplierFactory.create(lead_time_days=9, currency="EUR")
    SupplierItem.objects.create(supplier=supplier, item=scene.new.cover, unit_price=20)
    found = worth_of([scene.new.cover_id], currency="GBP", today=DAY)[scene.new.cover_id]
    assert (found.unit, found.lead_time_days) == (None, 9)  # no rate on record
    make_rate("EUR", "0.85")
    assert worth_of([scene.new.cover_id], currency="GBP", today=DAY)[scene.new.cover_id].unit == 17.0


def make_rate(currency: str, rate: str) -> None:
    from stock.models import ExchangeRate

    ExchangeRate.objects.create(currency=currency, valid_from=date(2026, 1, 1), rate=rate)


def test_the_demand_of_a_dropped_variant_moves_with_its_positions(scene: Scene, service_manager: User) -> None:
    for variant in (scene.old, scene.new):
        scene.device(variant=variant)
        SupplierItem.objects.create(
            supplier=make.SupplierFactory.create(lead_time_days=14), item=variant.cover, unit_price=10
        )
        fitted(scene, variant, [1, 0, 2, 0, 1, 0, 0, 2, 1, 1])
    result = studied(service_manager)["savings"]
    rows = {row["code"]: row for row in result["lines"]}
    assert set(rows) == {"NEW", "OLD"}
    assert (rows["OLD"]["before"]["mean"], rows["OLD"]["after"]) == (0.8, None)
    assert rows["NEW"]["after"]["mean"] == 1.6
    assert rows["NEW"]["after"]["sd"] == pytest.approx(rows["NEW"]["before"]["sd"] * 2**0.5, abs=1e-3)
    assert (result["weeks"], result["lead_time_days"], result["unpriced"]) == (10, 14.0, [])
    assert result["after"]["pieces"] < result["before"]["pieces"]
    assert result["after"]["value"] == 10.0 * result["after"]["pieces"]
    # That rise and fall together save less.
    together = savings(
        [{"variant": scene.old.pk, "by": {"variant": scene.new.pk}, "positions": 1},
         {"variant": scene.new.pk, "by": {"variant": scene.new.pk}, "positions": 1}],
        branch_id=None, asked={"service_percent": 95.0, "correlation": 1.0}, today=DAY,
    )
    assert together["after"]["pieces"] > result["after"]["pieces"]


def test_too_few_weeks_say_nothing(scene: Scene, service_manager: User) -> None:
    scene.device()
    fitted(scene, scene.new, [1, 0, 2])
    result = studied(service_manager)["savings"]
    assert (result["lines"], result["weeks"], result["least_weeks"]) == ([], 3, 8)
