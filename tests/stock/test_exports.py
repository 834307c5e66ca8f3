"""Lists taken out as files: who may, what they see, the filters of the page, and no cell that acts."""

from __future__ import annotations

import csv
import io

import pytest
from django.test import Client

from config.accounts.models import User
from config.celery import app
from config.demo import factories as make
from config.errors import Conflict, InvalidInput
from stock.models import Item, TableExport, TableImport
from stock.queries.export_lists import LISTS, lists_of
from stock.services.exports import cancel_export, start_export, write_export
from tests.conftest import logged_in
from tests.stock.conftest import Places

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "send_task", lambda *_args, **_kwargs: None)


def lines(made: TableExport) -> list[list[str]]:
    assert write_export(made.pk) == "done"
    made.refresh_from_db()
    return list(csv.reader(io.StringIO(bytes(made.content).decode("utf-8-sig"))))


def test_every_list_can_be_written_by_whoever_may(places: Places, spare: Item, stores: User) -> None:
    assert len(lists_of(stores)) == len(LISTS)
    for subject, found in LISTS.items():
        read = lines(start_export(subject, {}, "csv", by=stores))
        assert read[0] == list(found.headings)
        assert read[-1][0].startswith("# Export ")


def test_an_engineer_gets_the_own_van_and_no_prices(places: Places, spare: Item, engineer: User, stores: User) -> None:
    other = make.VanFactory.create(code="van-9", name="Van 9", branch=places.store.branch)
    make.MovementFactory.create(item=spare, quantity=2, source=places.store, destination=places.van, kind="transfer")
    make.MovementFactory.create(item=spare, quantity=3, source=places.store, destination=other, kind="transfer")
    assert [row[4] for row in lines(start_export("levels", {}, "csv", by=engineer))[1:-1]] == ["Main store", "Van 1"]
    assert [row[4] for row in lines(start_export("levels", {}, "csv", by=stores))[1:-1]] == [
        "Main store", "Van 1", "Van 9"
    ]
    for subject in ("orders", "suppliers", "nothing"):
        with pytest.raises(InvalidInput):
            start_export(subject, {}, "csv", by=engineer)


def test_filters_of_the_page_count_and_nonsense_is_left_out(places: Places, spare: Item, stores: User) -> None:
    make.MovementFactory.create(item=spare, quantity=2, source=places.store, destination=places.van, kind="transfer")
    asked = {"location": str(places.van.pk), "kind": "", "cursor": "x", "family": "abc"}
    made = start_export("levels", asked, "csv", by=stores)
    assert made.filters == {"location": str(places.van.pk), "family": "abc"}
    assert [row[4] for row in lines(made)[1:-1]] == ["Van 1"]


def test_no_cell_acts_as_a_formula(places: Places, stores: User) -> None:
    make.ItemFactory.create(sku="=1+1", name="@SUM(A1)")
    read = lines(start_export("items", {}, "csv", by=stores))
    assert read[1][:2] == ["'=1+1", "'@SUM(A1)"]


def test_the_page_takes_its_filters_from_where_the_button_stood(places: Places, spare: Item, stores: User) -> None:
    client = logged_in(stores)
    sent = {"subject": "levels", "format": "csv", "at": f"/stock/?location={places.store.pk}&below=on"}
    answer = client.post("/stock/exports/", sent)
    made = TableExport.objects.get()
    assert (answer.status_code, answer["Location"]) == (302, f"/stock/exports/{made.pk}/")
    assert made.filters == {"location": str(places.store.pk), "below": "on"}
    client.post("/stock/exports/", {"subject": "levels", "format": "csv", "at": "https://elsewhere.example/?kind=board"})
    assert TableExport.objects.order_by("-pk")[0].filters == {}
    assert client.post("/stock/exports/", {"subject": "levels", "format": "pdf"}).status_code == 400


def test_a_file_is_for_whoever_asked(places: Places, spare: Item, stores: User, service_manager: User) -> None:
    made = start_export("levels", {}, "xlsx", by=stores)
    own, other = logged_in(stores), logged_in(service_manager)
    assert own.get(f"/stock/exports/{made.pk}/file/").status_code == 404
    assert write_export(made.pk) == "done"
    assert write_export(made.pk) == "done"
    found = own.get(f"/stock/exports/{made.pk}/file/")
    assert (found.status_code, found["Content-Disposition"]) == (200, f'attachment; filename="levels-{made.pk}.xlsx"')
    assert other.get(f"/stock/exports/{made.pk}/").status_code == 404
    assert other.get(f"/stock/exports/{made.pk}/file/").status_code == 404
    with pytest.raises(Conflict):
        cancel_export(made)


def test_given_up_before_it_was_written(places: Places, spare: Item, stores: User) -> None:
    made = start_export("levels", {}, "csv", by=stores)
    answer = logged_in(stores).post(f"/stock/exports/{made.pk}/cancel/")
    assert answer.status_code == 302
    assert write_export(made.pk) == "cancelled"
    made.refresh_from_db()
    assert (made.state, bytes(made.content), made.rows) == ("cancelled", b"", 0)


@pytest.mark.parametrize("count", [1, 3])
def test_the_page_of_exports_takes_the_same_statements(
    count: int, places: Places, stores: User, django_assert_num_queries: object
) -> None:
    for _ in range(count):
        start_export("levels", {}, "csv", by=stores)
    client: Client = logged_in(stores)
    with django_assert_num_queries(4):  # type: ignore[operator] - session, person, branch, list
        assert client.get("/stock/exports/").status_code == 200


@pytest.mark.parametrize("count", [1, 3])
def test_the_page_of_imports_takes_the_same_statements(
    count: int, places: Places, stores: User, django_assert_num_queries: object
) -> None:
    for _ in range(count):
        TableImport.objects.create(subject="levels", name="a.csv", content=b"x", by=stores)
    client: Client = logged_in(stores)
    with django_assert_num_queries(4):  # type: ignore[operator] - session, person, branch, list
        assert client.get("/stock/imports/").status_code == 200
