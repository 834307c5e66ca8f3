"""Recalls: where a batch is, the list of sites, putting stock aside, visits, closing."""

from __future__ import annotations

import csv
import io
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from config.accounts.models import Branch, User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from maintenance.models import Recall, RecallSite
from maintenance.queries.recalls import pieces_in_use, recall_detail, recall_page, whereabouts
from maintenance.services.recalls import (
    close_recall,
    join_visit,
    make_recall,
    put_stock_aside,
    refresh_sites,
    tick_off,
)
from maintenance.services.results import ResultEntry, record_results
from maintenance.services.visits import cancel_visit
from stock import services
from stock.models import BatchBalance, Item, Movement
from stock.services import quarantine
from tests.conftest import api_client, logged_in
from tests.installs.kit import Kit
from tests.maintenance.door_scene import next_monday, visit_of
from tests.maintenance.recall_scene import (
    Yard,
    board_on,
    piece,
    receive,
    site_with_cover,
    visit_today,
    yard_of,
)

BATCH = "B-17"


@pytest.fixture
def yard(branch: Branch, engineer: User) -> Yard:
    return yard_of(branch, engineer)


@pytest.fixture
def kit(branch: Branch, yard: Yard, engineer: User) -> Kit:
    """A site with a cover of the batch; one more piece in the store, one in the van, one scrapped."""
    kit = site_with_cover(branch, yard, engineer, "C1", batch=BATCH)
    cover = kit.devices[0].variant.cover
    piece(cover, yard, "C2", batch=BATCH)
    piece(cover, yard, "C3", batch=BATCH, at=yard.van)
    gone = piece(cover, yard, "C4", batch=BATCH, at=yard.aside)
    quarantine.scrap(cover, source=yard.aside, quantity=1, by=engineer, serial=gone, note="dead")
    piece(cover, yard, "C5", batch="B-18")
    return kit


@pytest.fixture
def cover(kit: Kit) -> Item:
    return kit.devices[0].variant.cover


def test_batch_of_serials_is_found_everywhere(kit: Kit, cover: Item, scheduler: User) -> None:
    found = whereabouts(scheduler, cover, BATCH)
    assert (found.sites, found.in_use, found.unnamed, found.gone, found.elsewhere) == (1, 1, 0, 1, 0)
    assert [(row.place, row.quantity, row.to_quarantine) for row in found.stock] == [
        ("Main store", 1, True), ("Van 1", 1, True)
    ]
    assert found.to_move == 2
    assert pieces_in_use(cover, "B-18") == {}
    assert not whereabouts(scheduler, cover, "B-99").known


def test_batch_by_quantity_follows_the_work_that_fitted_it(
    branch: Branch, yard: Yard, kit: Kit, engineer: User, scheduler: User
) -> None:
    board = make.ItemFactory.create(tracking="batch", kind="board")
    receive(board, yard, 20, batch="L1")
    first, second = visit_today(branch, engineer, kit), visit_today(branch, engineer, kit, hour=11)
    other = visit_of(branch, engineer, hour=13)
    board_on(first, board, yard, "L1", 3, engineer)
    board_on(second, board, yard, "L1", 1, engineer)
    board_on(other, board, yard, "L1", 2, engineer)
    services.post_movement(board, quantity=1, source=yard.sites, destination=yard.van, kind="remove", by=engineer,
                           batch="L1", reference=f"visit {second.pk}")
    services.post_movement(board, quantity=4, source=yard.store, destination=yard.sites, kind="fit", by=engineer,
                           batch="L1", reference=f"site {kit.site.reference}")
    services.post_movement(board, quantity=5, source=yard.store, destination=yard.sites, kind="fit", by=engineer,
                           batch="L1", reference="somewhere")
    assert pieces_in_use(board, "L1") == {kit.site.pk: 7, other.site_id: 2, None: 5}
    wrong = services.post_movement(board, quantity=2, source=yard.store, destination=yard.sites, kind="fit",
                                   by=engineer, batch="L1", reference=f"visit {other.pk}")
    services.correct_movement(wrong, by=engineer, note="other box")
    assert pieces_in_use(board, "L1") == {kit.site.pk: 7, other.site_id: 2, None: 5}
    # Whatever the references say, nothing is lost: the parts add up to what the ledger holds at sites.
    held = BatchBalance.objects.get(item=board, batch="L1", location=yard.sites)
    assert sum(pieces_in_use(board, "L1").values()) == held.on_hand == 14
    found = whereabouts(scheduler, board, "L1")
    assert (found.sites, found.in_use, found.unnamed, [row.quantity for row in found.stock]) == (2, 9, 5, [5, 1])


