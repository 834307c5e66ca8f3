"""Tables of the stores taken in: looked over first, nothing half-done, bad rows named, and the way out and back."""

from __future__ import annotations

import io
from datetime import date
from decimal import Decimal
from typing import Any

import openpyxl
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.accounts.models import User
from config.celery import app
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from stock.models import (
    BinPlace,
    Item,
    Location,
    PastDemand,
    StockLevel,
    Supplier,
    SupplierItem,
    TableImport,
    Variant,
)
from stock.services import exports
from stock.services.import_subjects import judge_bins, judge_demand, judge_items, judge_levels, judge_suppliers
from stock.services.table_imports import cancel_import, confirm_import, run_again, start_import, take_in
from tests.stock.conftest import Places

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests do the worker's part themselves, when they mean to."""
    monkeypatch.setattr(app, "send_task", lambda *_args, **_kwargs: None)


def sent(subject: str, *lines: str, by: User) -> TableImport:
    return start_import(subject, "table.csv", "\n".join(lines).encode(), by=by)


def outcome(found: TableImport) -> tuple[str, int, int, int, int]:
    take_in(found.pk)
    found.refresh_from_db()
    return found.state, found.added, found.changed, found.unchanged, found.bad


def said(found: TableImport) -> list[tuple[int, str, str]]:
    return [(problem["row"], problem["column"], problem["problem"]) for problem in found.problems]


def test_levels_are_looked_over_then_taken_in(places: Places, spare: Item, stores: User) -> None:
    made = sent("levels", "Stock number;Location;Minimum;Target", "SP-1;store;3;9", by=stores)
    assert outcome(made) == ("checked", 1, 0, 0, 0)
    assert made.preview == [{"row": 2, "label": "SP-1 at store", "new": True,
                             "fields": [["minimum", "", "3"], ["target", "", "9"], ["by hand", "", "yes"]]}]
    assert StockLevel.objects.count() == 0
    confirm_import(made, take_good_rows=False)
    assert outcome(made) == ("done", 1, 0, 0, 0)
    assert list(StockLevel.objects.values_list("item__sku", "location__code", "minimum", "target")) == [
        ("SP-1", "store", 3, 9)
    ]
    made.refresh_from_db()
    assert bytes(made.content) == b""

    again = sent("levels", "stock number,location,minimum,target", "SP-1,store,3,10", by=stores)
    assert outcome(again) == ("checked", 0, 1, 0, 0)
    assert again.preview[0]["fields"] == [["target", "9", "10"]]


def test_every_bad_row_is_named_and_nothing_is_kept(places: Places, spare: Item, stores: User) -> None:
    made = sent(
        "levels", "stock number,location,minimum,target", "SP-1,store,3,9", "SP-9,store,1,2", "SP-1,other,1,2",
        "SP-1,van,5,2", "SP-1,store,1,2", ",,,", "SP-1,van,x,2", by=stores,
    )
    assert outcome(made) == ("checked", 1, 0, 0, 5)
    assert said(made) == [
        (8, "minimum", "is not a number"),
        (6, "stock number", "stands in row 2 already"),
        (3, "stock number", "there is no such item"),
        (4, "location", "there is no such place"),
        (5, "minimum", "is above the target 2"),
    ]
    with pytest.raises(Conflict) as refused:
        confirm_import(made, take_good_rows=False)
    assert (refused.value.field, refused.value.message) == ("take_good_rows", "5 of its rows or columns are bad.")
    assert StockLevel.objects.count() == 0
    confirm_import(made, take_good_rows=True)
    assert outcome(made) == ("done", 1, 0, 0, 5)
    assert StockLevel.objects.count() == 1


def test_a_missing_column_or_another_file_is_refused_at_once(places: Places, stores: User) -> None:
    made = sent("bins", "stock number,shelf", "SP-1,A", by=stores)
    assert outcome(made)[0] == "refused"
    assert said(made) == [
        (1, "location", "the column is missing"), (1, "bin", "the column is missing"),
        (1, "shelf", "is no column that an import knows"),
    ]
    noise = start_import("bins", "x.xlsx", b"PK\x03\x04nonsense", by=stores)
    assert outcome(noise)[0] == "refused"
    assert said(noise) == [(1, "file", "The workbook cannot be read.")]


