"""A table whose worker is killed while it is taken in leaves nothing, and run again ends as if undisturbed."""

from __future__ import annotations

import psycopg
import pytest

from config.accounts.models import User
from config.demo import factories as make
from stock.models import BinPlace, Item, Location, TableImport
from stock.services.table_imports import confirm_import, run_again, start_import
from tests.faults.conftest import StartWorker, waiting
from tests.machine import wait_until

pytestmark = pytest.mark.django_db(transaction=True)

ROWS = 2500


def state_of(made: TableImport) -> tuple[str, bool, int]:
    made.refresh_from_db()
    return made.state, made.confirmed, made.progress


def test_a_worker_killed_in_the_middle_is_made_good(
    branch: object, stores: User, holder: psycopg.Connection, worker: StartWorker
) -> None:
    store: Location = make.LocationFactory.create(code="store", branch=stores.branch)
    items = Item.objects.bulk_create(
        Item(sku=f"K-{n}", name=f"Part {n}", kind=Item.Kind.SPARE) for n in range(ROWS)
    )
    content = "\n".join(["stock number,location,bin", *(f"K-{n},store,A-{n}" for n in range(ROWS))]).encode()
    first = worker()
    try:
        made = start_import("bins", "bins.csv", content, by=stores)
        wait_until(lambda: state_of(made)[0] == "checked", "the file is looked over", seconds=90)
        assert (made.added, made.bad, BinPlace.objects.count()) == (ROWS, 0, 0)
        # The same bin as one of the second chunk's, written but not committed: the insert waits for its outcome.
        holder.execute("INSERT INTO stock_binplace (item_id, location_id, code) VALUES (%s, %s, 'B-1')",
                       [items[1500].pk, store.pk])
        confirm_import(made, take_good_rows=False)
        wait_until(lambda: state_of(made) == ("running", True, 40) and waiting(), "the worker is in its second chunk",
                   seconds=60)
    finally:
        first.kill()
        first.wait()
    assert BinPlace.objects.count() == 0
    holder.rollback()
    assert state_of(made) == ("running", True, 40)

    # The person presses 'look over again'; what was confirmed stays so while the import counts as under way.
    run_again(made)
    second = worker()
    try:
        wait_until(lambda: state_of(made)[0] == "done", "the second worker is done", seconds=90)
    finally:
        second.terminate()
        second.wait()
    assert (made.rows, made.added, made.bad) == (ROWS, ROWS, 0)
    assert dict(BinPlace.objects.values_list("item__sku", "code")) == {f"K-{n}": f"A-{n}" for n in range(ROWS)}
