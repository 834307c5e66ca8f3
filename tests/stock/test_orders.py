"""Orders from proposal to placed: content, approval by a second person, papers, mail."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core import mail
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Role
from config.demo import factories as make
from config.errors import ChangedMeanwhile, Conflict, InvalidInput, NotAllowed
from stock.models import ExchangeRate, Item, Order, Supplier, SupplierItem
from stock.queries.orders import order_detail, order_page, worth_of
from stock.queries.suppliers import supplier_page
from stock.services import order_papers
from stock.services.orders import (
    LineAsked,
    approve_order,
    ask_approval,
    cancel_order,
    change_order,
    close_short,
    make_order,
    place_order,
    refuse_order,
    reopen_order,
)
from stock.services.receiving import receive_order_line
from tests.conftest import logged_in
from tests.stock.conftest import Places, balance
from tests.stock.order_scene import limit, placed, sells, step
from tests.stock.test_at_once import at_once
from tests.stock.test_services import refusal

TODAY = date(2026, 11, 25)


@pytest.fixture
def draft(spare: Item, cover: Item, places: Places, stores: User) -> Order:
    """Worth 6 x 2.50 + 2 x 40 = 95."""
    sells(places.firm, spare, "2.50")
    sells(places.firm, cover, "40")
    return make_order(supplier=places.firm, destination=places.store, lines={spare: 6, cover: 2}, by=stores)


def lines_of(order: Order) -> list[tuple[str, int, Any]]:
    return list(order.lines.order_by("item__sku").values_list("item__sku", "quantity", "unit_price"))


# Content


def test_an_order_takes_prices_currency_and_the_rate_of_the_day(spare: Item, places: Places, stores: User) -> None:
    places.firm.currency = "EUR"
    places.firm.save()
    sells(places.firm, spare, "2.50")
    act = lambda: make_order(supplier=places.firm, destination=places.store, lines={spare: 4}, by=stores)  # noqa: E731
    assert refusal(act, InvalidInput)[:2] == ("currency", "EUR")
    today = timezone.localdate()
    for days, rate in ((30, "0.80"), (0, "0.86"), (-1, "0.90")):
        ExchangeRate.objects.create(currency="EUR", valid_from=today - timedelta(days=days), rate=Decimal(rate))
    order = act()
    assert (order.currency, order.rate, lines_of(order)) == ("EUR", Decimal("0.86"), [("SP-1", 4, Decimal("2.5000"))])
    worth = worth_of(order, order.lines.all())
    assert (worth.total, worth.firms, worth.unpriced) == (Decimal("10.00"), Decimal("8.60"), 0)


def test_a_line_without_a_price_counts_what_is_known(spare: Item, cover: Item, places: Places, stores: User) -> None:
    """Worth never falls by leaving the price out."""
    make.MovementFactory.create(item=spare, quantity=10, source=places.supplier, destination=places.store, unit_cost=3)
    sells(places.firm, cover, "40")
    order = make_order(supplier=places.firm, destination=places.store, lines={spare: 6, cover: 2}, by=stores)
    order.lines.update(unit_price=None)
    other = make.ItemFactory.create()
    make.OrderLineFactory.create(order=order, item=other, quantity=5)
    worth = worth_of(order, order.lines.all())
    assert (worth.total, worth.firms, worth.unpriced, worth.unknown) == (Decimal(0), Decimal(98), 3, 1)


def test_a_draft_is_edited(draft: Order, spare: Item, cover: Item, stores: User) -> None:
    other = make.ItemFactory.create(sku="ZZ-1")
    changed = change_order(
        draft, lines=[LineAsked(spare, 8, Decimal("2.40")), LineAsked(other, 1)], note="By noon", expected_on=TODAY,
        version=1, by=stores,
    )
    assert lines_of(draft) == [("SP-1", 8, Decimal("2.4000")), ("ZZ-1", 1, None)]
    assert (changed.version, changed.note, changed.expected_on) == (2, "By noon", TODAY)
    again = change_order(
        draft, lines=[LineAsked(spare, 8, Decimal("2.40")), LineAsked(other, 1)], note="By noon", expected_on=TODAY,
        version=2, by=stores,
    )
    assert again.version == 2


def test_of_two_editors_the_second_is_told(draft: Order, spare: Item, stores: User) -> None:
    edit = {"note": "", "expected_on": None, "by": stores}
    change_order(draft, lines=[LineAsked(spare, 7)], version=1, **edit)
    with pytest.raises(ChangedMeanwhile) as caught:
        change_order(draft, lines=[LineAsked(spare, 9)], version=1, **edit)
    assert (caught.value.field, lines_of(draft)) == ("version", [("SP-1", 7, None)])


def test_a_draft_refuses_what_makes_no_sense(draft: Order, spare: Item, stores: User) -> None:
    def edit(*lines: LineAsked) -> Any:
        return lambda: change_order(draft, lines=lines, note="", expected_on=None, version=1, by=stores)

    assert refusal(edit(), InvalidInput)[0] == "lines"
    assert refusal(edit(LineAsked(spare, 1), LineAsked(spare, 2)), InvalidInput)[:2] == ("item", "SP-1")
    assert refusal(edit(LineAsked(spare, 0)), InvalidInput)[0] == "quantity"
    assert refusal(edit(LineAsked(spare, 1, Decimal(-1))), InvalidInput)[0] == "unit_price"
    place_order(draft, by=stores)
    assert refusal(edit(LineAsked(spare, 1)), Conflict)[0] == "order"


# Approval


def test_up_to_the_limit_it_may_be_placed_at_once(draft: Order, stores: User) -> None:
    limit("95.00")
    assert place_order(draft, by=stores).state == "placed"


def test_a_price_typed_low_does_not_get_round_an_approval(
    draft: Order, spare: Item, cover: Item, places: Places, stores: User
) -> None:
    """The draft's lines cost 95.00 at list prices; a dearer line counts as it is."""
    limit("94.99")
    draft.lines.update(unit_price=Decimal("0.01"))
    worth = worth_of(draft, draft.lines.all())
    assert (worth.judged, worth.firms < worth.judged) == (Decimal("95.00"), True)
    assert refusal(lambda: place_order(draft, by=stores), Conflict)[0] == "approval"
    draft.lines.update(unit_price=Decimal(100))
    assert worth_of(draft, draft.lines.all()).judged == worth_of(draft, draft.lines.all()).firms


