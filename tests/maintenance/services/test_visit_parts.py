"""The parts of a visit: promised, fitted from the van, taken back, and covers put on devices."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from maintenance.models import Visit
from maintenance.queries.visit_parts import visit_parts
from maintenance.services.results import ResultEntry, record_results
from maintenance.services.visit_parts import fit_part, leave_unused, put_cover_on, take_back
from maintenance.services.visits import cancel_visit
from stock import services
from stock.models import Item, Movement, Reservation, Serial
from tests.conftest import api_client, logged_in
from tests.installs.kit import GOOD, Kit, assign
from tests.maintenance.recall_scene import Yard, checked, piece, receive, site_with_cover, visit_today, yard_of


@pytest.fixture
def yard(branch: Branch, engineer: User) -> Yard:
    return yard_of(branch, engineer)


@pytest.fixture
def kit(branch: Branch, yard: Yard, engineer: User) -> Kit:
    return site_with_cover(branch, yard, engineer, "OLD", batch="B1")


@pytest.fixture
def visit(branch: Branch, engineer: User, kit: Kit) -> Visit:
    return visit_today(branch, engineer, kit)


@pytest.fixture
def screws(yard: Yard) -> Item:
    """By quantity; ten in the van."""
    item = make.ItemFactory.create(name="Screws")
    receive(item, yard, 10, at=yard.van)
    return item


@pytest.fixture
def new(kit: Kit, yard: Yard) -> Serial:
    """A cover of the same variant in the van."""
    return piece(kit.devices[0].variant.cover, yard, "NEW", at=yard.van)


def promise(item: Item, yard: Yard, visit: Visit, quantity: int, by: User) -> Reservation:
    return services.reserve(item, yard.van, quantity=quantity, needed_on=timezone.localdate(),
                            reference=f"visit {visit.pk}", by=by)


def test_fitted_part_uses_its_promise_and_names_the_visit(
    visit: Visit, screws: Item, yard: Yard, engineer: User
) -> None:
    promise(screws, yard, visit, 4, engineer)
    moved = fit_part(visit, screws, quantity=3, by=engineer)
    assert (moved.kind, moved.source, moved.destination, moved.reference) == (
        "fit", yard.van, yard.sites, f"visit {visit.pk}"
    )
    assert list(Reservation.objects.values_list("quantity", "state")) == [(1, "open")]
    fit_part(visit, screws, quantity=5, by=engineer)
    assert list(Reservation.objects.values_list("quantity", "state")) == [(1, "used")]
    with pytest.raises(Conflict, match="holds 2 pc"):
        fit_part(visit, screws, quantity=3, by=engineer)


def test_batch_is_named(visit: Visit, yard: Yard, engineer: User) -> None:
    board = make.ItemFactory.create(tracking="batch")
    receive(board, yard, 3, batch="L1", at=yard.van)
    with pytest.raises(InvalidInput, match="tracked by batch"):
        fit_part(visit, board, quantity=1, by=engineer)
    assert fit_part(visit, board, quantity=1, by=engineer, batch=" L1 ").batch == "L1"


def test_others_promises_are_kept(visit: Visit, screws: Item, yard: Yard, engineer: User) -> None:
    services.reserve(screws, yard.van, quantity=8, needed_on=timezone.localdate(), reference="visit 999999",
                     by=engineer)
    with pytest.raises(Conflict, match="of which 8 are reserved"):
        fit_part(visit, screws, quantity=3, by=engineer)


def test_nothing_is_fitted_before_the_day_or_after_an_abort(
    branch: Branch, kit: Kit, visit: Visit, screws: Item, yard: Yard, engineer: User, scheduler: User
) -> None:
    coming = visit_today(branch, engineer, kit, day=timezone.localdate() + timedelta(days=2))
    with pytest.raises(Conflict, match="has not come yet"):
        fit_part(coming, screws, quantity=1, by=engineer)
    promised = promise(screws, yard, coming, 2, engineer)
    coming = cancel_visit(coming, version=coming.version, reason="ill", by=scheduler)
    promised.refresh_from_db()
    assert promised.state == "released"
    with pytest.raises(Conflict, match="aborted"):
        fit_part(coming, screws, quantity=1, by=engineer)


def test_what_the_visit_did_not_use_is_free_when_it_is_done(
    visit: Visit, screws: Item, yard: Yard, engineer: User
) -> None:
    promised = promise(screws, yard, visit, 4, engineer)
    record_results(visit, [ResultEntry(visit.tasks.get().requirement_id, "not done")], by=engineer,
                   done_on=timezone.localdate())
    promised.refresh_from_db()
    assert promised.state == "released"
    visit.refresh_from_db()
    assert fit_part(visit, screws, quantity=1, by=engineer).quantity == 1


def test_unused_and_taken_back(visit: Visit, screws: Item, yard: Yard, engineer: User, stores: User) -> None:
    promised = promise(screws, yard, visit, 4, engineer)
    assert leave_unused(visit, promised, by=engineer).state == "released"
    other = services.reserve(screws, yard.van, quantity=1, needed_on=timezone.localdate(), reference="fair", by=stores)
    with pytest.raises(Conflict, match="reserved for fair"):
        leave_unused(visit, other, by=engineer)
    moved = fit_part(visit, screws, quantity=2, by=engineer)
    back = take_back(visit, moved, by=engineer)
    assert (back.corrects, back.note) == (moved, "recorded by mistake")
    with pytest.raises(Conflict, match="corrected already"):
        take_back(visit, moved, by=engineer)
    with pytest.raises(Conflict, match="not a part fitted on the visit"):
        take_back(visit, Movement.objects.filter(kind="receive").order_by("-id")[0], by=engineer)


def test_cover_of_the_same_variant_keeps_the_settings(
    visit: Visit, kit: Kit, new: Serial, yard: Yard, engineer: User
) -> None:
    device = kit.devices[1]
    promise(new.item, yard, visit, 1, engineer)
    fitted = put_cover_on(visit, device, new, by=engineer)
    checked()
    assert (fitted.serial, fitted.settings, fitted.variant) == (new, GOOD, device.variant)
    new.refresh_from_db()
    old = Serial.objects.get(number="OLD")
    assert (new.location, old.location) == (yard.sites, yard.van)
    assert list(Movement.objects.order_by("-id").values_list("kind", "reference")[:2]) == [
        ("fit", f"visit {visit.pk}"), ("remove", f"visit {visit.pk}")
    ]
    assert Reservation.objects.get().state == "used"


def test_cover_elsewhere_or_for_another_site_is_refused(
    branch: Branch, visit: Visit, kit: Kit, new: Serial, yard: Yard, engineer: User, screws: Item
) -> None:
    in_store = piece(new.item, yard, "STORE")
    with pytest.raises(Conflict, match="is at Main store, not in Van 1"):
        put_cover_on(visit, kit.devices[1], in_store, by=engineer)
    far = site_with_cover(branch, yard, engineer, "FAR", batch="", like=kit)
    with pytest.raises(InvalidInput, match="is not at this visit's site"):
        put_cover_on(visit, far.devices[1], new, by=engineer)
    with pytest.raises(InvalidInput, match="tracked by serial number"):
        fit_part(visit, new.item, quantity=1, by=engineer)
    other = make.VariantFactory.create()
    wrong = piece(other.cover, yard, "WRONG", at=yard.van)
    with pytest.raises(InvalidInput, match=f"The cover {other.code} does not go on device N1"):
        put_cover_on(visit, kit.devices[1], wrong, by=engineer)
    checked()
    new.refresh_from_db()
    assert new.location == yard.van


def test_another_variant_that_fits_as_it_is_gets_settings_that_do_the_same(
    visit: Visit, kit: Kit, yard: Yard, engineer: User
) -> None:
    device, before = kit.devices[0], dict(kit.devices[0].settings)
    other = make.VariantFactory.create(family=device.variant.family)
    cover = piece(other.cover, yard, "OTHER", at=yard.van)
    assign(engineer, kit.site)
    fitted = put_cover_on(visit, device, cover, by=engineer)
    checked()
    assert (fitted.variant, fitted.serial, fitted.board) == (other, cover, device.board)
    assert fitted.settings == before


def test_accepted_swap_is_done_with_its_settings_and_board(
    visit: Visit, kit: Kit, yard: Yard, engineer: User
) -> None:
    device = kit.devices[1]
    better = make.VariantFactory.create(family=device.variant.family)
    board = make.BoardFactory.create(
        topology=device.board.topology, families=[device.variant.family], eol_ohm=4700, alarm_ohm=4700
    )
    receive(board.item, yard, 1, at=yard.van)
    cover = piece(better.cover, yard, "BETTER", at=yard.van)
    proposal = make.SwapProposalFactory(
        device=device, state="accepted", decided_at=timezone.now(),
        verdict=make.SwapVerdictFactory(variant=better, board=board, settings={"pir_range_m": 12}),
    )
    receive(device.board.item, yard, 1)
    services.post_movement(device.board.item, quantity=1, source=yard.store, destination=yard.sites, kind="fit",
                           by=engineer)
    for item in (better.cover, board.item):
        services.reserve(item, yard.van, quantity=1, needed_on=timezone.localdate(),
                         reference=f"proposal {proposal.pk}", by=engineer)
    assert [row.wanted for row in visit_parts(engineer, visit.pk).devices] == ["", better.code]
    fitted = put_cover_on(visit, device, cover, by=engineer)
    checked()
    assert (fitted.variant, fitted.board, fitted.settings["pir_range_m"]) == (better, board, 12)
    proposal.refresh_from_db()
    assert proposal.state == "done"
    assert set(Reservation.objects.values_list("state", flat=True)) == {"used"}


def test_page_shows_and_records(visit: Visit, screws: Item, new: Serial, kit: Kit, yard: Yard, engineer: User) -> None:
    promised = promise(screws, yard, visit, 4, engineer)
    client = logged_in(engineer)
    address = f"/work/visits/{visit.pk}/parts/"
    assert address in client.get(f"/work/visits/{visit.pk}/").content.decode()
    assert "in the van" in client.get(address).content.decode()
    values: dict[str, Any] = {"token": "a", "item": screws.pk, "quantity": 3}
    assert [client.post(f"{address}fit/", values).status_code for _ in range(2)] == [302, 302]
    assert Movement.objects.filter(reference=f"visit {visit.pk}").count() == 1
    over = client.post(f"{address}fit/", {**values, "token": "b", "quantity": 30})
    assert over.status_code == 409
    assert "30 pc cannot leave it" in over.content.decode()
    cover = {"token": "c", "serial": f"s-{new.pk}", "device": kit.devices[1].pk}
    assert [client.post(f"{address}cover/", cover).status_code for _ in range(2)] == [302, 302]
    unknown = client.post(f"{address}cover/", {**cover, "token": "d", "serial": "NOPE"})
    assert unknown.status_code == 400
    assert "There is no serial &#x27;NOPE&#x27; in the van." in unknown.content.decode()
    assert client.post(f"{address}unused/{promised.pk}/", {"token": "e"}).status_code == 302
    moved = Movement.objects.get(item=screws, kind="fit")
    assert client.post(f"{address}take-back/{moved.pk}/", {"token": "f"}).status_code == 302
    assert "taken back" in client.get(address).content.decode()


def test_only_the_engineer_of_the_visit(visit: Visit, screws: Item, branch: Branch, scheduler: User) -> None:
    other = make.EngineerFactory.create(user__branch=branch).user
    assert logged_in(other).get(f"/work/visits/{visit.pk}/parts/").status_code == 404
    assert logged_in(other).post(
        f"/work/visits/{visit.pk}/parts/fit/", {"token": "a", "item": screws.pk, "quantity": 1}
    ).status_code == 404
    assert logged_in(scheduler).get(f"/work/visits/{visit.pk}/parts/").status_code == 200
    assert logged_in(scheduler).post(f"/work/visits/{visit.pk}/parts/fit/", {}).status_code == 403


def test_parts_by_rest(visit: Visit, screws: Item, new: Serial, kit: Kit, engineer: User) -> None:
    client = api_client(engineer)
    for expected in (None, "true"):
        answer = client.post(f"/api/visit-parts/{visit.pk}/fit/", {"item": screws.pk, "quantity": 2}, format="json",
                             headers={"Idempotency-Key": "one"})
        assert answer.status_code == 201
        assert answer.headers.get("Idempotency-Replayed") == expected
    assert Movement.objects.filter(item=screws, kind="fit").count() == 1
    put = client.post(f"/api/visit-parts/{visit.pk}/cover/", {"serial": new.pk, "device": kit.devices[1].pk},
                      format="json", headers={"Idempotency-Key": "two"})
    assert put.json() == {"device": kit.devices[1].pk, "serial": new.pk}
    checked()


@pytest.mark.parametrize("rows", [1, 3])
def test_statements_do_not_grow(
    rows: int, branch: Branch, visit: Visit, kit: Kit, yard: Yard, engineer: User
) -> None:
    for number in range(rows):
        item = make.ItemFactory.create()
        receive(item, yard, 3, at=yard.van)
        promise(item, yard, visit, 1, engineer)
        fit_part(visit, item, quantity=1, by=engineer)
        piece(kit.devices[0].variant.cover, yard, f"V{number}", at=yard.van)
    with CaptureQueriesContext(connection) as seen:
        assert len(visit_parts(engineer, visit.pk).posted) == rows
    assert len(seen) == 9