def test_accepted_swap_names_its_site(branch: Branch, yard: Yard, kit: Kit, engineer: User) -> None:
    board = make.ItemFactory.create(tracking="batch", kind="board")
    receive(board, yard, 2, batch="L1")
    proposal = make.SwapProposalFactory(
        device=kit.devices[0], verdict=make.SwapVerdictFactory(variant__family=kit.devices[0].variant.family)
    )
    services.post_movement(board, quantity=1, source=yard.store, destination=yard.sites, kind="fit", by=engineer,
                           batch="L1", reference=f"proposal {proposal.pk}")
    assert pieces_in_use(board, "L1") == {kit.site.pk: 1}


def test_recall_lists_every_site_once(branch: Branch, kit: Kit, cover: Item, yard: Yard, engineer: User,
                                      scheduler: User) -> None:
    recall = make_recall(cover, batch=BATCH, reason="The lens clouds.", by=scheduler)
    assert list(recall.sites.values_list("site__reference", "pieces", "done_at")) == [(kit.site.reference, 1, None)]
    with pytest.raises(Conflict, match="being recalled already"):
        make_recall(cover, batch=BATCH, reason="again", by=scheduler)
    second = site_with_cover(branch, yard, engineer, "C6", batch=BATCH, like=kit)
    assert refresh_sites(recall, by=scheduler) == 1
    assert refresh_sites(recall, by=scheduler) == 0
    assert set(recall.sites.values_list("site_id", flat=True)) == {kit.site.pk, second.site.pk}


def test_nothing_is_recalled_without_reason_or_pieces(cover: Item, scheduler: User) -> None:
    with pytest.raises(InvalidInput, match="needs a reason"):
        make_recall(cover, batch=BATCH, reason=" ", by=scheduler)
    with pytest.raises(InvalidInput, match="was ever received"):
        make_recall(cover, batch="B-99", reason="x", by=scheduler)
    with pytest.raises(InvalidInput, match="was ever received"):
        make_recall(cover, batch="", reason="x", by=scheduler)
    assert not Recall.objects.exists()


def test_stock_goes_into_quarantine_place_by_place(kit: Kit, cover: Item, yard: Yard, stores: User) -> None:
    recall = make_recall(cover, batch=BATCH, reason="The lens clouds.", by=stores)
    done = put_stock_aside(recall, by=stores)
    assert (done.moved, done.refused) == (2, [])
    assert set(cover.serials.filter(location=yard.aside).values_list("number", flat=True)) == {"C2", "C3"}
    last = Movement.objects.order_by("-id")[0]
    assert (last.reference, last.note) == (f"recall {recall.pk}", "Recall: The lens clouds.")
    assert put_stock_aside(recall, by=stores).moved == 0


def test_what_is_reserved_is_told_and_stops_no_other_place(
    kit: Kit, cover: Item, yard: Yard, stores: User
) -> None:
    services.reserve(cover, yard.store, quantity=2, needed_on=timezone.localdate(), reference="visit 3", by=stores)
    recall = make_recall(cover, batch=BATCH, reason="x", by=stores)
    done = put_stock_aside(recall, by=stores)
    assert done.moved == 1
    assert len(done.refused) == 1
    assert done.refused[0].startswith("Main store: Main store holds 2 pc")
    yard.aside.refresh_from_db()
    assert cover.serials.filter(location=yard.van).count() == 0


def test_batch_kept_by_quantity_is_put_aside(yard: Yard, stores: User) -> None:
    board = make.ItemFactory.create(tracking="batch")
    receive(board, yard, 5, batch="L1")
    receive(board, yard, 3, batch="L1", at=yard.van)
    receive(board, yard, 2, batch="L2")
    recall = make_recall(board, batch="L1", reason="x", by=stores)
    assert recall.sites.count() == 0
    assert put_stock_aside(recall, by=stores).moved == 8
    assert [(row.place, row.quantity, row.to_quarantine) for row in whereabouts(stores, board, "L1").stock] == [
        ("Quarantine", 8, False)
    ]


