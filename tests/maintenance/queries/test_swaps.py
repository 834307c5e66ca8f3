"""What people see of the swaps, in a fixed number of statements, and nothing of other branches."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo.factories import (
    EngineerFactory,
    InsertFactory,
    OrderFactory,
    OrderLineFactory,
    VanFactory,
    VisitFactory,
    receive_serial,
)
from installs.models import Device
from maintenance.models import SwapNeed, SwapProposal, SwapVerdict
from maintenance.queries.swaps import needs, proposal_detail, proposals, why_not
from maintenance.services.swaps import accept_proposal, propose_swaps
from tests.maintenance.swap_scene import DAY, Scene, make_scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def scene(branch: Branch, scheduler: User) -> Scene:
    return make_scene(branch, scheduler)


def night() -> None:
    propose_swaps(business_date=DAY)


def visit_for(engineer: User, device: Device, days: int = 1) -> None:
    start = timezone.now() + timedelta(days=days)
    VisitFactory.create(
        site=device.system.site,
        engineer=EngineerFactory(user=engineer),
        period=(start, start + timedelta(hours=1)),
    )


# --- proposals and needs ----------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 3])
def test_proposals_take_one_statement(
    scene: Scene, scheduler: User, count: int, django_assert_num_queries: Any
) -> None:
    for _ in range(count):
        scene.device(variant=scene.old, board=scene.foreign)
    night()
    with django_assert_num_queries(1):
        shown = [
            (
                str(row.device.system.site), row.device.system.site.branch.name, row.device.variant.code,
                row.verdict.variant.code, str(row.verdict.variant.cover), str(row.verdict.board), row.decided_by,
            )
            for row in proposals(scheduler)
        ]
    assert len(shown) == count
    assert {row[2:4] for row in shown} == {("OLD", "NEW")}


def test_who_sees_which_proposals(
    scene: Scene, scheduler: User, stores: User, service_manager: User, stranger: User, engineer: User
) -> None:
    mine, other = scene.device(variant=scene.old), scene.device(variant=scene.old)
    night()
    visit_for(engineer, mine)

    def seen(user: User) -> list[int]:
        return sorted(row.device_id for row in proposals(user))

    assert seen(scheduler) == seen(stores) == seen(service_manager) == sorted([mine.pk, other.pk])
    assert seen(stranger) == []
    assert seen(engineer) == [mine.pk]


@pytest.mark.parametrize("count", [1, 3])
def test_needs_for_which_nothing_fits(
    scene: Scene, scheduler: User, stranger: User, count: int, django_assert_num_queries: Any
) -> None:
    scene.device(variant=scene.old)
    bare = {scene.device(scene.site(grade=3)).pk for _ in range(count)}
    night()
    with django_assert_num_queries(1):
        shown = [
            (row.device_id, str(row.device.system.site), row.device.system.site.branch.name,
             row.device.variant.family.name)
            for row in needs(scheduler)
        ]
    assert {row[0] for row in shown} == bare
    assert list(needs(stranger)) == []


# --- one proposal -----------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 3])
def test_proposal_in_full(scene: Scene, scheduler: User, count: int, django_assert_num_queries: Any) -> None:
    inserts = [InsertFactory.create(setting="led", value=False, families=[scene.family]) for _ in range(count)]
    settings = scene.old.factory_settings | {"led": False}
    device = scene.device(variant=scene.old, board=scene.foreign, settings=settings)
    night()
    for place in [scene.store, *(VanFactory.create(branch=scene.branch) for _ in range(count))]:
        receive_serial(scene.new.cover, place)
    pk = SwapProposal.objects.get().pk
    with django_assert_num_queries(6):
        detail = proposal_detail(scheduler, pk)
        assert detail is not None
        where = {part.item.sku: part.where for part in detail.parts}
        str(detail.verdict.board), str(detail.device.backplate), str(detail.device.board), str(detail.device.serial)
    assert (detail.device, detail.site, detail.visit) == (device, device.system.site, None)
    assert detail.need == SwapNeed.objects.get()
    assert detail.reasons == ("Variant discontinued",)
    assert where == {
        scene.new.cover.sku: "1 at Main store",
        scene.board.item.sku: "Not in the branch and not on order",
        **{insert.item.sku: "Not in the branch and not on order" for insert in inserts},
    }
    assert [(line.label, line.old, line.new, line.changed) for line in detail.settings] == [
        ("LED", "off", "off", False), ("Pet immunity", "0 kg", "0 kg", False), ("PIR range", "12 m", "12 m", False),
    ]


def test_settings_that_change_say_why(scene: Scene, scheduler: User) -> None:
    for variant in (scene.new, scene.masking):
        variant.settings_schema["properties"]["pir_range_m"]["maximum"] = 15
        variant.save()
    scene.device(variant=scene.old, settings=scene.old.factory_settings | {"pir_range_m": 18})
    night()
    detail = proposal_detail(scheduler, SwapProposal.objects.get().pk)
    assert detail is not None
    changed = [(line.field, line.old, line.new, line.why) for line in detail.settings if line.changed]
    assert changed == [("pir_range_m", "18 m", "15 m", "PIR range: the new cover allows 6 to 15 m")]
    assert detail.verdict.reasons_against == ["PIR range: 18 m becomes 15 m; the new cover allows 6 to 15 m."]


def test_parts_in_the_van_of_the_next_visit(scene: Scene, scheduler: User) -> None:
    device = scene.device(variant=scene.old)
    van = VanFactory.create(branch=scene.branch, name="Van 1")
    for place in (scene.store, van):
        receive_serial(scene.new.cover, place)
    assert van.engineer is not None
    visit_for(van.engineer, device)
    night()
    detail = proposal_detail(scheduler, SwapProposal.objects.get().pk)
    assert detail is not None
    assert detail.visit is not None
    (part,) = detail.parts
    assert part.where == "1 at Van 1 (this engineer's van)"
    assert [(place.name, place.this_van, place.available) for place in part.places] == [
        ("Van 1", True, 1), ("Main store", False, 1),
    ]


def test_parts_on_order_and_reserved(scene: Scene, scheduler: User) -> None:
    scene.device(variant=scene.old)
    late = OrderFactory.create(destination=scene.store, expected_on=date(2026, 12, 20))
    soon = OrderFactory.create(destination=scene.store, expected_on=date(2026, 12, 3))
    for order in (late, soon):
        OrderLineFactory.create(order=order, item=scene.new.cover, quantity=1)
    night()
    proposal = SwapProposal.objects.get()

    def where() -> list[str]:
        detail = proposal_detail(scheduler, proposal.pk)
        assert detail is not None
        return [part.where for part in detail.parts]

    assert where() == ["On order for Main store, expected 3 Dec 2026"]
    accept_proposal(proposal, by=scheduler, version=1)
    assert where() == ["Reserved from an order for Main store"]


def test_proposal_of_another_branch_is_not_shown(scene: Scene, stranger: User, engineer: User) -> None:
    scene.device(variant=scene.old)
    night()
    pk = SwapProposal.objects.get().pk
    assert proposal_detail(stranger, pk) is None
    assert proposal_detail(engineer, pk) is None


# --- why not ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 3])
def test_why_not_takes_eight_statements(
    scene: Scene, scheduler: User, count: int, django_assert_num_queries: Any
) -> None:
    device, *_ = [scene.device(variant=scene.old) for _ in range(count)]
    night()
    with django_assert_num_queries(8):
        answer = why_not(scheduler, device.pk, on=DAY)
        assert answer is not None
        str(answer.device.backplate), str(answer.device.board), answer.device.variant.family.name
    assert [(option.cover.code, option.rank, option.judgement.verdict) for option in answer.options] == [
        ("NEW", 1, "fits"), ("MASK", 2, "fits"), ("OLD", 0, "fits"),
    ]
    assert answer.reasons == ("Variant discontinued",)


def test_why_not_names_the_cures(scene: Scene, scheduler: User) -> None:
    device = scene.device(scene.site(grade=3))
    answer = why_not(scheduler, device.pk, on=DAY)
    assert answer is not None
    assert answer.need is None
    cures = {option.cover.code: option.judgement.cures for option in answer.options}
    assert cures["MASK"] == (
        "Land two spare cores (green, white) on M1 and M2 and give them a panel input for mask.",
        "Work out the standby battery and the voltage at the device again.",
    )
    assert cures["NEW"] == ("Choose a cover of grade 3 or higher.", "Choose a cover with anti-mask.")


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"grade": 3},
        {"board": "foreign"},
        {"board": None, "hand_wired": {"alarm": 1000, "eol": 1000}},
        {"board": None},
        {"core_landings": {"red": "+", "black": "-", "blue": "A1", "yellow": "T2"}, "grade": 3},
    ],
)
def test_why_not_agrees_with_the_stored_verdicts(scene: Scene, scheduler: User, changes: dict[str, Any]) -> None:
    changes = dict(changes)
    site = scene.site(grade=changes.pop("grade", 2))
    if changes.get("board") == "foreign":
        changes["board"] = scene.foreign
    device = scene.device(site, variant=scene.old, **changes)
    night()
    answer = why_not(scheduler, device.pk, on=DAY)
    assert answer is not None
    live = [
        (
            option.cover.key, option.rank, option.judgement.verdict.value,
            option.judgement.board.key if option.judgement.board else None,
            list(option.judgement.reasons_for), [reason.text for reason in option.judgement.reasons_against],
            dict(option.judgement.settings),
        )
        for option in answer.options
    ]
    stored = [
        (v.variant_id, v.rank, v.verdict, v.board_id, v.reasons_for, v.reasons_against, v.settings)
        for v in SwapVerdict.objects.all()
    ]
    assert sorted(live, key=lambda row: row[0]) == sorted(stored, key=lambda row: row[0])


def test_why_not_sees_a_change_before_the_night(scene: Scene, scheduler: User) -> None:
    device = scene.device(variant=scene.old)
    night()
    device.board = scene.foreign
    device.save()
    answer = why_not(scheduler, device.pk, on=DAY)
    assert answer is not None
    assert answer.options[0].judgement.verdict == "fits with board"


def test_why_not_hides_other_branches_and_removed_devices(scene: Scene, scheduler: User, stranger: User) -> None:
    device = scene.device(variant=scene.old)
    removed = scene.device(variant=scene.old, removed_on=DAY)
    assert why_not(stranger, device.pk) is None
    assert why_not(scheduler, removed.pk) is None
    assert why_not(scheduler, 0) is None


def test_end_of_line_on_the_last_device_of_the_circuit(scene: Scene, scheduler: User) -> None:
    first = scene.device(variant=scene.old, board=None, hand_wired={"alarm": 1000})
    place = first.places.get()
    last = scene.device(first.system.site, variant=scene.new)
    last_place = last.places.get()
    last_place.circuit, last_place.order = place.circuit, 2
    last_place.save()
    answer = why_not(scheduler, first.pk, on=DAY)
    assert answer is not None
    assert answer.options[0].judgement.verdict == "fits"
    last.board = scene.foreign
    last.save()
    spoiled = why_not(scheduler, first.pk, on=DAY)
    assert spoiled is not None
    assert spoiled.options[0].judgement.verdict == "does not fit"