def test_who_may_take_in_what(places: Places, stores: User, engineer: User, scheduler: User) -> None:
    for person in (engineer, scheduler):
        with pytest.raises(InvalidInput):
            start_import("levels", "a.csv", b"x", by=person)
    with pytest.raises(InvalidInput) as refused:
        start_import("shelves", "a.csv", b"x", by=stores)
    assert (refused.value.field, refused.value.value) == ("subject", "shelves")
    with pytest.raises(InvalidInput):
        start_import("levels", "a.csv", b"", by=stores)


def test_items_new_and_changed(places: Places, spare: Item, stores: User) -> None:
    make.FamilyFactory.create(code="ml", name="Millrace")
    make.MovementFactory.create(item=spare, source=places.supplier, destination=places.store)
    made = sent(
        "items", "sku,name,kind,family,tracking,unit", "SP-1,Tamper spring,,,,", "SP-2,Clip,spare,ML,batch,pc",
        "SP-3,Nameless,,,,", "SP-1b,Odd,spare,none,,", by=stores,
    )
    assert outcome(made) == ("checked", 1, 0, 1, 2)
    assert said(made) == [(4, "kind", "is needed for a new item"), (5, "family", "there is no such family")]
    moved = sent("items", "sku,tracking", "SP-1,serial", by=stores)
    assert outcome(moved)[0] == "refused"
    assert said(moved) == [(2, "tracking", "cannot change: the item has movements")]
    confirm_import(made, take_good_rows=True)
    assert outcome(made) == ("done", 1, 0, 1, 2)
    item = Item.objects.get(sku="SP-2")
    assert (item.name, item.kind, item.family and item.family.code, item.tracking) == ("Clip", "spare", "ml", "batch")


def test_suppliers_prices_and_who_is_preferred(places: Places, spare: Item, stores: User) -> None:
    SupplierItem.objects.create(supplier=places.firm, item=spare, unit_price=2, preferred=True)
    made = sent(
        "suppliers", "supplier,stock number,unit price,currency,preferred,pack size,e-mail",
        'Quarry Supplies,SP-1,"1,85",eur,yes,10,sales@quarry.example', "Quarry Supplies,,,,,,",
        "Wholesaler,SP-1,2.05,,,,", by=stores,
    )
    assert outcome(made) == ("checked", 2, 1, 1, 0)
    assert not Supplier.objects.filter(name="Quarry Supplies").exists()
    assert not Location.objects.filter(code="quarry-supplies").exists()
    confirm_import(made, take_good_rows=False)
    assert outcome(made) == ("done", 2, 1, 1, 0)
    supplier = Supplier.objects.get(name="Quarry Supplies")
    assert (supplier.currency, supplier.email, supplier.location.kind) == ("EUR", "sales@quarry.example", "supplier")
    assert sorted(SupplierItem.objects.values_list("supplier__name", "unit_price", "preferred", "pack_size")) == [
        ("Quarry Supplies", Decimal("1.85"), True, 10), ("Wholesaler", Decimal("2.05"), False, 1)
    ]


def test_two_preferred_suppliers_of_one_file_are_told_apart(places: Places, spare: Item, stores: User) -> None:
    made = sent(
        "suppliers", "supplier,stock number,unit price,preferred", "Alder Ltd,SP-1,2,yes", "Birch Ltd,SP-1,3,yes",
        by=stores,
    )
    assert outcome(made)[0] == "checked"
    assert said(made) in (
        [], [(3, "", "another supplier of the file is preferred for this item")]
    )


def test_a_variant_must_hold_together(places: Places, stores: User) -> None:
    variant = make.VariantFactory.create(code="V1")
    made = sent("variants", "variant,supply min,name", "V1,99,Other name", "V9,9,New one", by=stores)
    assert outcome(made)[0] == "refused"
    assert {(row, column) for row, column, _ in said(made)} >= {(3, "cover"), (3, "settings schema")}
    assert any(row == 2 for row, _, _ in said(made))
    good = sent("variants", "variant,name,outputs", "V1,Other name,alarm tamper", by=stores)
    assert outcome(good) == ("checked", 0, 1, 0, 0)
    confirm_import(good, take_good_rows=False)
    outcome(good)
    variant.refresh_from_db()
    assert (variant.name, variant.outputs) == ("Other name", ["alarm", "tamper"])


def test_past_demand_of_any_day_of_a_week(places: Places, spare: Item, stores: User) -> None:
    made = sent("demand", "stock number,location,week,quantity", "SP-1,store,2025-03-12,4", "SP-1,store,2025-03-14,5",
                by=stores)
    assert outcome(made) == ("checked", 1, 0, 0, 1)
    confirm_import(made, take_good_rows=True)
    outcome(made)
    assert list(PastDemand.objects.values_list("week", "quantity")) == [(date(2025, 3, 10), 4)]


