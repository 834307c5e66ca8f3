"""A run of the van top-up that is killed half-way leaves no half a list, and the next run makes it good."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from django.db import connection, transaction

from config.accounts.models import Branch, Firm
from config.demo import factories as make
from stock.models import StockLevel, Transfer
from stock.services.top_up import top_up_vans
from tests.faults.environment import of_the_tests
from tests.machine import ROOT, wait_until

pytestmark = pytest.mark.django_db(transaction=True)

RUN = """
import django
django.setup()
from stock.services.top_up import top_up_vans
print("begins", flush=True)
top_up_vans()
print("ended", flush=True)
"""


def _waits() -> bool:
    """Whether some session waits in the middle of writing a list: its head is in, its lines are not."""
    with connection.cursor() as cursor:
        # Within a transaction the list of sessions is read once and kept.
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
            " AND query ILIKE '%INSERT INTO \"stock_transferline\"%'"
        )
        return bool(cursor.fetchone()[0])


def _sessions() -> int:
    """Sessions in a transaction on this database, beside the test's own."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
            " AND backend_type = 'client backend' AND xact_start IS NOT NULL"
        )
        return int(cursor.fetchone()[0])


def test_a_killed_run_is_made_good_by_the_next(transactional_db: None) -> None:
    Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
    branch = Branch.objects.create(code="NB", name="Northbeck")
    store = make.LocationFactory.create(branch=branch)
    item = make.ItemFactory.create()
    make.MovementFactory.create(item=item, quantity=9, source=make.SuppliersPlaceFactory.create(), destination=store)
    vans = [make.VanFactory.create(branch=branch) for _ in range(3)]
    for van in vans:
        StockLevel.objects.create(item=item, location=van, minimum=3, target=3)
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("LOCK TABLE stock_transferline IN SHARE MODE")
        running = subprocess.Popen(
            [sys.executable, "-c", RUN], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT,
            env=os.environ | of_the_tests(),
        )
        try:
            wait_until(_waits, "the run writes its first list")
        finally:
            running.kill()
            output, _ = running.communicate()
    assert "ended" not in output
    wait_until(lambda: not _sessions(), "the server has ended the killed session")
    assert Transfer.objects.count() == 0
    assert (top_up_vans(), top_up_vans()) == (3, 0)
    assert sorted(t.destination_id for t in Transfer.objects.all()) == [van.pk for van in vans]
