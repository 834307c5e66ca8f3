"""Cells of spreadsheets as people fill them in: what is read, what is refused, and with which words."""

from __future__ import annotations

import math
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.tables import spreadsheet_safe
from installs.rules import measured_rows as rows
from installs.rules.errors import RuleError
from installs.rules.resistors import format_ohm
from stock.rules import table_rows

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("cell", "ohm"),
    [
        ("2k2", 2200.0), ("2.2k", 2200.0), ("2200", 2200.0), ("2,2 kΩ", 2200.0), ("2.2 k\N{OHM SIGN}", 2200.0),
        (" 4K7 ", 4700.0), ("470R", 470.0), ("R47", 0.47), ("1M0", 1e6), ("2,2\N{NO-BREAK SPACE}kΩ", 2200.0),
        (2200, 2200.0), (4712.5, 4712.5), (0, 0.0), ("0", 0.0), ("100M", 100e6),
        ("open", None), ("Open  Circuit", None), ("∞", None), ("O/C", None),
    ],
)
def test_measured_values_are_read(cell: object, ohm: float | None) -> None:
    assert rows.measured(cell) == ohm


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        (None, "is empty"), ("", "is empty"), ("  ", "is empty"), ("-5", "is not a resistance"),
        ("4700V", "is not a resistance"), ("0x12", "is not a resistance"), ("NaN", "is not a resistance"),
        ("1e3", "is not a resistance"), ("inf", "is not a resistance"), ("=2200", "is not a resistance"),
        ("#N/A", "is not a resistance"), (True, "is not a resistance"),
        (-0.1, "is not a resistance, which is 0 Ω or more"),
        (float("nan"), "is not a resistance, which is 0 Ω or more"),
        (math.inf, "is above 100 MΩ"), (10**400, "is above 100 MΩ"), ("101M", "is above 100 MΩ"),
        ("9" * 400, "is above 100 MΩ"), ("4m7", "small m could mean milli or mega"),
        ("1,000", "could mean thousands or a decimal part"),
        (datetime(2026, 2, 2), "is a date: the spreadsheet changed what was typed"),  # noqa: DTZ001
    ],
)
def test_nonsense_is_refused(cell: object, message: str) -> None:
    with pytest.raises(RuleError) as error:
        rows.measured(cell)
    assert (error.value.field, error.value.message) == ("measured", message)
    assert error.value.remedy


@pytest.mark.parametrize(
    ("cell", "found"),
    [
        ("2026-04-03", date(2026, 4, 3)), ("2026/4/3", date(2026, 4, 3)), ("2026-04-03T09:30", date(2026, 4, 3)),
        ("3 Apr 2026", date(2026, 4, 3)), ("3 april 2026", date(2026, 4, 3)), ("03.04.2026", date(2026, 4, 3)),
        ("25/04/2026", date(2026, 4, 25)), ("4/4/2026", date(2026, 4, 4)), (date(2026, 4, 3), date(2026, 4, 3)),
        (datetime(2026, 4, 3, 9), date(2026, 4, 3)), (TODAY.isoformat(), TODAY),  # noqa: DTZ001
    ],
)
def test_dates_are_read(cell: object, found: date) -> None:
    assert table_rows.day(cell, today=TODAY) == found


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ("03/04/2026", "could be day first or month first"), ("03-04-2026", "could be day first or month first"),
        ("04/25/2026", "has the month first"), ("31/02/2026", "is not a date"), ("3/4/26", "is not a date"),
        ("yesterday", "is not a date"), ("", "is empty"), (None, "is empty"), (46115, "is a number"),
        ("2026-11-26", "has not come yet"), ("1979-12-31", "is before 1980"), ("2026-13-01", "is not a date"),
        ("3 Foo 2026", "is not a date"), (True, "is empty"),
    ],
)
def test_other_dates_are_refused(cell: object, message: str) -> None:
    with pytest.raises(RuleError) as error:
        table_rows.day(cell, today=TODAY)
    assert (error.value.field, error.value.message) == ("date", message)


