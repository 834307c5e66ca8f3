"""Files of measured values: what is taken in, what is refused, and that a refusal leaves nothing behind."""

from __future__ import annotations

import io
import threading
import zipfile
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from openpyxl import Workbook

from config import tables
from config.accounts.models import Branch, User
from config.background import alone
from config.celery import app
from config.errors import Conflict, InvalidInput
from config.tables import read_table
from installs.models import LoopMeasurement, MeasurementImport
from installs.services import measurement_imports
from installs.services.measurement_imports import cancel_import, run_again, start_import, take_in
from tests.installs.kit import Kit, assign, site_with

# Progress goes through a second connection, so the import must be committed.
pytestmark = pytest.mark.django_db(transaction=True)

TODAY = date(2026, 11, 25)
HEAD = "site,circuit,date,measured"


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What was posted to the workers; here the tests themselves are the worker."""
    posted: list[Any] = []
    monkeypatch.setattr(app, "send_task", lambda name, args: posted.append((name, args)))
    return posted


@pytest.fixture
def kit(branch: Branch, asked: list[Any]) -> Kit:
    return site_with(branch, circuits=3, reference="S1")


def send(text: str | bytes, by: User, *, good: bool = False) -> MeasurementImport:
    made = start_import("values.csv", text.encode() if isinstance(text, str) else text, take_good_rows=good, by=by)
    take_in(made.pk, today=TODAY)
    made.refresh_from_db()
    return made


def told(made: MeasurementImport) -> list[tuple[int, str, str]]:
    return [(p["row"], p["column"], p["problem"]) for p in made.problems]


def outcome(made: MeasurementImport) -> tuple[str, int, int, int, int]:
    return made.state, made.rows, made.taken, made.known, made.bad


def kept() -> list[tuple[Any, ...]]:
    return list(LoopMeasurement.objects.order_by("id").values_list(
        "circuit__number", "measured_on", "ohm", "place", "at_rest", "note", "source"
    ))


def test_a_file_is_taken_in(kit: Kit, scheduler: User, asked: list[Any]) -> None:
    made = send(
        f"{HEAD},place,at rest,note\nS1,1,2026-03-01,4k7,,,\nS1,2,1 Mar 2026,open,far end,no,cut?\n\n"
        'S1,3,25/03/2026,"4,71 kΩ",panel,yes,"a, b"\n', scheduler,
    )
    assert asked == [("installs.take_in_measurements", [made.pk])]
    assert outcome(made) == ("done", 3, 3, 0, 0)
    assert (made.progress, made.problems, bytes(made.content)) == (100, [], b"")
    assert kept() == [
        (1, date(2026, 3, 1), 4700.0, "panel", True, "", "import"),
        (2, date(2026, 3, 1), None, "far end", False, "cut?", "import"),
        (3, date(2026, 3, 25), 4710.0, "panel", True, "a, b", "import"),
    ]


def test_one_bad_row_refuses_the_file_and_every_problem_is_named(kit: Kit, scheduler: User) -> None:
    made = send(f"{HEAD}\nS1,1,2026-03-01,4k7\nS1,9,2026-03-01,4k7\nS9,1,03/04/2026,4700V\nS9,1,2026-03-01,1\n"
                "S1,1,2026-03-02,1,2,3\n", scheduler)
    assert outcome(made) == ("refused", 5, 0, 0, 4)
    assert told(made) == [
        (4, "date", "could be day first or month first"), (4, "measured", "is not a resistance"),
        (6, "", "the row has more values than there are headings"),
        (3, "circuit", "the site has no such circuit"), (5, "site", "no such site"),
    ]
    assert all(p["remedy"] for p in made.problems)
    assert kept() == []


def test_the_good_rows_are_taken_if_asked(kit: Kit, scheduler: User) -> None:
    made = send(f"{HEAD},colour\nS1,1,2026-03-01,4k7,red\nS1,1,2026-03-02,-1,\n", scheduler, good=True)
    assert outcome(made) == ("done", 2, 1, 0, 1)
    assert told(made) == [(1, "colour", "is no column that an import knows"),
                          (3, "measured", "is not a resistance")]
    assert [row[2] for row in kept()] == [4700.0]


def test_an_unknown_column_refuses_a_file_that_is_to_be_whole(kit: Kit, scheduler: User) -> None:
    made = send(f"{HEAD},plcae\nS1,1,2026-03-01,4k7,far end\n", scheduler)
    assert (outcome(made), kept()) == (("refused", 1, 0, 0, 0), [])


def test_nothing_good_is_a_refusal_even_if_good_rows_are_to_be_taken(kit: Kit, scheduler: User) -> None:
    assert outcome(send(f"{HEAD}\nS1,1,2026-03-02,-1\n", scheduler, good=True)) == ("refused", 1, 0, 0, 1)


def test_what_is_recorded_already_is_known_from_whatever_source(kit: Kit, scheduler: User) -> None:
    text = f"{HEAD}\nS1,1,2026-03-01,4k7\nS1,1,2026-03-01,4700\nS1,2,2026-03-01,open\n"
    LoopMeasurement.objects.create(circuit=kit.circuits[1], measured_on=date(2026, 3, 1), ohm=None, source="by hand",
                                   by=scheduler)
    assert outcome(send(text, scheduler)) == ("done", 3, 1, 2, 0)
    assert outcome(send(text, scheduler)) == ("done", 3, 0, 3, 0)
    assert LoopMeasurement.objects.count() == 2


def test_a_site_that_the_person_may_not_open_is_no_site(kit: Kit, stranger: User, engineer: User) -> None:
    text = f"{HEAD}\nS1,1,2026-03-01,4k7\nNONE,1,2026-03-01,4k7\n"
    for user in (stranger, engineer):
        made = send(text, user)
        assert told(made) == [(2, "site", "no such site"), (3, "site", "no such site")]
        assert {p["remedy"] for p in made.problems} == {"Give the reference of a site that you may open."}
    assign(engineer, kit.site)
    assert told(send(text, engineer)) == [(3, "site", "no such site")]


def test_a_second_system_needs_naming(kit: Kit, scheduler: User) -> None:
    from config.demo import factories as make

    panel = make.PanelFactory.create(system__site=kit.site, system__name="Annex", place="Porch")
    other = make.CircuitFactory.create(panel=panel, number=1)
    made = send(f"{HEAD}\nS1,1,2026-03-01,4k7\n", scheduler)
    assert told(made) == [(2, "circuit", "2 panels have it")]
    assert "Annex" in made.problems[0]["remedy"]
    for column, value in (("system", "annex"), ("panel", "porch")):
        assert send(f"{HEAD},{column}\nS1,1,2026-03-01,4k7,{value}\n", scheduler).state == "done"
    assert list(LoopMeasurement.objects.values_list("circuit_id", flat=True)) == [other.pk]


@pytest.mark.parametrize("sign", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_delimiters_and_encodings(sign: str, encoding: str) -> None:
    lines = [["Site", "Circuit", "Date", "Measured", "Note"], ["S1", "1", "2026-03-01", '"2,2k"', "Café"]]
    table = read_table("\r\n".join(sign.join(line) for line in lines).encode(encoding))
    assert table.headings == ("Site", "Circuit", "Date", "Measured", "Note")
    assert table.rows == ((2, ("S1", "1", "2026-03-01", "2,2k", "Café")),)


def workbook(rows: Sequence[Sequence[Any]]) -> bytes:
    book, out = Workbook(), io.BytesIO()
    assert book.active is not None
    for row in rows:
        book.active.append(row)  # type: ignore[union-attr]
    book.save(out)
    return out.getvalue()


def test_a_workbook_with_numbers_and_dates(kit: Kit, scheduler: User) -> None:
    made = send(workbook([
        ["Site", "Circuit No", "Measured on", "Measured (Ω)"], ["S1", 1, datetime(2026, 3, 1), 4700.5],  # noqa: DTZ001
        [None], ["S1", 2.0, "2026-03-02", "2k2"], ["S1", 3, date(2026, 3, 3), "=1+1"],
        ["S1", 3, date(2026, 3, 3), datetime(2026, 2, 2)],  # noqa: DTZ001
    ]), scheduler, good=True)
    # A formula whose value the spreadsheet never kept has none to read.
    assert told(made) == [(5, "measured", "is empty"),
                          (6, "measured", "is a date: the spreadsheet changed what was typed")]
    assert [(row[0], row[1], row[2]) for row in kept()] == [
        (1, date(2026, 3, 1), 4700.5), (2, date(2026, 3, 2), 2200.0),
    ]


def bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in range(3):
            archive.writestr(f"xl/worksheets/sheet{part}.xml", b"0" * 40_000_000)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xd0\xcf\x11\xe0old", "This is an old or locked workbook."),
        (b"PK\x03\x04nonsense", "The workbook cannot be read."),
        (b"a\0b,c", "The file is neither CSV in a known encoding nor a workbook."),
        (b"\xff\xfes\0i\0", "The file is neither CSV in a known encoding nor a workbook."),
        (b"\n \n", "The file holds nothing."),
        (b"site,circuit\n", "The file holds no rows below its headings."),
        (b'site,circuit\n"a', "Row 2 cannot be read: unexpected end of data."),
        (b"a," * 61 + b"\nb\n", "Row 1 has more than 60 columns."),
    ],
)
def test_files_that_cannot_be_read_are_refused(content: bytes, message: str, kit: Kit, scheduler: User) -> None:
    made = send(content, scheduler)
    assert (outcome(made), made.problems[0]["problem"]) == (("refused", 0, 0, 0, 0), message)
    assert made.problems[0]["remedy"]


def test_a_workbook_that_unpacks_to_too_much_is_refused() -> None:
    content = bomb()
    assert len(content) < 200_000
    with pytest.raises(InvalidInput, match="unpacks to more than can be read"):
        read_table(content)


def test_too_many_rows_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MOST_ROWS", 3)
    with pytest.raises(InvalidInput, match="more than 3 rows"):
        read_table(b"h\n1\n2\n3\n4\n")


@pytest.mark.parametrize("content", [b"", b"x" * 5_000_001])
def test_empty_and_too_large_files_leave_nothing_at_all(content: bytes, kit: Kit, scheduler: User) -> None:
    with pytest.raises(InvalidInput):
        start_import("x.csv", content, take_good_rows=False, by=scheduler)
    assert MeasurementImport.objects.count() == 0


def test_missing_headings_are_named(kit: Kit, scheduler: User) -> None:
    made = send("site,day\nS1,2026-03-01\n", scheduler, good=True)
    assert (outcome(made), told(made)) == (
        ("refused", 1, 0, 0, 0), [(1, "circuit", "the column is missing"), (1, "measured", "the column is missing")],
    )


def many(rows: int) -> str:
    lines = [f"S1,{n % 3 + 1},2026-03-{n % 28 + 1:02d},{1000 + n}" for n in range(rows)]
    return "\n".join([HEAD, *lines])


@pytest.mark.parametrize(("rows", "statements"), [(1, 16), (3, 16), (2500, 16 + 2 * 3)])
def test_statements_grow_with_chunks_only(rows: int, statements: int, kit: Kit, scheduler: User) -> None:
    made = start_import("v.csv", many(rows).encode(), take_good_rows=False, by=scheduler)
    with CaptureQueriesContext(connection) as captured:
        take_in(made.pk, today=TODAY)
    assert LoopMeasurement.objects.count() == rows
    assert len(captured) == statements, "\n".join(query["sql"][:160] for query in captured)


def test_problems_are_capped_and_still_counted(kit: Kit, scheduler: User) -> None:
    made = send("\n".join([HEAD, *["S1,1,2026-03-01,x"] * 1500]), scheduler)
    assert (made.bad, len(made.problems)) == (1500, 1000)


def test_progress_shows_while_nothing_is_committed(
    kit: Kit, scheduler: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[str, int, int]] = []
    made = start_import("v.csv", many(2500).encode(), take_good_rows=False, by=scheduler)
    write = measurement_imports._write

    def look(*args: Any) -> None:
        write(*args)
        seen.append(elsewhere(made.pk))

    monkeypatch.setattr(measurement_imports, "_write", look)
    take_in(made.pk, today=TODAY)
    assert seen == [("running", 0, 0), ("running", 40, 0), ("running", 80, 0)]
    assert elsewhere(made.pk) == ("done", 100, 2500)


def elsewhere(pk: int) -> tuple[str, int, int]:
    """State, progress and number of measurements as another session sees them."""
    found: list[tuple[str, int, int]] = []

    def look() -> None:
        row = MeasurementImport.objects.get(pk=pk)
        found.append((row.state, row.progress, LoopMeasurement.objects.count()))
        connection.close()

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    return found[0]


def test_cancelling_between_chunks_takes_everything_back(
    kit: Kit, scheduler: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = start_import("v.csv", many(2500).encode(), take_good_rows=False, by=scheduler)
    write = measurement_imports._write

    def cancel(*args: Any) -> None:
        write(*args)
        thread = threading.Thread(target=lambda: (cancel_import(made), connection.close()))
        thread.start()
        thread.join()

    monkeypatch.setattr(measurement_imports, "_write", cancel)
    assert take_in(made.pk, today=TODAY) == "cancelled"
    assert LoopMeasurement.objects.count() == 0
    with pytest.raises(Conflict):
        cancel_import(made)
    monkeypatch.setattr(measurement_imports, "_write", write)
    run_again(made, take_good_rows=False)
    assert take_in(made.pk, today=TODAY) == "done"
    assert LoopMeasurement.objects.count() == 2500


def test_an_error_of_the_service_is_kept_and_the_import_can_run_again(
    kit: Kit, scheduler: User, monkeypatch: pytest.MonkeyPatch, asked: list[Any]
) -> None:
    made = start_import("v.csv", many(3).encode(), take_good_rows=False, by=scheduler)
    monkeypatch.setattr(measurement_imports, "_resolve", lambda *args: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        take_in(made.pk, today=TODAY)
    made.refresh_from_db()
    assert (made.state, made.problems[0]["remedy"]) == ("failed", "Run it again; nothing was taken in.")
    monkeypatch.undo()
    monkeypatch.setattr(app, "send_task", lambda name, args: asked.append((name, args)))
    run_again(made, take_good_rows=True)
    assert asked == [("installs.take_in_measurements", [made.pk])] * 2
    assert take_in(made.pk, today=TODAY) == "done"
    with pytest.raises(Conflict):
        run_again(made, take_good_rows=True)
    assert take_in(made.pk, today=TODAY) == "done"
    assert LoopMeasurement.objects.count() == 3


def test_only_one_worker_takes_in_a_file(kit: Kit, scheduler: User) -> None:
    made = start_import("v.csv", many(3).encode(), take_good_rows=False, by=scheduler)
    ended: list[str] = []
    with alone(MeasurementImport.LOCK, made.pk, wait_s=0) as mine:
        thread = threading.Thread(target=lambda: (ended.append(take_in(made.pk, today=TODAY, wait_s=0)),
                                                  connection.close()))
        thread.start()
        thread.join()
    assert (mine, ended) == (True, [""])
    made.refresh_from_db()
    assert made.state == "waiting"


def test_an_import_rolled_back_at_the_page_asks_no_worker(kit: Kit, scheduler: User, asked: list[Any]) -> None:
    with transaction.atomic():
        start_import("v.csv", b"x", take_good_rows=False, by=scheduler)
        transaction.set_rollback(True)
    assert (asked, MeasurementImport.objects.count()) == ([], 0)
