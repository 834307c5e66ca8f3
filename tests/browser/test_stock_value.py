"""What was there at a past moment, what it was worth, and the alarm of a ledger that does not add up."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import expect

from tests.browser.conftest import TOP
from tests.browser.test_roles import SIZES, LogIn, look

# As whoever owns the tables could do it, and nobody else.
DAMAGE = """
import sys, django
django.setup()
from django.db import connection
from stock.services.reconciliation import check_ledger
with connection.cursor() as cursor:
    cursor.execute("ALTER TABLE stock_balance DISABLE TRIGGER USER")
    cursor.execute("UPDATE stock_balance SET on_hand = on_hand + %s WHERE id = (SELECT min(b.id) FROM stock_balance b"
        " JOIN stock_location l ON l.id = b.location_id WHERE l.kind = 'store' AND b.on_hand > 5)", [int(sys.argv[1])])
    cursor.execute("ALTER TABLE stock_balance ENABLE TRIGGER USER")
print(check_ledger().differences)
"""


def damage(pieces: int) -> None:
    """Change a store's balance past the ledger, and check."""
    values = {k: v for k, v in os.environ.items() if k not in {"DATABASE_URL", "REDIS_URL", "ZONEWRIGHT_LOCAL"}}
    values |= {
        "ZONEWRIGHT_DATA": str(Path(f"/tmp/zw-browser-{os.getpid()}")), "DJANGO_SETTINGS_MODULE": "config.settings",
        "ZONEWRIGHT_LOCAL": "1",
    }
    done = subprocess.run(
        [sys.executable, "-c", DAMAGE, str(pieces)], cwd=TOP, env=values, text=True, capture_output=True,
        timeout=120, check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


@SIZES
def test_stores_manager_values_the_stock_and_opens_a_sum(log_in: LogIn, size: dict[str, int], service: str) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/value/")
    expect(page.get_by_role("heading", name="Value of the stock")).to_be_visible()
    expect(page.get_by_text("In all")).to_be_visible()
    look(page, "stock-value")
    page.get_by_role("heading", name="By place").locator("xpath=following::table[1]").get_by_role("link").first.click()
    expect(page.get_by_role("heading", name="Stock as of a moment")).to_be_visible()
    expect(page.locator("table.list tbody tr").first).to_be_visible()
    look(page, "stock-as-of")
    page.get_by_label("Day and time").fill("2020-01-01T00:00")
    expect(page.get_by_text("Nothing was there at that moment.")).to_be_visible()


@SIZES
def test_alarm_leads_to_the_difference_and_ends_with_a_note(
    log_in: LogIn, size: dict[str, int], service: str
) -> None:
    page = log_in("Stores", size)
    page.goto(f"{service}/stock/")
    damage(2)
    try:
        page.reload()
        expect(page.get_by_text(re.compile("The ledger does not add up"))).to_be_visible()
        look(page, "stock-alarm")
        page.get_by_role("link", name=re.compile("See the difference")).click()
        look(page, "stock-checks")
        page.get_by_role("link", name="Balance is not the sum of its movements").first.click()
        expect(page.get_by_text("Too much")).to_be_visible()
        look(page, "stock-difference")
        page.get_by_label("What was found").fill("Changed by hand while testing")
        page.get_by_role("button", name="Note it").click()
        expect(page.get_by_text("Noted.")).to_be_visible()
        look(page, "stock-checks-noted")
    finally:
        damage(-2)
