"""What each verb does, and how it refuses: field, value and remedy in words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone

from config.accounts.models import User
from config.demo import factories as make
from config.errors import Conflict, InvalidInput, KeyReused, ZonewrightError
from installs.models import Device
from stock import services
from stock.models import Item, Location, Movement, Order, Reservation, Serial
from tests.stock.conftest import Places, balance, on_hand

TODAY = date(2026, 11, 25)


def refusal(act: Callable[[], Any], kind: type[ZonewrightError]) -> tuple[str, str, str]:
    """Field, value and whole text of the error that the act must raise."""
    with pytest.raises(kind) as caught, transaction.atomic():
        act()
    assert type(caught.value) is kind
    return caught.value.field, caught.value.value, str(caught.value)


def move(item: Item, places: Places, by: User, **changes: Any) -> Movement:
    usual = {"quantity": 1, "source": places.store, "destination": places.van, "kind": "transfer", "by": by}
    return services.record_movement(item, **usual | changes)


def test_post_movement_is_one_insert(
    spare: Item, places: Places, stores: User, django_assert_num_queries: Any
) -> None:
    # The two others are the savepoint and its release, because the test itself is a transaction.
    with django_assert_num_queries(3) as seen:
        made = move(spare, places, stores, quantity=4, reference="round 7")
    assert [q["sql"].split()[0] for q in seen.captured_queries] == ["SAVEPOINT", "INSERT", "RELEASE"]
    assert (made.quantity, made.posted_by, made.reference) == (4, stores, "round 7")
    assert (on_hand(spare, places.store), on_hand(spare, places.van)) == (6, 4)


def test_too_few_on_hand_says_how_many(spare: Item, places: Places, stores: User) -> None:
    assert refusal(lambda: move(spare, places, stores, quantity=11), Conflict) == (
        "quantity", "11",
        "Main store holds 10 pc of SP-1; 11 pc cannot leave it. "
        "Move no more than it holds, or first correct the count.",
    )


def test_reserved_stock_says_so(spare: Item, places: Places, stores: User) -> None:
    make.ReservationFactory.create(item=spare, location=places.store, quantity=8)
    assert refusal(lambda: move(spare, places, stores, quantity=3), Conflict) == (
        "quantity", "3",
        "Main store holds 10 pc of SP-1, of which 8 are reserved; 3 pc more cannot be taken or promised. "
        "Take no more than is available, or release a reservation first.",
    )


def test_serial_elsewhere_says_where(serial: Serial, places: Places, stores: User) -> None:
    move(serial.item, places, stores, serial=serial)
    assert refusal(lambda: move(serial.item, places, stores, serial=serial), Conflict) == (
        "serial", "A100",
        "Serial A100 is at Van 1, so it cannot leave Main store. "
        "Move it from where it is, or correct the movement that put it there.",
    )


@pytest.mark.parametrize(("changes", "field", "value"), [
    ({"quantity": 0}, "quantity", "0"),
    ({"quantity": -3}, "quantity", "-3"),
    ({"quantity": 1_000_001}, "quantity", "1000001"),
    ({"kind": "gift"}, "kind", "gift"),
    ({"kind": "correct"}, "kind", "correct"),
    ({"kind": "receive"}, "source", "Main store"),
    ({"kind": "scrap"}, "destination", "Van 1"),
    ({"kind": "count"}, "destination", "Van 1"),
    ({"at": timezone.now() + timedelta(days=400)}, "at", None),
])
def test_nonsense_is_refused_by_field(
    changes: dict[str, Any], field: str, value: str | None, spare: Item, places: Places, stores: User
) -> None:
    named, given, _ = refusal(lambda: move(spare, places, stores, **changes), InvalidInput)
    assert named == field
    assert value is None or given == value
    assert on_hand(spare, places.store) == 10


def test_movement_to_itself_and_missing_serial_or_batch(cover: Item, spare: Item, places: Places, stores: User) -> None:
    assert refusal(lambda: move(spare, places, stores, destination=places.store), InvalidInput)[:2] == (
        "destination", "Main store"
    )
    assert refusal(lambda: move(cover, places, stores), InvalidInput)[0] == "serial"
    batched = make.ItemFactory.create(tracking="batch")
    assert refusal(lambda: move(batched, places, stores), InvalidInput)[0] == "batch"


def test_serial_goes_to_a_site_only_with_its_device(serial: Serial, places: Places, stores: User) -> None:
    act = lambda: move(serial.item, places, stores, serial=serial, destination=places.sites, kind="fit")  # noqa: E731
    assert refusal(act, Conflict)[2] == (
        "Serial A100 would go to or come from a site without its device record. "
        "Fit or remove the device on its site's page; that posts the movement as well."
    )


def test_serial_is_fitted_with_its_device_and_comes_back(serial: Serial, places: Places, engineer: User) -> None:
    device = make.DeviceFactory.create(variant__cover=serial.item)
    fit = services.move_serial_to_site(serial, site_location=places.sites, by=engineer, reference="visit 3")
    Device.objects.filter(pk=device.pk).update(serial=serial)
    assert (fit.kind, fit.source, fit.destination) == ("fit", places.store, places.sites)
    assert refusal(lambda: services.correct_movement(fit, by=engineer, note="no"), Conflict)[0] == "serial"

    Device.objects.filter(pk=device.pk).update(removed_on=device.fitted_on)
    back = services.take_serial_from_site(serial, destination=places.van, by=engineer, reference="visit 4")
    assert (back.kind, back.source, back.destination) == ("remove", places.sites, places.van)
    assert refusal(
        lambda: services.take_serial_from_site(serial, destination=places.van, by=engineer), Conflict
    )[:2] == ("serial", "A100")


def test_serial_never_received_needs_a_source(cover: Item, places: Places, engineer: User) -> None:
    new = make.SerialFactory.create(item=cover, number="N1")
    act = lambda: services.move_serial_to_site(new, site_location=places.sites, by=engineer)  # noqa: E731
    assert refusal(act, Conflict)[2] == "Serial N1 has never been received. Receive it into a store or van first."
    device = make.DeviceFactory.create(variant__cover=cover)
    services.move_serial_to_site(new, site_location=places.sites, by=engineer, source=places.supplier)
    Device.objects.filter(pk=device.pk).update(serial=new)
    new.refresh_from_db()
    assert new.location == places.sites


def test_correction_takes_back_names_the_first_and_is_made_once(spare: Item, places: Places, stores: User) -> None:
    wrong = move(spare, places, stores, quantity=4)
    counter = services.correct_movement(wrong, by=stores, note=" typed 4 for 3 ")
    assert (counter.corrects, counter.source, counter.destination, counter.quantity, counter.note) == (
        wrong, places.van, places.store, 4, "typed 4 for 3"
    )
    assert (on_hand(spare, places.store), on_hand(spare, places.van)) == (10, 0)
    assert refusal(lambda: services.correct_movement(wrong, by=stores, note="again"), Conflict)[:2] == (
        "movement", str(wrong.pk)
    )
    assert refusal(lambda: services.correct_movement(counter, by=stores, note="no"), Conflict)[0] == "movement"
    assert refusal(lambda: services.correct_movement(wrong, by=stores, note="  "), InvalidInput)[0] == "note"


def test_correction_needs_the_goods(spare: Item, places: Places, stores: User) -> None:
    wrong = move(spare, places, stores, quantity=4)
    move(spare, places, stores, quantity=2, source=places.van, destination=places.store)
    assert refusal(lambda: services.correct_movement(wrong, by=stores, note="wrong"), Conflict)[:2] == ("quantity", "4")


@pytest.fixture
def order(spare: Item, cover: Item, places: Places, stores: User) -> Order:
    return services.make_order(
        supplier=places.firm, destination=places.store, lines={spare: 6, cover: 2}, by=stores
    )


def test_order_is_placed_received_in_parts_and_closed(
    order: Order, spare: Item, cover: Item, places: Places, stores: User
) -> None:
    assert (order.number, order.state, balance(spare, places.store)[3]) == (f"PO-{order.pk:05}", "draft", 0)
    placed = services.place_order(order, by=stores, ordered_on=TODAY)
    assert (placed.state, placed.expected_on) == ("placed", date(2026, 11, 30))  # 5 days' lead time
    assert balance(spare, places.store) == (10, 0, 0, 6)

    lines = {line.item_id: line for line in order.lines.select_related("item", "order")}
    (first,) = services.receive_order_line(lines[spare.pk], quantity=4, by=stores)
    assert (first.kind, first.reference, first.source) == ("receive", order.number, places.supplier)
    assert balance(spare, places.store) == (14, 0, 0, 2)
    assert refusal(
        lambda: services.receive_order_line(lines[spare.pk], quantity=3, by=stores), Conflict
    )[:2] == ("quantity", "3")
    assert balance(spare, places.store) == (14, 0, 0, 2)
    services.receive_order_line(lines[spare.pk], quantity=2, by=stores)

    made = services.receive_order_line(lines[cover.pk], quantity=2, by=stores, serial_numbers=[" S2", "S1"])
    assert [(m.quantity, m.serial.number) for m in made if m.serial] == [(1, "S1"), (1, "S2")]
    assert list(Serial.objects.filter(item=cover).order_by("number").values_list("number", "location__code")) == [
        ("S1", "store"), ("S2", "store")
    ]
    order.refresh_from_db()
    assert order.state == "received"
    assert refusal(lambda: services.receive_order_line(lines[spare.pk], quantity=1, by=stores), Conflict)[2] == (
        f"Order {order.number} is received and cannot be received. Read the order again."
    )


def test_correcting_a_receipt_opens_its_line_again(order: Order, spare: Item, places: Places, stores: User) -> None:
    order.lines.exclude(item=spare).delete()
    services.place_order(order, by=stores)
    line = order.lines.select_related("item", "order").get()
    services.reserve(spare, places.store, quantity=16, needed_on=TODAY, reference="proposal 4", by=stores, ahead=True)
    (receipt,) = services.receive_order_line(line, quantity=6, by=stores)
    services.correct_movement(receipt, by=stores, note="other branch's box")
    line.refresh_from_db()
    order.refresh_from_db()
    assert (line.received, order.state, balance(spare, places.store)) == (0, "placed", (10, 0, 16, 6))


@pytest.mark.parametrize("numbers", [[], ["S1"], ["S1", "S1"], ["S1", " "], ["S1", "S2", "S3"]])
def test_each_piece_received_has_its_own_number(
    numbers: list[str], order: Order, cover: Item, places: Places, stores: User
) -> None:
    services.place_order(order, by=stores)
    line = order.lines.get(item=cover)
    act = lambda: services.receive_order_line(line, quantity=2, by=stores, serial_numbers=numbers)  # noqa: E731
    assert refusal(act, InvalidInput)[0] == "serial_numbers"
    assert Serial.objects.count() == 0


def test_known_serial_is_not_received_again(order: Order, serial: Serial, stores: User) -> None:
    services.place_order(order, by=stores)
    line = order.lines.get(item=serial.item)
    act = lambda: services.receive_order_line(line, quantity=2, by=stores, serial_numbers=["A100", "S1"])  # noqa: E731
    assert refusal(act, Conflict)[:2] == ("serial_numbers", "A100, S1")
    assert list(Serial.objects.values_list("number", flat=True)) == ["A100"]


def test_orders_refuse_what_makes_no_sense(order: Order, spare: Item, places: Places, stores: User) -> None:
    assert refusal(
        lambda: services.place_order(order, by=stores, ordered_on=TODAY, expected_on=TODAY - timedelta(days=1)),
        InvalidInput,
    )[:2] == ("expected_on", "2026-11-24")
    services.place_order(order, by=stores)
    assert refusal(lambda: services.place_order(order, by=stores), Conflict)[0] == "order"
    assert refusal(
        lambda: services.make_order(supplier=places.firm, destination=places.scrap, lines={spare: 1}, by=stores),
        InvalidInput,
    )[:2] == ("destination", "Scrap")
    assert refusal(
        lambda: services.make_order(supplier=places.firm, destination=places.store, lines={}, by=stores), InvalidInput
    )[0] == "lines"
    assert refusal(
        lambda: services.make_order(
            supplier=places.firm, destination=places.store, lines={spare: 1}, by=stores, number=order.number
        ),
        Conflict,
    )[:2] == ("number", order.number)


def test_cancelling_gives_up_what_is_open_unless_promised(
    order: Order, spare: Item, places: Places, stores: User
) -> None:
    services.place_order(order, by=stores)
    made = services.reserve(
        spare, places.store, quantity=12, needed_on=TODAY, reference="proposal 4", by=stores, ahead=True
    )
    assert refusal(lambda: services.cancel_order(order, by=stores), Conflict)[2] == (
        "Main store holds 10 pc of SP-1 and has 6 on order; 12 of these are promised already, so 6 more cannot be "
        "taken, promised or cancelled. Order more, or release a reservation first."
    )
    services.release_reservation(made, by=stores)
    assert services.cancel_order(order, by=stores).state == "cancelled"
    assert balance(spare, places.store) == (10, 0, 0, 0)
    assert refusal(lambda: services.cancel_order(order, by=stores), Conflict)[0] == "order"


def test_reservation_is_used_with_its_movement(spare: Item, places: Places, stores: User) -> None:
    made = services.reserve(spare, places.store, quantity=3, needed_on=TODAY, reference="visit 9", by=stores)
    (moved,) = services.use_reservation(made, destination=places.sites, by=stores)
    assert (moved.kind, moved.quantity, moved.reference) == ("fit", 3, "visit 9")
    assert balance(spare, places.store) == (7, 0, 0, 0)
    assert (made.state, Reservation.objects.get().state) == ("used", "used")
    assert refusal(lambda: services.release_reservation(made, by=stores), Conflict)[2] == (
        "The reservation for visit 9 is no longer open: it was used. Read the list again."
    )


def test_reservation_of_serials_names_them_all(serial: Serial, places: Places, stores: User) -> None:
    made = services.reserve(serial.item, places.store, quantity=1, needed_on=TODAY, reference="visit 9", by=stores)
    assert refusal(lambda: services.use_reservation(made, destination=places.van, by=stores), InvalidInput)[:2] == (
        "serials", "0"
    )
    (moved,) = services.use_reservation(made, destination=places.van, by=stores, serials=[serial])
    assert (moved.kind, moved.serial) == ("transfer", serial)


def test_reservation_ahead_cannot_be_used_before_the_goods_are_in(
    order: Order, spare: Item, places: Places, stores: User
) -> None:
    services.place_order(order, by=stores)
    made = services.reserve(
        spare, places.store, quantity=12, needed_on=TODAY, reference="visit 9", by=stores, ahead=True
    )
    act = lambda: services.use_reservation(made, destination=places.van, by=stores)  # noqa: E731
    assert refusal(act, Conflict)[:2] == ("quantity", "12")
    assert Reservation.objects.get().state == "open"
    assert balance(spare, places.store) == (10, 0, 12, 6)


def test_nothing_is_reserved_outside_or_beyond(spare: Item, places: Places, stores: User) -> None:
    def promise(location: Location, quantity: int) -> Callable[[], Any]:
        return lambda: services.reserve(
            spare, location, quantity=quantity, needed_on=TODAY, reference="visit 9", by=stores
        )

    assert refusal(promise(places.supplier, 1), InvalidInput)[:2] == ("location", "Wholesaler")
    assert refusal(promise(places.store, 0), InvalidInput)[:2] == ("quantity", "0")
    assert refusal(promise(places.store, 11), Conflict)[:2] == ("quantity", "11")


def test_form_token_posts_once_and_belongs_to_its_content(spare: Item, places: Places, stores: User) -> None:
    def send(quantity: int) -> tuple[Movement, bool]:
        return services.post_once(
            lambda: move(spare, places, stores, quantity=quantity), by=stores, token="t", content={"quantity": quantity}
        )

    assert refusal(lambda: send(11), Conflict)[0] == "quantity"  # a refusal keeps the token fresh
    first, fresh = send(2)
    again, repeated = send(2)
    assert (fresh, repeated, again) == (True, False, first)
    assert refusal(lambda: send(3), KeyReused)[:2] == ("token", "t")
    assert on_hand(spare, places.van) == 2


def test_levels_are_set_once_and_changed(spare: Item, places: Places, stores: User) -> None:
    level = services.make_stock_level(spare, places.van, minimum=2, target=6, by=stores)
    assert services.set_stock_level(level, minimum=3, target=8, by=stores).target == 8
    for act, kind, field in (
        (lambda: services.make_stock_level(spare, places.van, minimum=1, target=2, by=stores), Conflict, "location"),
        (
            lambda: services.make_stock_level(spare, places.scrap, minimum=1, target=2, by=stores),
            InvalidInput,
            "location",
        ),
        (lambda: services.set_stock_level(level, minimum=9, target=8, by=stores), InvalidInput, "minimum"),
    ):
        assert refusal(act, kind)[0] == field


def test_variant_keeps_a_schema_its_factory_settings_fit(stores: User) -> None:
    variant = make.VariantFactory.create()
    for changes, field in (
        ({"settings_schema": {"type": "no such type"}}, "settings_schema"),
        ({"factory_settings": {"pir_range_m": 40}}, "factory_settings"),
        ({"successor": variant}, "successor"),
        ({"supply_min_v": 20}, "supply_min_v"),
        ({"quiescent_ma": 99}, "quiescent_ma"),
        ({"anti_mask": True}, "outputs"),
    ):
        act = lambda changes=changes: services.change_entry(  # noqa: E731
            type(variant).objects.get(pk=variant.pk), changes=changes, by=stores
        )
        assert refusal(act, InvalidInput)[0] == field


def test_items_keep_their_tracking_and_their_own_stock_number(spare: Item, cover: Item, stores: User) -> None:
    for changes, field in (({"tracking": "serial"}, "tracking"), ({"sku": "CV-1"}, "sku")):
        act = lambda changes=changes: services.change_entry(  # noqa: E731
            Item.objects.get(pk=spare.pk), changes=changes, by=stores
        )
        assert refusal(act, Conflict)[0] == field