def test_one_date_of_the_column_shows_that_days_come_first() -> None:
    assert table_rows.day_first(["03/04/2026", "25/03/2026", None, date(2026, 1, 1)]) is True
    assert table_rows.day_first(["03/04/2026", "03/25/2026"]) is False
    assert table_rows.day_first(["25/03/2026", "03/25/2026"]) is None
    assert table_rows.day_first(["03/04/2026", "25.03.2026"]) is None
    assert table_rows.day("03/04/2026", today=TODAY, column_day_first=True) == date(2026, 4, 3)


def test_headings_are_read_in_plain_words() -> None:
    headings = ["Site reference", " CIRCUIT_No ", "Date", "Measured (Ω)", "At  Rest", None]
    found, hopeless, unknown = rows.columns_of(headings)
    assert found == {"site": 0, "circuit": 1, "date": 2, "measured": 3, "at rest": 4}
    assert (hopeless, unknown) == ([], [])


def test_headings_that_are_missing_double_or_unknown_are_named() -> None:
    found, hopeless, unknown = rows.columns_of(["Site", "reference", "Date", "Plcae"])
    assert found == {"site": 0, "date": 2}
    assert [(p.column, p.problem) for p in hopeless] == [
        ("site", "stands for a column that is there already"),
        ("circuit", "the column is missing"), ("measured", "the column is missing"),
    ]
    assert [(p.row, p.column, p.problem) for p in unknown] == [(1, "Plcae", "is no column that an import knows")]


def test_a_row_tells_everything_that_is_wrong_with_it() -> None:
    row, problems = rows.read_row(
        7, {"site": "", "circuit": "x", "date": "?", "measured": "-1", "place": "shed", "at rest": "maybe",
            "note": "n" * 301}, today=TODAY,
    )
    assert row is None
    assert [(p.row, p.column, p.value[:5]) for p in problems] == [
        (7, "site", ""), (7, "circuit", "x"), (7, "date", "?"), (7, "measured", "-1"), (7, "place", "shed"),
        (7, "at rest", "maybe"), (7, "note", "nnnnn"),
    ]
    assert all(p.remedy for p in problems)


def test_a_row_as_a_spreadsheet_gives_it() -> None:
    cells = {"site": 17.0, "circuit": 3.0, "date": date(2026, 1, 2), "measured": 4700, "at rest": False,
             "place": "Far end", "note": "cold\x00day"}
    row, problems = rows.read_row(2, cells, today=TODAY)
    assert problems == []
    assert row == rows.MeasuredRow(row=2, site="17", system="", panel="", circuit=3, day=date(2026, 1, 2), ohm=4700.0,
                                   place="far end", at_rest=False, note="cold day")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", " =1", "\r=1", "|x", "%x"])
def test_what_could_begin_a_formula_gets_an_apostrophe(text: str) -> None:
    assert spreadsheet_safe(text) == f"'{text}"


CELLS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.dates(), st.datetimes(),
    st.from_regex(r"[0-9]{0,4}[.,kKmMrR]?[0-9]{0,4} ?[kM]?(Ω|ohm)?", fullmatch=True),
)


@given(CELLS)
def test_what_is_accepted_is_a_resistance(cell: object) -> None:
    try:
        ohm = rows.measured(cell)
    except RuleError as error:
        told = error.field, bool(error.remedy)
    else:
        told = "measured", ohm is None or (math.isfinite(ohm) and 0 <= ohm <= 100e6)
    assert told == ("measured", True)


@given(st.integers(0, 10**11).map(lambda n: n / 1000))
def test_letter_code_comes_back_as_it_went(ohm: float) -> None:
    assert rows.measured(format_ohm(ohm)) == pytest.approx(ohm, rel=1e-12)


@given(st.dictionaries(st.sampled_from((*rows.REQUIRED, *rows.OPTIONAL)), CELLS))
def test_a_row_is_read_or_its_problems_are_named(cells: dict[str, object]) -> None:
    row, problems = rows.read_row(2, cells, today=TODAY, column_day_first=True)
    assert (row is None) == bool(problems)
    assert all(p.row == 2 and p.column and p.problem and p.remedy and len(p.value) <= 60 for p in problems)
    if row is not None:
        assert "\0" not in row.site + row.system + row.panel + row.note
        assert date(1980, 1, 1) <= row.day <= TODAY


@given(st.text(max_size=30))
def test_no_exported_text_begins_a_formula(text: str) -> None:
    assert spreadsheet_safe(text)[:1] not in {"=", "+", "-", "@", "\t", "\r", "\n"}
