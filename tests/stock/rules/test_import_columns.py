"""Cells of the stores' tables: what each is read as, and what is said of one that cannot be used."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.tables import spreadsheet_safe
from stock.rules.import_columns import SHEETS, doubled, read_sheet_row

TODAY = date(2026, 11, 25)


def read(subject: str, **cells: object) -> tuple[dict[str, Any] | None, list[tuple[str, str]]]:
    named = {name.replace("_", " "): cell for name, cell in cells.items()}
    values, problems = read_sheet_row(2, named, SHEETS[subject], today=TODAY, days_first={})
    return values, [(problem.column, problem.problem) for problem in problems]


def test_a_level_as_a_spreadsheet_gives_it() -> None:
    assert read("levels", stock_number=4711.0, location=" store-a ", minimum=2.0, target="12") == (
        {"stock number": "4711", "location": "store-a", "minimum": 2, "target": 12}, []
    )


def test_every_bad_cell_of_a_row_is_named() -> None:
    assert read("levels", stock_number="", location="s", minimum="two", target=2.5) == (
        None,
        [("stock number", "is empty"), ("minimum", "is not a number"), ("target", "is not a whole number")],
    )


@pytest.mark.parametrize(("cell", "found"), [
    ("12.5", Decimal("12.5")), ("12,5", Decimal("12.5")), (12.5, Decimal("12.5")), (0.1, Decimal("0.1")),
    ("1200", Decimal(1200)),
])
def test_prices(cell: object, found: Decimal) -> None:
    assert read("suppliers", supplier="A", unit_price=cell) == ({"supplier": "A", "unit price": found}, [])


@pytest.mark.parametrize(("cell", "said"), [
    ("1,200", "is not a number"), ("nan", "is not from 0 to 9,999,999"), ("-1", "is not from 0 to 9,999,999"),
    ("1.00001", "has more than four decimal places"), ("inf", "is not from 0 to 9,999,999"),
])
def test_prices_that_could_mean_two_things_or_nothing_are_refused(cell: object, said: str) -> None:
    assert read("suppliers", supplier="A", unit_price=cell) == (None, [("unit price", said)])


@pytest.mark.parametrize("cell", ["2025-03-10", "2025-03-16", date(2025, 3, 12), datetime(2025, 3, 14, 8, 0)])  # noqa: DTZ001
def test_any_day_stands_for_its_week(cell: object) -> None:
    values, problems = read("demand", stock_number="A", location="s", week=cell, quantity=3)
    assert (values and values["week"], problems) == (date(2025, 3, 10), [])


def test_a_week_that_has_not_begun_is_refused() -> None:
    assert read("demand", stock_number="A", location="s", week="2027-01-01", quantity=3) == (
        None, [("week", "has not come yet")]
    )


def test_words_for_kinds_and_classes() -> None:
    given = {"variant": "V", "technology": "PIR with microwave", "class": "III", "anti-mask": "Yes"}
    assert read("variants", **given) == (
        {"variant": "V", "technology": "pir-mw", "class": 3, "anti-mask": True}, []
    )
    assert read("variants", variant="V", **{"anti-mask": "perhaps"}) == (
        None, [("anti-mask", "is not one of the words for it")]
    )
    assert read("items", stock_number="A", kind="shelf") == (None, [("kind", "is not one of the words for it")])


def test_settings_must_be_a_json_object() -> None:
    assert read("variants", variant="V", settings_schema='{"type": "object"}') == (
        {"variant": "V", "settings schema": {"type": "object"}}, []
    )
    assert read("variants", variant="V", settings_schema="[1]")[1] == [("settings schema", "is not a JSON object")]
    assert read("variants", variant="V", settings_schema="{")[1] == [("settings schema", "is not JSON")]


def test_the_lines_of_an_address_stay() -> None:
    values, _ = read("suppliers", supplier="A", address="1 Mill Lane \n\n  Northbeck")
    assert values == {"supplier": "A", "address": "1 Mill Lane\nNorthbeck"}


def test_a_record_stands_in_a_file_once() -> None:
    seen: dict[tuple[Any, ...], int] = {}
    sheet = SHEETS["items"]
    first = [(2, {"stock number": "A"}), (3, {"stock number": "B"})]
    assert doubled(first, sheet, seen) == []
    found = doubled([(4, {"stock number": "a"})], sheet, seen)
    assert [(p.row, p.column, p.problem) for p in found] == [(4, "stock number", "stands in row 2 already")]


CELLS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.dates(), st.datetimes(),
    st.decimals(allow_nan=True),
)


@given(st.sampled_from(sorted(SHEETS)), st.data())
def test_a_row_is_read_or_its_problems_are_named(subject: str, data: st.DataObject) -> None:
    sheet = SHEETS[subject]
    cells = {column.name: data.draw(CELLS, label=column.name) for column in sheet.columns}
    values, problems = read_sheet_row(7, cells, sheet, today=TODAY, days_first={})
    assert (values is None) == bool(problems)
    assert all(p.row == 7 and p.column in sheet.all_names and p.problem and p.remedy for p in problems)


@given(st.text(alphabet=st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=20))
def test_a_text_that_was_exported_comes_back(text: str) -> None:
    """But for spaces, and an apostrophe that somebody wrote before a sign of formulas."""
    plain = " ".join(text.split())
    values, _ = read("suppliers", supplier=spreadsheet_safe(plain)) if plain else ({"supplier": ""}, [])
    assert values == {"supplier": plain[1:] if plain[:1] == "'" and plain[1:2] in set("=+-@|%") else plain}
