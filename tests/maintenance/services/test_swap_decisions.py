"""Accepting and declining swaps: what is reserved where, what is to be ordered, and who was first."""

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
    ReservationFactory,
    VanFactory,
    VisitFactory,
    receive,
    receive_serial,
)
from config.errors import ChangedMeanwhile, Conflict
from maintenance.models import SwapProposal
from maintenance.queries.swaps import parts_of_accepted_proposals
from maintenance.services.swaps import accept_proposal, decline_proposal, propose_swaps
from stock.models import Balance, Reservation
from tests.maintenance.swap_scene import DAY, Scene, make_scene

pytestmark = pytest.mark.django_db


@pytest.fixture
def scene(branch: Branch, scheduler: User) -> Scene:
    return make_scene(branch, scheduler)


def night(day: date = DAY) -> dict[str, int]:
    return propose_swaps(business_date=day)


def the_proposal() -> SwapProposal:
    return SwapProposal.objects.select_related("verdict__variant", "verdict__board").get()


# --- decisions --------------------------------------------------------------------------------------


def proposed(scene: Scene, **changes: Any) -> SwapProposal:
    scene.device(variant=scene.old, **changes)
    night()
    return the_proposal()


def promised() -> list[tuple[str, str, bool]]:
    return [
        (r.item.sku, r.location.name, r.ahead)
        for r in Reservation.objects.select_related("item", "location").order_by("item_id")
    ]


def test_accepting_reserves_in_the_store(scene: Scene, scheduler: User) -> None:
    receive_serial(scene.new.cover, scene.store)
    proposal = accept_proposal(proposed(scene), by=scheduler, version=1, note="Ring first.")
    assert (proposal.state, proposal.decided_by, proposal.decision_note) == ("accepted", scheduler, "Ring first.")
    assert proposal.version == 2
    reservation = Reservation.objects.get()
    assert promised() == [(scene.new.cover.sku, "Main store", False)]
    assert reservation.reference == f"proposal {proposal.pk}"
    assert reservation.made_by == scheduler
    assert reservation.needed_on == timezone.localdate() + timedelta(days=28)
    assert parts_of_accepted_proposals("Europe/London") == []


def test_accepting_prefers_the_van_that_goes_there_next(scene: Scene, scheduler: User) -> None:
    proposal = proposed(scene)
    site = proposal.device.system.site
    van = VanFactory.create(branch=scene.branch, name="Van 1")
    other = VanFactory.create(branch=scene.branch, name="Van 2")
    start = timezone.now() + timedelta(days=6)
    for engineer, begin in ((van.engineer, start), (other.engineer, start + timedelta(days=5))):
        VisitFactory.create(
            site=site, engineer=EngineerFactory(user=engineer), period=(begin, begin + timedelta(hours=1))
        )
    for place in (scene.store, other, van):
        receive_serial(scene.new.cover, place)
    accept_proposal(proposal, by=scheduler, version=1)
    assert promised() == [(scene.new.cover.sku, "Van 1", False)]
    assert Reservation.objects.get().needed_on == timezone.localdate(start)


def test_accepting_reserves_ahead_what_is_on_order(scene: Scene, scheduler: User) -> None:
    OrderLineFactory.create(order=OrderFactory(destination=scene.store), item=scene.new.cover)
    accept_proposal(proposed(scene), by=scheduler, version=1)
    assert promised() == [(scene.new.cover.sku, "Main store", True)]


def test_parts_that_are_nowhere_are_named(scene: Scene, scheduler: User) -> None:
    proposal = accept_proposal(proposed(scene, board=scene.foreign), by=scheduler, version=1, note="Soon.")
    cover, board = scene.new.cover, scene.board.item
    skus = [item.sku for item in sorted((cover, board), key=lambda item: item.pk)]
    assert proposal.decision_note == f"To be ordered: {', '.join(skus)}. Soon."
    assert promised() == []
    wanted = parts_of_accepted_proposals("Europe/London")
    assert {(part.proposal_id, part.branch_id, part.item_id, part.needed_on) for part in wanted} == {
        (proposal.pk, scene.branch.pk, cover.pk, None), (proposal.pk, scene.branch.pk, board.pk, None),
    }


def test_what_others_were_promised_is_not_taken(scene: Scene, scheduler: User) -> None:
    receive_serial(scene.new.cover, scene.store)
    ReservationFactory.create(item=scene.new.cover, location=scene.store, reference="visit 9")
    proposal = accept_proposal(proposed(scene), by=scheduler, version=1)
    assert proposal.decision_note == f"To be ordered: {scene.new.cover.sku}."
    assert Balance.objects.get(item=scene.new.cover, location=scene.store).reserved == 1


def test_stock_of_another_branch_is_not_taken(scene: Scene, scheduler: User, other_branch: Branch) -> None:
    scene.store.branch = other_branch
    scene.store.save()
    receive_serial(scene.new.cover, scene.store)
    accept_proposal(proposed(scene), by=scheduler, version=1)
    assert promised() == []


def test_inserts_are_reserved_and_wanted(scene: Scene, scheduler: User) -> None:
    insert = InsertFactory.create(setting="led", value=False, families=[scene.family])
    unneeded = InsertFactory.create(setting="led", value=True, families=[scene.family])
    receive_serial(scene.new.cover, scene.store)
    for item in (insert.item, unneeded.item):
        receive(item, scene.store)
    settings = scene.old.factory_settings | {"led": False}
    proposal = accept_proposal(proposed(scene, settings=settings), by=scheduler, version=1)
    assert {sku for sku, _, _ in promised()} == {insert.item.sku, scene.new.cover.sku}
    Reservation.objects.filter(item=insert.item).update(state=Reservation.State.RELEASED)
    assert [(part.proposal_id, part.item_id) for part in parts_of_accepted_proposals("Europe/London")] == [
        (proposal.pk, insert.item.pk)
    ]


def test_accepting_what_was_changed_meanwhile(scene: Scene, scheduler: User) -> None:
    proposal = proposed(scene)
    receive_serial(scene.new.cover, scene.store)
    with pytest.raises(ChangedMeanwhile) as refused:
        accept_proposal(proposal, by=scheduler, version=7)
    assert (refused.value.field, refused.value.value) == ("version", "7")
    assert the_proposal().state == "waiting"
    assert promised() == []


@pytest.mark.parametrize("decide", [accept_proposal, decline_proposal])
def test_a_decision_is_made_once(scene: Scene, scheduler: User, decide: Any) -> None:
    proposal = accept_proposal(proposed(scene), by=scheduler, version=1)
    with pytest.raises(Conflict) as refused:
        decide(proposal, by=scheduler, version=2)
    assert str(refused.value) == (
        "This proposal is accepted, so there is nothing to decide. Look at the device's newest proposal."
    )
