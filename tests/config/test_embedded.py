"""The embedded PostgreSQL and Valkey: started once, shared, stopped by the last to leave."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import psycopg
import pytest
import redis

from config import embedded
from config.servers import CannotStart
from tests.machine import data_directory, kill_session, python, servers_in, wait_until

# Prints the addresses, then holds the services until its standard input ends.
HOLDER = """
import sys
from config import embedded
services = embedded.ensure()
print(services.database_url, services.redis_url, ",".join(services.started), flush=True)
sys.stdin.read()
"""


@pytest.fixture
def where(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    for name in ("DATABASE_URL", "REDIS_URL", "ZONEWRIGHT_THROWAWAY"):
        monkeypatch.delenv(name, raising=False)
    with data_directory() as path:
        yield path
        embedded.release(path)


def test_the_first_call_starts_both_and_the_second_nothing(where: Path) -> None:
    first = embedded.ensure(where)
    assert first.started == ("PostgreSQL", "Valkey")
    second = embedded.ensure(where)
    assert second.started == ()
    assert (second.database_url, second.redis_url) == (first.database_url, first.redis_url)
    with psycopg.connect(first.database_url) as connection:
        assert connection.execute("SELECT current_setting('server_version_num')::int / 10000").fetchone() == (18,)
    with redis.Redis.from_url(first.redis_url) as client:
        assert client.ping() is True
    assert embedded.release(where) is True
    assert servers_in(where) == {}


def test_a_call_for_running_services_takes_less_than_a_tenth_of_a_second(where: Path) -> None:
    embedded.ensure(where)
    times = []
    for _ in range(5):
        began = time.perf_counter()
        embedded.ensure(where)
        times.append(time.perf_counter() - began)
    assert min(times) < 0.1


def test_both_servers_listen_on_loopback_only_and_not_as_root(where: Path) -> None:
    embedded.ensure(where)
    servers = servers_in(where)
    assert sorted(servers) == ["PostgreSQL", "Valkey"]
    for process in servers.values():
        listening = [c.laddr.ip for c in process.net_connections("inet") if c.status == psutil.CONN_LISTEN]
        assert listening == ["127.0.0.1"]
        assert 0 not in process.uids()


def test_a_wrong_password_opens_neither(where: Path) -> None:
    services = embedded.ensure(where)
    password = services.redis_url.split(":")[2].partition("@")[0]
    with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
        psycopg.connect(services.database_url.replace(password, "wrong"))
    with (
        redis.Redis.from_url(services.redis_url.replace(password, "wrong")) as client,
        pytest.raises(redis.AuthenticationError),
    ):
        client.ping()


def test_set_variables_are_used_and_nothing_is_started(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgresql://a@b/c")
    monkeypatch.setenv("REDIS_URL", "redis://d/1")
    services = embedded.ensure(where)
    assert services == embedded.Services("postgresql://a@b/c", "redis://d/1", embedded=False)
    assert services.environment() == {"DATABASE_URL": "postgresql://a@b/c", "REDIS_URL": "redis://d/1"}
    assert not where.exists()


@pytest.mark.parametrize(("there", "missing"), [("DATABASE_URL", "REDIS_URL"), ("REDIS_URL", "DATABASE_URL")])
def test_one_variable_without_the_other_is_refused(
    where: Path, monkeypatch: pytest.MonkeyPatch, there: str, missing: str
) -> None:
    monkeypatch.setenv(there, "x://y/z")
    with pytest.raises(CannotStart) as caught:
        embedded.ensure(where)
    assert caught.value.message == f"{there} is set but {missing} is not."
    assert caught.value.field == missing
    assert not where.exists()


def test_children_get_the_addresses_and_stay_local(where: Path) -> None:
    services = embedded.ensure(where)
    assert services.environment() == {
        "DATABASE_URL": services.database_url,
        "REDIS_URL": services.redis_url,
        "ZONEWRIGHT_LOCAL": "1",
    }


def test_data_and_addresses_outlive_a_stop(where: Path) -> None:
    before = embedded.ensure(where)
    with psycopg.connect(before.database_url) as connection:
        connection.execute("CREATE TABLE kept AS SELECT 7 AS value")
    with redis.Redis.from_url(before.redis_url) as client:
        client.set("kept", "8")
    assert embedded.release(where) is True
    after = embedded.ensure(where)
    assert after == before
    with psycopg.connect(after.database_url) as connection:
        assert connection.execute("SELECT value FROM kept").fetchall() == [(7,)]
    with redis.Redis.from_url(after.redis_url) as client:
        assert client.get("kept") == b"8"


@pytest.mark.parametrize(("throwaway", "fsync"), [(False, "on"), (True, "off")])
def test_only_throwaway_servers_give_up_safety(where: Path, *, throwaway: bool, fsync: str) -> None:
    services = embedded.ensure(where, throwaway=throwaway)
    with psycopg.connect(services.database_url) as connection:
        assert connection.execute("SHOW fsync").fetchone() == (fsync,)


def test_the_last_to_leave_stops_the_servers(where: Path) -> None:
    first, second = python(where, HOLDER), python(where, HOLDER)
    assert first.stdout is not None
    assert second.stdout is not None
    said = sorted(line.rstrip("\n").rpartition(" ") for line in (first.stdout.readline(), second.stdout.readline()))
    assert said[0][0] == said[1][0], "both use the same services"
    assert [line[2] for line in said] == ["", "PostgreSQL,Valkey"], "one of them started both"
    first.communicate()
    assert sorted(servers_in(where)) == ["PostgreSQL", "Valkey"]
    second.communicate()
    assert servers_in(where) == {}


def test_many_processes_starting_at_once_share_one_pair(where: Path) -> None:
    holders = [python(where, HOLDER) for _ in range(6)]
    said = [holder.stdout.readline().rstrip("\n").rpartition(" ") for holder in holders if holder.stdout]
    assert len({line[0] for line in said}) == 1
    assert sorted(line[2] for line in said) == ["", "", "", "", "", "PostgreSQL,Valkey"]
    for holder in holders:
        holder.communicate()
    assert servers_in(where) == {}


def test_a_killed_user_leaves_the_servers_to_the_next(where: Path) -> None:
    killed = python(where, HOLDER)
    assert killed.stdout is not None
    killed.stdout.readline()
    kill_session(killed)
    left = servers_in(where)
    assert sorted(left) == ["PostgreSQL", "Valkey"], "the servers are no part of the killed session"
    assert embedded.ensure(where).started == ()
    assert servers_in(where) == left
    assert embedded.release(where) is True
    assert servers_in(where) == {}


def test_stop_ends_the_servers_whoever_uses_them(where: Path) -> None:
    holder = python(where, HOLDER)
    assert holder.stdout is not None
    holder.stdout.readline()
    assert embedded.running(where) == {name: process.pid for name, process in servers_in(where).items()}
    assert sorted(embedded.stop(where)) == ["PostgreSQL", "Valkey"]
    wait_until(lambda: not servers_in(where), "the servers have stopped")
    assert embedded.stop(where) == []
    holder.communicate()
    assert holder.returncode == 0


def test_recreate_database_empties_both(where: Path) -> None:
    services = embedded.ensure(where)
    with psycopg.connect(services.database_url) as connection:
        connection.execute("CREATE TABLE old AS SELECT 1")
    with redis.Redis.from_url(services.redis_url) as client:
        client.set("old", "1")
        embedded.recreate_database(where)
        assert client.dbsize() == 0
    with psycopg.connect(services.database_url) as connection:
        assert connection.execute("SELECT to_regclass('old')").fetchone() == (None,)


def test_recreate_database_leaves_a_given_database_alone(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    services = embedded.ensure(where)
    with psycopg.connect(services.database_url) as connection:
        connection.execute("CREATE TABLE kept AS SELECT 1 AS value")
    monkeypatch.setenv("DATABASE_URL", services.database_url)
    monkeypatch.setenv("REDIS_URL", services.redis_url)
    with pytest.raises(CannotStart, match="is not deleted from here"):
        embedded.recreate_database(where)
    with psycopg.connect(services.database_url) as connection:
        assert connection.execute("SELECT value FROM kept").fetchall() == [(1,)]
