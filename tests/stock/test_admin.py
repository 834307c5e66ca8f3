"""Administration pages: the catalogue is edited, the ledger only looked at."""

from __future__ import annotations

import pytest
from django.test import Client

from config.accounts.models import User
from stock.models import Item, Movement, Serial
from tests.conftest import logged_in
from tests.stock.conftest import Places

LEDGER = ("movement", "balance", "serial", "reservation", "order", "stocklevel")
CATALOGUE = (
    "family", "topology", "item", "variant", "board", "backplate", "insert", "cabletype", "kitline", "location",
    "supplier",
)


@pytest.fixture
def admin(administrator: User) -> Client:
    return logged_in(administrator)


@pytest.mark.parametrize("name", LEDGER + CATALOGUE)
def test_lists_open(name: str, admin: Client, serial: Serial) -> None:
    assert admin.get(f"/admin/stock/{name}/").status_code == 200


@pytest.mark.parametrize("name", LEDGER)
def test_ledger_cannot_be_added_to(name: str, admin: Client) -> None:
    assert admin.get(f"/admin/stock/{name}/add/").status_code == 403


def test_movement_is_shown_but_neither_changed_nor_deleted(admin: Client, spare: Item) -> None:
    moved = Movement.objects.get()
    address = f"/admin/stock/movement/{moved.pk}/"
    assert admin.get(f"{address}change/").status_code == 200
    assert admin.post(f"{address}change/", {"quantity": 1}).status_code == 403
    assert admin.post(f"{address}delete/", {"post": "yes"}).status_code == 403
    assert list(Movement.objects.values_list("quantity", flat=True)) == [10]


def test_kind_of_a_location_is_shown_only(admin: Client, places: Places) -> None:
    page = admin.get(f"/admin/stock/location/{places.store.pk}/change/").content.decode()
    assert 'name="name"' in page
    assert 'name="kind"' not in page