def test_given_up_and_looked_over_again(places: Places, spare: Item, stores: User) -> None:
    made = sent("bins", "stock number,location,bin", "SP-1,store,A-1", by=stores)
    outcome(made)
    cancel_import(made)
    made.refresh_from_db()
    assert (made.state, bytes(made.content)) == ("cancelled", b"")
    with pytest.raises(Conflict):
        run_again(made)
    with pytest.raises(Conflict):
        confirm_import(made, take_good_rows=True)
    waiting = sent("bins", "stock number,location,bin", "SP-1,store,A-1", by=stores)
    cancel_import(waiting)
    assert outcome(waiting)[0] == "cancelled"
    run_again(waiting)
    assert outcome(waiting)[0] == "checked"
    assert take_in(waiting.pk) == "checked"
    assert BinPlace.objects.count() == 0


def test_what_changed_since_it_was_looked_over_is_judged_again(places: Places, stores: User) -> None:
    item = make.ItemFactory.create(sku="SP-7")
    made = sent("items", "sku,tracking", "SP-7,batch", by=stores)
    assert outcome(made)[0] == "checked"
    make.MovementFactory.create(item=item, source=places.supplier, destination=places.store)
    confirm_import(made, take_good_rows=False)
    assert outcome(made)[0] == "refused"
    assert said(made) == [(2, "tracking", "cannot change: the item has movements")]


@pytest.mark.parametrize(("judge", "statements"), [
    (judge_levels, 3), (judge_bins, 3), (judge_demand, 3), (judge_items, 1), (judge_suppliers, 3),
])
def test_judging_takes_as_many_statements_for_three_rows_as_for_one(
    judge: Any, statements: int, places: Places, stores: User
) -> None:
    for count in (1, 3):
        rows = []
        for number in range(count):
            item = make.ItemFactory.create()
            rows.append((number + 2, {
                "stock number": item.sku, "location": "store", "minimum": 1, "target": 2, "bin": "A",
                "week": date(2025, 3, 10), "quantity": 1, "name": "x", "kind": "spare", "supplier": "Wholesaler",
                "unit price": Decimal(1),
            }))
        with CaptureQueriesContext(connection) as captured:
            changes, problems = judge(rows, stores)
        assert (len({change.row for change in changes}), problems) == (count, [])
        assert len(captured) == statements


def _as_files(user: User, subject: str, form: str) -> bytes:
    made = exports.start_export(subject, {}, form, by=user)
    assert exports.write_export(made.pk) == "done"
    made.refresh_from_db()
    return bytes(made.content)


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_what_is_taken_out_can_be_taken_in_again_and_changes_nothing(
    form: str, places: Places, spare: Item, stores: User
) -> None:
    make.VariantFactory.create(code="V1", name="=Odd name")
    StockLevel.objects.create(item=spare, location=places.store, minimum=1, target=4)
    BinPlace.objects.create(item=spare, location=places.store, code="-A 1")
    PastDemand.objects.create(item=spare, location=places.store, week=date(2025, 3, 10), quantity=7)
    Supplier.objects.filter(pk=places.firm.pk).update(address="1 Mill Lane\nNorthbeck", email="a@wholesale.example")
    SupplierItem.objects.create(supplier=places.firm, item=spare, unit_price=Decimal("2.5"), supplier_code="+12")
    pairs = {"items": "items", "variants": "variants", "minimums": "levels", "suppliers": "suppliers", "bins": "bins",
             "demand": "demand"}
    for subject, back in pairs.items():
        made = start_import(back, f"{subject}.{form}", _as_files(stores, subject, form), by=stores)
        found = outcome(made)
        assert (subject, found[0], found[1], found[2], found[4]) == (subject, "checked", 0, 0, 0), made.problems
        assert found[3] > 0
    assert Variant.objects.get().name == "=Odd name"


def test_an_export_says_who_took_it(places: Places, spare: Item, stores: User) -> None:
    book = openpyxl.load_workbook(io.BytesIO(_as_files(stores, "levels", "xlsx")))
    rows = list(book.active.iter_rows(values_only=True))
    assert rows[0][:2] == ("stock number", "name")
    assert rows[1][:6] == ("SP-1", "Tamper spring", "spare", None, "Main store", 10)
    assert str(rows[2][0]).startswith("# Export ")
    assert f"taken by {stores.name} on " in str(rows[2][0])