def test_visit_that_is_done_ticks_its_site_off(
    branch: Branch, kit: Kit, cover: Item, engineer: User, scheduler: User
) -> None:
    recall = make_recall(cover, batch=BATCH, reason="x", by=scheduler)
    line = recall.sites.get()
    visit = visit_today(branch, engineer, kit)
    with pytest.raises(Conflict, match="1 site is not done yet"):
        close_recall(recall, by=scheduler)
    join_visit(line, visit, by=scheduler)
    assert "Recall:" in logged_in(engineer).get(f"/work/visits/{visit.pk}/").content.decode()
    task = visit.tasks.get()
    record_results(visit, [ResultEntry(task.requirement_id, "not done")], by=engineer, done_on=timezone.localdate())
    line.refresh_from_db()
    assert line.done_at is not None
    closed = close_recall(recall, by=scheduler)
    assert closed.closed_at is not None
    with pytest.raises(Conflict, match="closed"):
        refresh_sites(recall, by=scheduler)
    assert make_recall(cover, batch=BATCH, reason="again", by=scheduler).pk != recall.pk


def test_only_a_coming_visit_to_the_site_is_joined(
    branch: Branch, kit: Kit, cover: Item, engineer: User, scheduler: User
) -> None:
    line = make_recall(cover, batch=BATCH, reason="x", by=scheduler).sites.get()
    with pytest.raises(InvalidInput, match="does not go to"):
        join_visit(line, visit_of(branch, engineer, hour=11), by=scheduler)
    visit = visit_today(branch, engineer, kit)
    visit = cancel_visit(visit, version=visit.version, reason="ill", by=scheduler)
    with pytest.raises(Conflict, match="aborted"):
        join_visit(line, visit, by=scheduler)
    tick_off(line, by=scheduler)
    with pytest.raises(Conflict, match="done already"):
        tick_off(line, by=scheduler)


def test_each_sees_the_sites_of_their_branch(
    branch: Branch, other_branch: Branch, kit: Kit, cover: Item, yard: Yard, engineer: User, scheduler: User,
    stores: User, stranger: User, service_manager: User,
) -> None:
    far = site_with_cover(other_branch, yard, engineer, "C7", batch=BATCH, like=kit)
    recall = make_recall(cover, batch=BATCH, reason="x", by=scheduler)

    def seen(user: User) -> tuple[list[str], int]:
        detail = recall_detail(user, recall.pk)
        return [row.reference for row in detail.sites.rows], detail.hidden

    assert seen(scheduler) == ([kit.site.reference], 1)
    assert seen(stores) == ([kit.site.reference], 1)
    assert seen(stranger) == ([far.site.reference], 1)
    assert seen(service_manager) == (sorted([kit.site.reference, far.site.reference]), 0)
    assert logged_in(engineer).get(f"/work/recalls/{recall.pk}/").status_code == 403
    page = logged_in(stores).get(f"/work/recalls/{recall.pk}/").content.decode()
    assert kit.site.reference in page
    assert kit.site.name not in page
    line = RecallSite.objects.get(site=far.site)
    assert logged_in(scheduler).post(f"/work/recalls/sites/{line.pk}/done/", {"token": "t"}).status_code == 404


def test_from_item_to_visited_site_on_the_pages(
    branch: Branch, kit: Kit, cover: Item, yard: Yard, engineer: User, scheduler: User, service_manager: User
) -> None:
    client = logged_in(service_manager)
    assert f"/work/recalls/new/{cover.pk}/?batch=B-17" in client.get(f"/stock/items/{cover.pk}/here/").content.decode()
    start = f"/work/recalls/new/{cover.pk}/"
    assert "batch B-17 is" in client.get(start, {"batch": BATCH}).content.decode()
    assert "ever received" in client.get(start, {"batch": "none"}).content.decode()
    values = {"batch": BATCH, "reason": "The lens clouds.", "token": "one"}
    answers = [client.post(start, values) for _ in range(2)]
    recall = Recall.objects.get()
    assert [answer.headers["Location"] for answer in answers] == [f"/work/recalls/{recall.pk}/"] * 2
    line = recall.sites.get()
    client.post(f"/work/recalls/{recall.pk}/put-aside/", {"token": "aside"})
    assert cover.serials.filter(location=yard.aside).count() == 2
    page = client.get(f"/work/recalls/{recall.pk}/").content.decode()
    assert f"/work/visits/plan/?site={kit.site.pk}&amp;recall={line.pk}" in page
    plan = f"/work/visits/plan/?site={kit.site.pk}&recall={line.pk}"
    assert f"Recall of {cover.sku} batch B-17: 1 pc. The lens clouds." in client.get(plan).content.decode()
    answer = client.post(plan, {
        "engineer": engineer.engineer.pk, "day": next_monday().isoformat(), "starts": "09:00", "ends": "10:00",
        "kind": "site", "note": "lens",
    })
    line.refresh_from_db()
    assert line.visit is not None
    assert answer.headers["Location"] == f"/work/visits/{line.visit_id}/"
    lines = b"".join(client.get(f"/work/recalls/{recall.pk}/sites.csv")).decode()  # type: ignore[arg-type]
    rows = list(csv.reader(io.StringIO(lines)))
    assert rows[1][:5] == [kit.site.reference, kit.site.name, kit.site.town, "1", "1"]
    assert rows[-1][0].startswith(f"# Recall {recall.pk}: {cover.sku} batch B-17; taken by")
    client.post(f"/work/recalls/sites/{line.pk}/done/", {"token": "tick"})
    assert client.post(f"/work/recalls/{recall.pk}/close/", {"token": "close"}).status_code == 302
    recall.refresh_from_db()
    assert recall.closed_at is not None
    assert "closed" in client.get("/work/recalls/").content.decode()