def test_above_the_limit_another_person_approves(
    draft: Order, spare: Item, stores: User, service_manager: User, administrator: User
) -> None:
    limit("94.99")
    said = refusal(lambda: place_order(draft, by=stores), Conflict)
    assert said[0] == "approval"
    assert said[2] == (
        f"Order {draft.number} is worth 95.00 GBP; up to 94.99 GBP may be placed without an approval. "
        "Ask for its approval (Administrator, Service manager), or order less."
    )
    assert refusal(lambda: approve_order(draft, version=1, by=stores), NotAllowed)[0] == "role"
    ask_approval(draft, version=1, by=stores)
    assert refusal(lambda: ask_approval(draft, version=2, by=stores), Conflict)[0] == "order"
    approved = approve_order(draft, version=2, by=service_manager)
    assert (approved.state, approved.approved_by, balance(spare, draft.destination)[3]) == (
        "approved", service_manager, 0
    )
    assert place_order(draft, by=stores).state == "placed"
    assert balance(spare, draft.destination)[3] == 6


def test_whoever_made_it_does_not_approve_while_another_can(
    spare: Item, places: Places, service_manager: User, administrator: User
) -> None:
    order = make_order(supplier=places.firm, destination=places.store, lines={spare: 1}, by=service_manager)
    assert refusal(lambda: approve_order(order, version=1, by=service_manager), NotAllowed)[2].endswith(
        "Ask Administrator."
    )
    administrator.is_active = False
    administrator.save()
    assert approve_order(order, version=1, by=service_manager).state == "approved"


