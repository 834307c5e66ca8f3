"""Starts that go wrong: real servers, real kills; each ends in a clear message or in a good start."""

from __future__ import annotations

import os
import pwd
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from config import embedded
from config.servers import CannotStart
from tests.machine import data_directory, kill_session, manage, python, servers_in, wait_until

ENSURE = "from config import embedded; embedded.ensure(); print('ready', flush=True)"


@pytest.fixture
def where(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    for name in ("DATABASE_URL", "REDIS_URL", "ZONEWRIGHT_THROWAWAY"):
        monkeypatch.delenv(name, raising=False)
    with data_directory() as path:
        yield path
        embedded.release(path)


def table_of(services: embedded.Services) -> list[tuple[object, ...]]:
    with psycopg.connect(services.database_url) as connection:
        return connection.execute("SELECT value FROM kept").fetchall()


def fill(services: embedded.Services) -> None:
    with psycopg.connect(services.database_url) as connection:
        connection.execute("CREATE TABLE kept AS SELECT 7 AS value")


def another_user() -> str:
    """The account for 'somebody else' in these tests; every Debian has it."""
    return "nobody"


def test_data_of_another_postgresql_version_are_refused_and_untouched(where: Path) -> None:
    embedded.ensure(where)
    embedded.release(where)
    version = where / "postgres" / "PG_VERSION"
    version.write_text("17\n")
    with pytest.raises(CannotStart) as caught:
        embedded.ensure(where)
    assert caught.value.message == (
        f"{where}/postgres was written by PostgreSQL 17; this installation brings PostgreSQL 18."
    )
    assert (caught.value.field, caught.value.value) == ("PG_VERSION", "17")
    assert "dump it with PostgreSQL 17" in caught.value.remedy
    assert "ZONEWRIGHT_DATA" in caught.value.remedy
    assert version.read_text() == "17\n"
    assert servers_in(where) == {}


def test_manage_says_it_in_words_without_a_traceback(where: Path) -> None:
    (where / "postgres").mkdir(parents=True)
    (where / "postgres" / "PG_VERSION").write_text("16\n")
    if os.geteuid() == 0:
        os.chown(where / "postgres", pwd.getpwnam(another_user()).pw_uid, -1)
    result = manage(where, "check")
    assert result.returncode == 1
    first = f"zonewright: {where}/postgres was written by PostgreSQL 16; this installation brings PostgreSQL 18."
    assert result.stdout.startswith(first)
    assert "Traceback" not in result.stdout


def test_a_foreign_directory_in_the_place_of_the_data_is_refused_and_untouched(where: Path) -> None:
    photos = where / "postgres" / "photos.txt"
    photos.parent.mkdir(parents=True)
    photos.write_text("mine")
    with pytest.raises(CannotStart) as caught:
        embedded.ensure(where)
    assert caught.value.message == f"{where}/postgres is not a PostgreSQL data directory: it holds no PG_VERSION."
    assert photos.read_text() == "mine"


@pytest.mark.parametrize("delay_s", [0.0, 0.15, 0.3])
def test_a_first_start_that_was_killed_half_way_is_made_good(where: Path, delay_s: float) -> None:
    first = python(where, ENSURE)
    wait_until(lambda: (where / "postgres.unfinished").exists(), "the cluster is being made")
    time.sleep(delay_s)
    kill_session(first)
    # initdb belongs to the killed session: what it had written is all there is, once the last of it is dead.
    wait_until(lambda: not servers_in(where), "the killed session is dead")
    services = embedded.ensure(where)
    assert services.started == ("PostgreSQL", "Valkey")
    assert not (where / "postgres.unfinished").exists()
    fill(services)
    assert table_of(services) == [(7,)]


def test_killed_servers_leave_pid_files_that_stop_nothing(where: Path) -> None:
    fill(embedded.ensure(where))
    for process in servers_in(where).values():
        process.kill()
    wait_until(lambda: not servers_in(where), "the servers are dead")
    assert (where / "postgres" / "postmaster.pid").exists()
    assert (where / "valkey" / "valkey.pid").exists()
    services = embedded.ensure(where)
    assert services.started == ("PostgreSQL", "Valkey")
    assert table_of(services) == [(7,)]


def test_a_pid_that_went_to_another_program_of_the_same_user_is_left_alone(where: Path) -> None:
    fill(embedded.ensure(where))
    servers = servers_in(where)
    account = servers["PostgreSQL"].username()
    for process in servers.values():
        process.kill()
    wait_until(lambda: not servers_in(where), "the servers are dead")
    other = subprocess.Popen(["sleep", "60"], user=account)
    try:
        for path in (where / "postgres" / "postmaster.pid", where / "valkey" / "valkey.pid"):
            lines = path.read_text().splitlines()
            path.write_text("\n".join([str(other.pid), *lines[1:]]) + "\n")
        services = embedded.ensure(where)
        assert services.started == ("PostgreSQL", "Valkey")
        assert table_of(services) == [(7,)]
        embedded.stop(where)
        assert other.poll() is None
    finally:
        other.kill()
        other.wait()


def test_one_dead_server_of_two_is_started_again(where: Path) -> None:
    embedded.ensure(where)
    servers_in(where)["Valkey"].kill()
    wait_until(lambda: "Valkey" not in servers_in(where), "Valkey is dead")
    assert embedded.ensure(where).started == ("Valkey",)


def test_a_lost_key_is_replaced_and_the_data_kept(where: Path) -> None:
    before = embedded.ensure(where)
    fill(before)
    (where / "services_key").unlink()
    after = embedded.ensure(where)
    assert after.database_url != before.database_url
    assert table_of(after) == [(7,)]


def test_a_busy_port_is_passed_over(where: Path) -> None:
    first = embedded.ensure(where)
    port = int(first.database_url.rpartition(":")[2].partition("/")[0])
    embedded.release(where)
    squatter = subprocess.Popen([sys.executable, "-m", "http.server", "--bind", "127.0.0.1", str(port)], cwd=where)
    try:
        wait_until(lambda: _listens(port), "the other program listens")
        second = embedded.ensure(where)
        assert second.database_url.rpartition(":")[0] == first.database_url.rpartition(":")[0]
        assert f":{port}/" not in second.database_url
        assert squatter.poll() is None
    finally:
        squatter.kill()
        squatter.wait()


def _listens(port: int) -> bool:
    import socket

    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def refused_to_an_ordinary_user(where: Path) -> str:
    """What `ensure` says to a user who is not root: this one, or `nobody` if the tests run as root."""
    code = f"""
import os, pwd
from config import embedded, servers
if os.geteuid() == 0:
    entry = pwd.getpwnam({another_user()!r})
    os.setgroups([])
    os.setgid(entry.pw_gid)
    os.setuid(entry.pw_uid)
try:
    embedded.ensure()
except servers.CannotStart as error:
    print(error)
"""
    return python(where, code).communicate()[0].strip()


def test_a_directory_that_may_not_be_written_is_named(where: Path) -> None:
    where.mkdir()
    where.chmod(0o555)
    assert refused_to_an_ordinary_user(where) == (
        f"The data directory {where} cannot be written: Permission denied ({where}/run). "
        "Start as the user who owns it, or set ZONEWRIGHT_DATA to a directory you may write."
    )


def test_data_of_another_user_are_refused(where: Path) -> None:
    where.mkdir()
    where.chmod(0o777)
    # A directory that belongs to root on every machine.
    (where / "postgres").symlink_to("/usr")
    said = refused_to_an_ordinary_user(where)
    assert said.startswith(f"The database in {where}/postgres belongs to user root, and you are ")
    assert said.endswith("Start as that user, or set ZONEWRIGHT_DATA to a directory of your own.")


def test_a_server_that_does_not_start_shows_the_end_of_its_log(where: Path) -> None:
    embedded.ensure(where)
    embedded.release(where)
    control = where / "postgres" / "global" / "pg_control"
    control.write_bytes(b"\0" * control.stat().st_size)
    with pytest.raises(CannotStart) as caught:
        embedded.ensure(where)
    assert caught.value.message.startswith(f"PostgreSQL does not start. The end of {where}/log/postgres.log:\n")
    assert "FATAL" in caught.value.message
    assert servers_in(where) == {}


def test_a_kill_during_the_wait_for_the_lock_does_not_block_the_next(where: Path) -> None:
    embedded.ensure(where)
    waiting = python(
        where,
        "from config import embedded\nwith embedded._start_lock(embedded.default_data_dir()):\n"
        "    print('held', flush=True)\n    import time; time.sleep(60)",
    )
    assert waiting.stdout is not None
    assert waiting.stdout.readline() == "held\n"
    os.kill(waiting.pid, signal.SIGKILL)
    waiting.wait()
    assert embedded.ensure(where).started == ()
