"""Labels: what can be labelled, the sheet, and that the code on paper opens the thing."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from config.accounts.models import User
from config.demo import factories as make
from stock.models import BinPlace, Item, Serial
from stock.pages.labels import qr_svg
from stock.queries.labels import labels_for, labels_of
from stock.rules.codes import read_code
from stock.rules.errors import RuleError
from stock.rules.label_sheets import SHEETS, pages, sheet_of
from tests.conftest import logged_in
from tests.stock.conftest import Places


@given(count=st.integers(0, 200), sheet=st.sampled_from(SHEETS), data=st.data())
def test_every_label_is_printed_once_from_the_first_free_place(count: int, sheet: object, data: st.DataObject) -> None:
    first = data.draw(st.integers(1, sheet.places))  # type: ignore[attr-defined]
    made = pages(count, sheet, first=first)  # type: ignore[arg-type]
    places = [index for page in made for index in page]
    assert [index for index in places if index is not None] == list(range(count))
    if count:
        assert places[: first - 1] == [None] * (first - 1)
        assert places[first - 1] == 0
    assert all(len(page) == sheet.places for page in made)  # type: ignore[attr-defined]


def test_sheets_lie_on_a4() -> None:
    for sheet in SHEETS:
        assert sheet.left_mm + sheet.across * sheet.width_mm <= 210.5
        assert sheet.top_mm + sheet.down * sheet.height_mm <= 297.5
    with pytest.raises(RuleError, match="no such sheet"):
        sheet_of("7")
    with pytest.raises(RuleError, match="no such place"):
        pages(1, SHEETS[0], first=25)


def test_labels_of_a_place_are_its_own_its_items_and_its_serials(
    spare: Item, serial: Serial, places: Places, stores: User
) -> None:
    BinPlace.objects.create(location=places.store, item=spare, code="A-03-2")
    found = labels_for(stores, location=places.store.pk)
    assert [(label.kind, label.title) for label in found] == [
        ("location", "Main store"), ("item", "SP-1"), ("item", "CV-1"), ("serial", "A100")
    ]
    assert found[1].lines == ("Tamper spring", "Main store, bin A-03-2")
    assert found[3].lines == ("CV-1", "Cover of a detector")
    assert labels_of(stores, [label.code for label in found[::-1]]) == [
        found[0], *labels_for(stores, item=spare.pk), *labels_for(stores, item=serial.item_id)
    ]


def test_labels_of_a_receipt_are_what_came(cover: Item, places: Places, stores: User) -> None:
    order = make.OrderFactory.create(supplier=places.firm, destination=places.store, number="PO-7")
    for number in ("N1", "N2"):
        made = make.SerialFactory.create(item=cover, number=number)
        make.MovementFactory.create(item=cover, serial=made, source=places.supplier, destination=places.store,
                                    reference="PO-7")
    assert [label.title for label in labels_for(stores, order=order.pk)] == ["CV-1", "N1", "N2"]


def test_other_branches_things_get_no_labels(places: Places, stores: User) -> None:
    assert labels_for(stores, location=places.other_store.pk) == []
    assert labels_of(stores, [f"l-{places.other_store.pk}", "nonsense", "o-1"]) == []


def test_pdf_of_the_ticked_labels(spare: Item, places: Places, stores: User) -> None:
    client = logged_in(stores)
    page = client.get(f"/stock/labels/?location={places.store.pk}").content.decode()
    assert "2 labels" in page
    values = {"offered": [f"i-{spare.pk}", f"l-{places.store.pk}"], "pick": [f"i-{spare.pk}"], "copies": 20,
              "sheet": "24", "first": 8}
    answer = client.post("/stock/labels/print/", values)
    assert answer.headers["Content-Type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF")
    single = client.post("/stock/labels/print/", {**values, "copies": 1})
    assert len(answer.content) > len(single.content) > 2000
    assert client.post("/stock/labels/print/", {**values, "first": 25}).status_code == 400
    nothing = client.post("/stock/labels/print/", {**values, "pick": []})
    assert nothing.status_code == 400
    assert "Tick at least one label." in nothing.content.decode()
    assert client.get("/stock/labels/").status_code == 200


def test_qr_is_a_drawing_that_fetches_nothing() -> None:
    drawn = qr_svg("https://stock.example/stock/scan/s-12/")
    assert drawn.startswith("<svg")
    assert "href" not in drawn
    code = read_code("https://stock.example/stock/scan/s-12/")
    assert code is not None
    assert (code.kind, code.number) == ("serial", 12)


@pytest.mark.parametrize("rows", [1, 3])
def test_statements_do_not_grow(rows: int, places: Places, stores: User) -> None:
    for _ in range(rows):
        item = make.ItemFactory.create()
        make.MovementFactory.create(item=item, source=places.supplier, destination=places.store)
        BinPlace.objects.create(location=places.store, item=item, code="A")
    with CaptureQueriesContext(connection) as seen:
        assert len(labels_for(stores, location=places.store.pk)) == rows + 1
    assert len(seen) == 7