def test_whoever_asked_for_a_proposals_approval_does_not_give_it(
    spare: Item, places: Places, service_manager: User, administrator: User
) -> None:
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store, state="draft", proposed=True)
    make.OrderLineFactory.create(order=order, item=spare)
    ask_approval(order, version=1, by=service_manager)
    refusal(lambda: approve_order(order, version=2, by=service_manager), NotAllowed)
    assert approve_order(order, version=2, by=administrator).approved_by == administrator


def test_an_edit_of_an_approved_order_makes_it_a_draft_again(
    draft: Order, spare: Item, stores: User, service_manager: User
) -> None:
    limit("0")
    approve_order(draft, version=1, by=service_manager)
    edited = change_order(draft, lines=[LineAsked(spare, 7, Decimal(1))], note="", expected_on=None, version=2,
                          by=stores)
    assert (edited.state, edited.approved_by, edited.approved_at) == ("draft", None, None)
    refusal(lambda: place_order(draft, by=stores), Conflict)


def test_approval_is_for_what_was_read(draft: Order, spare: Item, stores: User, service_manager: User) -> None:
    change_order(draft, lines=[LineAsked(spare, 700)], note="", expected_on=None, version=1, by=stores)
    with pytest.raises(ChangedMeanwhile):
        approve_order(draft, version=1, by=service_manager)


def test_a_refusal_carries_its_reason(draft: Order, stores: User, service_manager: User) -> None:
    refusal(lambda: refuse_order(draft, reason="no", version=1, by=service_manager), Conflict)
    ask_approval(draft, version=1, by=stores)
    assert refusal(lambda: refuse_order(draft, reason=" ", version=2, by=service_manager), InvalidInput)[0] == "reason"
    refuse_order(draft, reason="Half will do", version=2, by=service_manager)
    draft.refresh_from_db()
    assert (draft.state, draft.refusal, draft.approval_asked_at) == ("draft", "Half will do", None)


# Giving up


def test_an_order_is_closed_short_and_opened_again(
    draft: Order, spare: Item, cover: Item, places: Places, stores: User
) -> None:
    place_order(draft, by=stores)
    refusal(lambda: close_short(draft, by=stores), Conflict)
    receive_order_line(draft.lines.get(item=spare), quantity=4, by=stores)
    assert close_short(draft, by=stores).state == "received"
    assert (balance(spare, places.store)[3], balance(cover, places.store)[3]) == (0, 0)
    assert [line.quantity for line in draft.lines.order_by("id")] == [6, 2]
    assert reopen_order(draft, by=stores).state == "placed"
    assert (balance(spare, places.store)[3], balance(cover, places.store)[3]) == (2, 2)


def test_reservations_ahead_keep_an_order_open(draft: Order, spare: Item, places: Places, stores: User) -> None:
    place_order(draft, by=stores)
    receive_order_line(draft.lines.get(item=spare), quantity=4, by=stores)
    make.ReservationFactory.create(item=spare, location=places.store, quantity=16, ahead=True)
    refusal(lambda: close_short(draft, by=stores), Conflict)
    refusal(lambda: cancel_order(draft, by=stores), Conflict)


# Papers


def test_the_table_is_read_by_a_spreadsheet_as_text(draft: Order, spare: Item, stores: User) -> None:
    spare.name = '=cmd|"x"!A1'
    spare.save()
    rows = list(csv.reader(io.StringIO(order_papers.order_csv(draft))))
    assert rows[0][0] == "order"
    assert rows[1] == [draft.number, "1", "", "SP-1", "'=cmd|\"x\"!A1", "6", "pc", "2.50", "15.00", "GBP", ""]


def test_the_paper_is_a_pdf(draft: Order, spare: Item, stores: User, tmp_path: Path) -> None:
    spare.name = "#panic() *bold* $x$"
    spare.save()
    made = order_papers.order_pdf(draft, by=stores, address="https://zonewright.example/stock/scan/o-1/")
    assert made.startswith(b"%PDF-1.7")