def test_coming_visit_is_joined_by_one_press(
    branch: Branch, kit: Kit, cover: Item, engineer: User, scheduler: User
) -> None:
    recall = make_recall(cover, batch=BATCH, reason="x", by=scheduler)
    line = recall.sites.get()
    visit = visit_today(branch, engineer, kit, day=timezone.localdate() + timedelta(days=3))
    client = logged_in(scheduler)
    assert f'name="visit" value="{visit.pk}"' in client.get(f"/work/recalls/{recall.pk}/").content.decode()
    for _ in range(2):
        assert client.post(
            f"/work/recalls/sites/{line.pk}/join/", {"token": "j", "visit": visit.pk}
        ).status_code == 302
    line.refresh_from_db()
    assert line.visit == visit


@pytest.mark.parametrize("rows", [1, 3])
def test_statements_do_not_grow(
    rows: int, branch: Branch, kit: Kit, cover: Item, yard: Yard, engineer: User, scheduler: User, stores: User
) -> None:
    for number in range(1, rows):
        more = site_with_cover(branch, yard, engineer, f"M{number}", batch=BATCH, like=kit)
        visit_today(branch, engineer, more, hour=9 + number)
        piece(cover, yard, f"S{number}", batch=BATCH, at=make.LocationFactory.create(branch=branch))
    with CaptureQueriesContext(connection) as seen:
        recall = make_recall(cover, batch=BATCH, reason="x", by=scheduler)
    # The three of the service between the ends of its transaction.
    assert len([query for query in seen if "POINT" not in query["sql"]]) == 3
    assert recall.sites.count() == rows
    with CaptureQueriesContext(connection) as seen:
        assert len(recall_detail(scheduler, recall.pk).sites.rows) == rows
    assert len(seen) == 9
    with CaptureQueriesContext(connection) as seen:
        whereabouts(scheduler, cover, BATCH)
    assert len(seen) == 5
    with CaptureQueriesContext(connection) as seen:
        recall_page(scheduler)
    assert len(seen) == 1
    for number in range(rows - 1):
        piece(cover, yard, f"T{number}", batch=BATCH, at=yard.van)
    with CaptureQueriesContext(connection) as seen:
        assert put_stock_aside(recall, by=stores).moved == 1 + 1 + 2 * (rows - 1)
    places = 2 + rows - 1
    # Recall, places, quarantine; for each place the pieces and one INSERT, however many pieces it holds.
    assert len([query for query in seen if "POINT" not in query["sql"]]) == 3 + 2 * places


def test_recalls_by_rest(kit: Kit, cover: Item, scheduler: User, engineer: User, stranger: User) -> None:
    recall = make_recall(cover, batch=BATCH, reason="The lens clouds.", by=scheduler)
    rows = api_client(scheduler).get("/api/recalls/").json()["results"]
    assert [(row["id"], row["batch"], row["sites"], row["done"]) for row in rows] == [(recall.pk, BATCH, 1, 0)]
    lines = api_client(scheduler).get("/api/recall-sites/", {"recall": recall.pk}).json()["results"]
    assert [(line["reference"], line["pieces"], line["done_at"]) for line in lines] == [(kit.site.reference, 1, None)]
    assert api_client(stranger).get("/api/recall-sites/").json()["results"] == []
    assert api_client(scheduler).get("/api/recall-sites/", {"done": "true"}).json()["results"] == []
    assert api_client(engineer).get("/api/recalls/").status_code == 403
