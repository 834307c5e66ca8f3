"""The database is killed while many post: what was answered as accepted is there once, and retries double nothing."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import psycopg
import pytest

from config import embedded
from tests.machine import ROOT, data_directory, environment, manage, servers_in, wait_until

POSTERS = 8
FEWEST = 80

# One process of eight posters. Each post has a key of its own; a line is written for what was answered, and for what
# was asked and has no answer because the database went away.
POSTING = """
import sys, threading, uuid, json
import django
django.setup()
from django.db import DatabaseError, connection
from config.accounts.models import User
from stock import services
from stock.models import Item, Location
item, store = Item.objects.get(), Location.objects.get(code="store")
vans = list(Location.objects.filter(kind="van"))
by = User.objects.get()
said = threading.Lock()

def once(number, key, van, quantity):
    made, fresh = services.post_once(
        lambda: services.record_movement(item, quantity=quantity, source=store, destination=vans[van],
                                         kind="transfer", by=by, reference=key),
        by=by, token=key, content={"van": van, "quantity": quantity},
    )
    return made.pk, fresh

def tell(*words):
    with said:
        print(json.dumps(words), flush=True)

def work(number):
    for turn in range(100_000):
        key, van, quantity = str(uuid.uuid4()), (number + turn) % len(vans), turn % 3 + 1
        try:
            made, _ = once(number, key, van, quantity)
        except DatabaseError:
            return tell("unknown", key, van, quantity, None)
        tell("accepted", key, van, quantity, made)
    connection.close()

if sys.argv[1] == "post":
    posters = [threading.Thread(target=work, args=(n,)) for n in range(int(sys.argv[2]))]
    for poster in posters: poster.start()
    for poster in posters: poster.join()
else:
    for line in sys.stdin:
        _, key, van, quantity, _ = json.loads(line)
        made, fresh = once(0, key, van, quantity)
        tell("fresh" if fresh else "again", key, van, quantity, made)
"""

WORLD = """
import django
django.setup()
from config.accounts.models import Branch, Firm
from config.accounts.rights import Role
from config.demo import factories as make
from tests.conftest import person
Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
branch = Branch.objects.create(code="NB", name="Northbeck")
person(Role.STORES, branch)
store = make.LocationFactory.create(code="store", branch=branch)
for n in range(3):
    make.LocationFactory.create(code=f"van-{n}", kind="van", branch=branch)
item = make.ItemFactory.create()
make.MovementFactory.create(item=item, quantity=1_000_000, source=make.SuppliersPlaceFactory.create(),
                            destination=store, kind="receive")
"""

DIFFERENCES = """
    SELECT count(*) FROM stock_balance b FULL JOIN (
        SELECT item_id, location_id, sum(amount) AS total FROM (
            SELECT item_id, source_id AS location_id, -quantity AS amount FROM stock_movement
            UNION ALL SELECT item_id, destination_id, quantity FROM stock_movement) AS ends
        GROUP BY 1, 2) AS m USING (item_id, location_id)
    WHERE b.on_hand IS DISTINCT FROM m.total
"""


@pytest.fixture
def where(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A database of this test alone, that keeps what it has promised when it is killed."""
    for name in ("DATABASE_URL", "REDIS_URL", "ZONEWRIGHT_THROWAWAY"):
        monkeypatch.delenv(name, raising=False)
    with data_directory() as path:
        yield path
        embedded.release(path)


def program(where: Path, code: str, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True, cwd=ROOT,
        env=environment(where, DJANGO_SETTINGS_MODULE="config.settings"),
    )


def asked(where: Path, statement: str) -> list[tuple[object, ...]]:
    with psycopg.connect(embedded.ensure(where).database_url) as connection:
        return connection.execute(statement).fetchall()


def test_killed_database_loses_nothing_accepted_and_retries_double_nothing(where: Path) -> None:
    embedded.ensure(where)
    migrated = manage(where, "migrate", "-v0")
    assert migrated.returncode == 0, migrated.stdout
    made = program(where, WORLD)
    made.communicate(timeout=120)
    assert made.returncode == 0

    posting = program(where, POSTING, "post", str(POSTERS))
    assert posting.stdout is not None
    heard = [posting.stdout.readline() for _ in range(FEWEST)]
    time.sleep(0.2)
    postmaster = servers_in(where)["PostgreSQL"]
    # Every process of the server at once, as when its machine loses power; the kernel keeps what was written.
    for process in [postmaster, *postmaster.children(recursive=True)]:
        with contextlib.suppress(psutil.NoSuchProcess):
            process.kill()
    rest, _ = posting.communicate(timeout=120)
    wait_until(lambda: "PostgreSQL" not in servers_in(where), "the database is dead")
    lines = [json.loads(line) for line in [*heard, *rest.splitlines()]]
    accepted = {key: made for word, key, _, _, made in lines if word == "accepted"}
    unknown = [line for line in lines if line[0] == "unknown"]
    assert len(accepted) >= FEWEST
    assert len(unknown) == POSTERS

    services = embedded.ensure(where)
    assert "PostgreSQL" in services.started
    there = {str(key): number for key, number in asked(
        where, "SELECT reference, id FROM stock_movement WHERE kind = 'transfer'")}
    assert asked(where, "SELECT count(*) FROM stock_movement WHERE kind = 'transfer'") == [(len(there),)]
    # Beyond what was accepted only posts may be there whose answer was lost with the connection.
    assert {key: there[key] for key in accepted} == accepted
    assert set(there) - set(accepted) <= {line[1] for line in unknown}
    assert asked(where, DIFFERENCES) == [(0,)]

    retry = program(where, POSTING, "retry")
    told, _ = retry.communicate("\n".join(json.dumps(line) for line in lines) + "\n", timeout=240)
    answers = {key: (word, made) for word, key, _, _, made in map(json.loads, told.splitlines())}
    assert {key: answers[key] for key in accepted} == {key: ("again", made) for key, made in accepted.items()}
    assert {key for key, (word, _) in answers.items() if word == "fresh"} == {line[1] for line in unknown} - set(there)
    after = asked(where, "SELECT reference, count(*) FROM stock_movement WHERE kind = 'transfer' GROUP BY 1")
    assert dict(after) == dict.fromkeys(answers, 1)
    assert asked(where, DIFFERENCES) == [(0,)]