def test_an_order_is_mailed_once(draft: Order, places: Places, stores: User) -> None:
    refusal(lambda: order_papers.mail_order(draft, by=stores), Conflict)
    place_order(draft, by=stores)
    refusal(lambda: order_papers.mail_order(draft, by=stores), InvalidInput)
    places.firm.email = "orders@wholesaler.example"
    places.firm.save()
    sent = order_papers.mail_order(draft, by=stores)
    assert (sent.sent_to, sent.sent_at is None) == ("orders@wholesaler.example", False)
    refusal(lambda: order_papers.mail_order(draft, by=stores), Conflict)
    (message,) = mail.outbox
    assert (message.to, message.subject) == (["orders@wholesaler.example"], f"Order {draft.number}")
    ((name, content, kind),) = message.attachments
    assert (name, content[:8], kind) == (f"{draft.number}.pdf", b"%PDF-1.7", "application/pdf")


def test_a_mail_server_that_refuses_leaves_it_unsent(
    draft: Order, places: Places, stores: User, settings: Any
) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", 1
    places.firm.email = "orders@wholesaler.example"
    places.firm.save()
    place_order(draft, by=stores)
    assert refusal(lambda: order_papers.mail_order(draft, by=stores), order_papers.NotSent)[0] == "email"
    draft.refresh_from_db()
    assert (draft.state, draft.sent_at) == ("placed", None)


# Doors


def test_a_stale_page_shows_the_order_as_it_is_now(draft: Order, stores: User) -> None:
    client = logged_in(stores)
    answer = step(client, draft, "place", version=99)
    assert answer.status_code == 412
    assert "changed by somebody else" in answer.content.decode()


def test_a_wrong_value_in_a_draft_is_said_at_its_field(draft: Order, stores: User) -> None:
    client = logged_in(stores)
    first, second = draft.lines.order_by("id")
    body = {f"quantity-{first.pk}": "0", f"price-{first.pk}": "", f"quantity-{second.pk}": 2, "add_item": "NO-SUCH"}
    answer = step(client, draft, "edit", **body)
    assert answer.status_code == 400
    assert "There is no item &#x27;NO-SUCH&#x27;" in answer.content.decode()
    assert [line.quantity for line in draft.lines.order_by("id")] == [6, 2]


def test_an_order_by_hand_is_drafted_once(spare: Item, places: Places, stores: User) -> None:
    client = logged_in(stores)
    body = {"supplier": places.firm.pk, "destination": places.store.pk, "item": "sp-1", "quantity": 3, "token": "one"}
    for _ in range(2):
        assert client.post("/stock/orders/new/", body).status_code == 302
    assert lines_of(Order.objects.get()) == [("SP-1", 3, None)]
    assert client.get("/stock/orders/new/").status_code == 200


def test_other_branches_orders_are_not_there(draft: Order, stranger: User) -> None:
    stranger.role = Role.STORES
    stranger.save()
    client = logged_in(stranger)
    assert client.get(f"/stock/orders/{draft.pk}/").status_code == 404
    assert client.post(f"/stock/orders/{draft.pk}/place/").status_code == 404


def test_orders_are_read_by_all_who_see_stock_and_made_by_stores(draft: Order, engineer: User, stores: User) -> None:
    client = logged_in(engineer)
    page = client.get(f"/stock/orders/{draft.pk}/").content.decode()
    assert "Save the draft" not in page
    assert client.post(f"/stock/orders/{draft.pk}/place/").status_code == 403


def test_lists_take_a_fixed_number_of_statements(
    places: Places, stores: User, spare: Item, django_assert_num_queries: Any
) -> None:
    for count in (1, 3):
        while Order.objects.count() < count:
            order = make.OrderFactory.create(destination=places.store, supplier=make.SupplierFactory.create())
            make.OrderLineFactory.create(order=order, item=spare, unit_price=2)
            make.OrderLineFactory.create(order=order)
        with django_assert_num_queries(1):
            page = order_page(stores, today=TODAY)
        assert [(row.lines, row.total, row.words) for row in page.rows] == [
            (2, Decimal("20.00"), "Placed, 2 days late")
        ] * count
        with django_assert_num_queries(3):
            rows = supplier_page(stores, today=TODAY, zone="Europe/London").rows
        assert len(rows) == count + 1
        with django_assert_num_queries(10):
            detail = order_detail(stores, Order.objects.latest("id").pk, today=TODAY)
        assert len(detail.lines) == 2


