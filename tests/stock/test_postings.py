"""The single postings: quarantine, release, scrap, return, write-off, corrections and reservations by hand."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput, NotAllowed
from stock import services
from stock.models import Item, Location, Movement, Reservation, Serial
from stock.queries.postings import item_here, verbs_at
from stock.queries.quarantine import in_quarantine
from stock.services import quarantine
from stock.services.reservations import release_for, take_from_reservations
from tests.conftest import logged_in
from tests.stock.conftest import Places, balance, on_hand


@pytest.fixture
def aside(places: Places) -> Location:
    return make.LocationFactory.create(
        code="aside", name="Quarantine NB", kind=Location.Kind.QUARANTINE, branch=places.store.branch
    )


@pytest.fixture
def in_van(spare: Item, places: Places) -> Item:
    make.MovementFactory.create(item=spare, quantity=4, source=places.store, destination=places.van, kind="transfer")
    return spare


def token_in(page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', page)
    assert found is not None
    return found.group(1)


def send(user: User, address: str, **values: Any) -> Any:
    client = logged_in(user)
    return client.post(address, {"token": token_in(client.get(address).content.decode()), **values})


def test_what_may_be_posted_follows_from_place_and_person(
    places: Places, aside: Location, stores: User, engineer: User, scheduler: User
) -> None:
    def verbs(user: User, place: Location | None) -> list[str]:
        return [verb for verb, _label in verbs_at(user, place)]

    assert verbs(stores, places.store) == ["move", "quarantine", "return", "write-off"]
    assert verbs(stores, aside) == ["release", "scrap", "return", "write-off"]
    assert verbs(stores, places.sites) == []
    assert verbs(engineer, places.van) == ["back", "quarantine"]
    assert verbs(engineer, places.store) == []
    assert verbs(engineer, make.VanFactory.create(branch=places.store.branch)) == []
    assert verbs(scheduler, places.store) == []
    assert verbs(stores, None) == []


def test_engineer_sets_own_things_aside_and_stores_release_them(
    in_van: Item, places: Places, aside: Location, engineer: User, stores: User
) -> None:
    address = f"/stock/items/{in_van.pk}/quarantine/"
    answer = send(engineer, address, source=places.van.pk, destination=aside.pk, quantity=3, note="bent in the box")
    assert answer.headers["Location"] == f"/stock/items/{in_van.pk}/here/"
    assert (on_hand(in_van, places.van), on_hand(in_van, aside)) == (1, 3)
    (row,) = in_quarantine(stores)
    assert (row.sku, row.quantity, row.note, row.by) == ("SP-1", 3, "bent in the box", engineer.name)
    assert [verb for verb, _label in row.verbs] == ["release", "scrap", "return"]
    send(stores, f"/stock/items/{in_van.pk}/post/release/", source=aside.pk, destination=places.store.pk, quantity=2,
         note="springs back")
    send(stores, f"/stock/items/{in_van.pk}/post/scrap/", source=aside.pk, quantity=1, note="cracked")
    assert (on_hand(in_van, places.store), on_hand(in_van, aside), on_hand(in_van, places.scrap)) == (8, 0, 1)
    assert list(Movement.objects.order_by("-id").values_list("kind", flat=True)[:3]) == [
        "scrap", "release", "transfer"
    ]
    assert in_quarantine(stores) == []


def test_return_and_write_off(spare: Item, places: Places, stores: User) -> None:
    send(stores, f"/stock/items/{spare.pk}/post/return/", source=places.store.pk, supplier=places.firm.pk, quantity=2)
    send(stores, f"/stock/items/{spare.pk}/post/write-off/", source=places.store.pk, quantity=1, note="lost")
    assert on_hand(spare, places.store) == 7
    back, lost = Movement.objects.order_by("-id")[:2][::-1]
    assert (back.kind, back.destination) == ("return", places.supplier)
    assert (lost.kind, lost.destination, lost.note) == ("write-off", places.scrap, "lost")


def test_serial_needs_only_its_number_and_the_label_will_do(
    serial: Serial, places: Places, aside: Location, stores: User
) -> None:
    page = logged_in(stores).get(f"/stock/items/{serial.item_id}/quarantine/?serial={serial.pk}").content.decode()
    assert f'value="{serial.number}"' in page
    answer = send(stores, f"/stock/items/{serial.item_id}/quarantine/", serial=f"s-{serial.pk}",
                  destination=aside.pk, note="dead")
    assert answer.headers["Location"] == f"/stock/serials/{serial.pk}/"
    serial.refresh_from_db()
    assert serial.location == aside
    (row,) = in_quarantine(stores)
    assert (row.serial, row.note) == (serial.number, "dead")


def test_second_press_posts_nothing(spare: Item, places: Places, stores: User) -> None:
    client = logged_in(stores)
    address = f"/stock/items/{spare.pk}/post/write-off/"
    token = token_in(client.get(address).content.decode())
    values = {"token": token, "source": places.store.pk, "quantity": 1, "note": "lost"}
    assert [client.post(address, values).status_code for _ in range(2)] == [302, 302]
    assert on_hand(spare, places.store) == 9
    assert client.post(address, {**values, "quantity": 2}).status_code == 422


def test_refusals_stand_at_their_field(spare: Item, places: Places, aside: Location, stores: User) -> None:
    answer = send(stores, f"/stock/items/{spare.pk}/post/write-off/", source=places.store.pk, quantity=11, note="lost")
    assert answer.status_code == 409
    assert "10 pc of SP-1; 11 pc cannot leave it" in answer.content.decode()
    empty = send(stores, f"/stock/items/{spare.pk}/post/write-off/", source=places.store.pk, quantity=1)
    assert empty.status_code == 400
    assert "This field is required." in empty.content.decode()
    unknown = send(stores, f"/stock/items/{spare.pk}/post/write-off/", source=places.other_store.pk, quantity=1,
                   note="x")
    assert unknown.status_code == 400
    assert logged_in(stores).get(f"/stock/items/{spare.pk}/post/burn/").status_code == 404


def test_services_refuse_what_the_forms_do_not_offer(
    in_van: Item, places: Places, aside: Location, engineer: User, stores: User
) -> None:
    with pytest.raises(NotAllowed, match="not your van"):
        quarantine.put_in_quarantine(in_van, source=places.store, destination=aside, quantity=1, by=engineer, note="x")
    elsewhere = make.LocationFactory.create(kind="quarantine", branch=places.other_store.branch)
    with pytest.raises(InvalidInput, match="not a quarantine of the branch"):
        quarantine.put_in_quarantine(
            in_van, source=places.van, destination=elsewhere, quantity=1, by=engineer, note="x"
        )
    with pytest.raises(InvalidInput, match="Nothing says what is wrong"):
        quarantine.put_in_quarantine(in_van, source=places.van, destination=aside, quantity=1, by=engineer, note=" ")
    with pytest.raises(InvalidInput, match="starts from a quarantine"):
        quarantine.scrap(in_van, source=places.store, quantity=1, by=stores, note="x")
    with pytest.raises(InvalidInput, match="Nothing is released to"):
        quarantine.release_tested(in_van, source=aside, destination=places.scrap, quantity=1, by=stores, note="x")


def test_wrong_posting_is_taken_back_once_and_both_name_each_other(
    spare: Item, places: Places, stores: User, engineer: User
) -> None:
    wrong = quarantine.write_off(spare, source=places.store, quantity=2, by=stores, note="lost")
    client = logged_in(stores)
    page = client.get(f"/stock/movements/{wrong.pk}/").content.decode()
    answer = client.post(f"/stock/movements/{wrong.pk}/correct/", {"token": token_in(page), "note": "found again"})
    counter = Movement.objects.get(corrects=wrong)
    assert answer.headers["Location"] == f"/stock/movements/{counter.pk}/"
    assert on_hand(spare, places.store) == 10
    assert f"movement {wrong.pk}" in client.get(f"/stock/movements/{counter.pk}/").content.decode()
    then = client.get(f"/stock/movements/{wrong.pk}/").content.decode()
    assert f"movement {counter.pk}" in then
    assert "Take it back" not in then
    twice = client.post(f"/stock/movements/{wrong.pk}/correct/", {"token": "another", "note": "again"})
    assert twice.status_code == 409
    assert logged_in(engineer).post(f"/stock/movements/{wrong.pk}/correct/", {}).status_code == 403


def test_reservation_by_hand_and_its_release(spare: Item, places: Places, stores: User, scheduler: User) -> None:
    client = logged_in(stores)
    page = client.get(f"/stock/items/{spare.pk}/here/").content.decode()
    values = {"location": places.store.pk, "quantity": 4, "needed_on": "2026-12-01", "reference": "trade  fair"}
    reserve = re.search(r'action="/stock/items/\d+/reserve/">.*?name="token" value="([^"]+)"', page, re.DOTALL)
    assert reserve is not None
    for _ in range(2):
        client.post(f"/stock/items/{spare.pk}/reserve/", {"token": reserve.group(1), **values})
    promise = Reservation.objects.get()
    assert (promise.reference, promise.quantity, promise.needed_on) == ("trade fair", 4, date(2026, 12, 1))
    over = client.post(f"/stock/items/{spare.pk}/reserve/", {"token": "b", **values, "quantity": 7})
    assert over.status_code == 409
    assert "of which 4 are reserved" in over.content.decode()
    page = client.get(f"/stock/items/{spare.pk}/here/").content.decode()
    token = re.search(rf'value="([0-9a-f]+-{promise.pk})"', page)
    assert token is not None
    client.post(f"/stock/reservations/{promise.pk}/release/", {"token": token.group(1)})
    promise.refresh_from_db()
    assert promise.state == "released"
    assert "Reserve by hand" not in logged_in(scheduler).get(f"/stock/items/{spare.pk}/here/").content.decode()


def test_work_takes_its_promises_first(spare: Item, places: Places, stores: User) -> None:
    for quantity in (2, 3):
        services.reserve(spare, places.store, quantity=quantity, needed_on=date(2026, 12, 1), reference="visit 7",
                         by=stores)
    services.reserve(spare, places.store, quantity=1, needed_on=date(2026, 12, 1), reference="visit 8", by=stores)
    assert take_from_reservations(spare, places.store, references=["visit 7"], quantity=4) == 4
    assert balance(spare, places.store) == (10, 2, 0, 0)
    assert take_from_reservations(spare, places.store, references=["visit 7"], quantity=4) == 1
    assert balance(spare, places.store) == (10, 1, 0, 0)
    assert release_for("visit 8", by=stores) == 1
    assert release_for("visit 8", by=stores) == 0
    assert balance(spare, places.store) == (10, 0, 0, 0)
    assert sorted(Reservation.objects.values_list("reference", "state")) == [
        ("visit 7", "used"), ("visit 7", "used"), ("visit 8", "released")
    ]


def test_reserved_stock_is_not_set_aside_unseen(spare: Item, places: Places, aside: Location, stores: User) -> None:
    services.reserve(spare, places.store, quantity=8, needed_on=date(2026, 12, 1), reference="visit 7", by=stores)
    with pytest.raises(Conflict, match="of which 8 are reserved"):
        quarantine.put_in_quarantine(
            spare, source=places.store, destination=aside, quantity=3, by=stores, note="bent"
        )


@pytest.mark.parametrize("pieces", [1, 3])
def test_lists_take_a_fixed_number_of_statements(
    pieces: int, spare: Item, cover: Item, places: Places, aside: Location, stores: User
) -> None:
    boards = make.ItemFactory.create(tracking="batch")
    for number in range(pieces):
        made = make.SerialFactory.create(item=cover, number=f"Q{number}")
        make.MovementFactory.create(item=cover, source=places.supplier, destination=aside, serial=made)
        make.MovementFactory.create(item=boards, batch=f"B{number}", source=places.supplier, destination=aside)
        make.MovementFactory.create(source=places.supplier, destination=aside)
        services.reserve(spare, places.store, quantity=1, needed_on=date(2026, 12, 1), reference="x", by=stores)
    with CaptureQueriesContext(connection) as seen:
        assert len(in_quarantine(stores)) == 3 * pieces
    assert len(seen) == 4
    with CaptureQueriesContext(connection) as seen:
        assert len(item_here(stores, spare.pk).reservations) == pieces
    assert len(seen) == 8


def test_pages_open_for_each_who_may(
    spare: Item, serial: Serial, places: Places, aside: Location, stores: User, engineer: User, scheduler: User
) -> None:
    moved = Movement.objects.filter(serial=serial).get()
    for user in (stores, engineer, scheduler):
        client = logged_in(user)
        for address in ("/stock/quarantine/", f"/stock/places/{places.store.pk}/", f"/stock/serials/{serial.pk}/",
                        f"/stock/items/{spare.pk}/here/", f"/stock/movements/{moved.pk}/"):
            assert client.get(address).status_code == 200, address
        assert client.get(f"/stock/places/{places.other_store.pk}/").status_code == 404
        assert client.get("/stock/movements/999999/").status_code == 404
        assert client.get("/stock/serials/999999/").status_code == 404
    assert logged_in(scheduler).get(f"/stock/items/{spare.pk}/quarantine/").status_code == 403
    assert logged_in(engineer).get(f"/stock/items/{spare.pk}/post/scrap/").status_code == 403