def test_lead_times_are_days_from_order_to_delivery(spare: Item, places: Places, stores: User) -> None:
    order = placed(places, {spare: 10}, stores)
    ordered = timezone.localdate() - timedelta(days=6)
    Order.objects.filter(pk=order.pk).update(ordered_on=ordered, expected_on=ordered + timedelta(days=5))
    receive_order_line(order.lines.get(), quantity=4, by=stores)
    (row,) = supplier_page(stores, today=timezone.localdate(), zone="Europe/London").rows
    assert row.seen is not None
    assert (row.seen.orders, row.seen.deliveries, row.seen.mean_days, row.seen.late) == (1, 1, 6.0, 1)


def test_filters_of_the_list(draft: Order, stores: User) -> None:
    client = logged_in(stores)
    for query, shown in (("", True), ("state=draft", True), ("state=waiting", False),
                         ("state=open", True), ("state=proposed", False), ("state=late", False),
                         (f"supplier={draft.supplier_id}", True), (f"destination={draft.destination_id}", True)):
        assert (draft.number in client.get(f"/stock/orders/?{query}").content.decode()) is shown, query
    assert client.get("/stock/orders/?state=nonsense").status_code == 400


def test_suppliers_and_rates_on_their_pages(spare: Item, places: Places, stores: User) -> None:
    client = logged_in(stores)
    body = {"name": "Far & Co", "lead_time_days": 9, "currency": "eur", "email": "a@far.example", "token": "a"}
    assert client.post("/stock/suppliers/new/", body).status_code == 302
    assert client.post("/stock/suppliers/new/", body).status_code == 409
    made = Supplier.objects.get(name="Far & Co")
    assert (made.currency, made.location.kind, made.location.name) == ("EUR", "supplier", "Far & Co")
    sells(places.firm, spare, "2")
    terms = {"item": "SP-1", "unit_price": "1.8", "pack_size": 5, "minimum_order": 1, "preferred": "on", "token": "b"}
    assert client.post(f"/stock/suppliers/{made.pk}/items/new/", terms).status_code == 302
    assert dict(SupplierItem.objects.values_list("supplier__name", "preferred")) == {
        "Far & Co": True, "Wholesaler": False
    }
    sold = SupplierItem.objects.get(supplier=made)
    assert client.get(f"/stock/suppliers/{made.pk}/items/{sold.pk}/").status_code == 200
    assert client.post(f"/stock/suppliers/{made.pk}/", body | {"currency": "USD"}).status_code == 409
    assert client.get("/stock/exchange-rates/").content.decode().count("No rate for EUR today") == 1
    rate = {"currency": "EUR", "valid_from": "2026-01-01", "rate": "0.85", "token": "c"}
    assert client.post("/stock/exchange-rates/", rate).status_code == 302
    assert client.post("/stock/exchange-rates/", rate | {"currency": "GBP"}).status_code == 400
    assert client.post(f"/stock/suppliers/{made.pk}/items/{sold.pk}/drop/").status_code == 302
    assert client.get("/stock/suppliers/").status_code == 200




@pytest.mark.django_db(transaction=True)
def test_clicking_at_once_mails_once(draft: Order, places: Places, stores: User) -> None:
    places.firm.email = "orders@wholesaler.example"
    places.firm.save()
    place_order(draft, by=stores)
    answers = at_once([lambda: order_papers.mail_order(draft, by=stores)] * 8)
    assert sorted(type(answer).__name__ for answer in answers) == ["Conflict"] * 7 + ["Order"]
    assert len(mail.outbox) == 1
