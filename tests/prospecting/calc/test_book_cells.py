"""Each kind of value is written in one way, in a line of JSON and in a sheet, and read back the same."""

import datetime
import uuid
from decimal import Decimal

import pytest

from prospecting.calc import book_cells
from prospecting.calc.book_cells import as_cell, as_json, from_cell, from_json, unit_of

VALUES = [
    (book_cells.WHOLE, 7, 0),
    (book_cells.WHOLE, -(2**62), 0),
    (book_cells.DECIMAL, Decimal("1200.00000"), 5),
    (book_cells.DECIMAL, Decimal("-1.50"), 2),
    (book_cells.DECIMAL, Decimal("0.333333333333"), 12),
    (book_cells.DECIMAL, Decimal("9999999999.99999"), 5),
    (book_cells.DECIMAL, Decimal("0.00000"), 5),
    (book_cells.TEXT, "rinse\r\nlow \x07 _x0041_ '=1", 0),
    (book_cells.TEXT, "", 0),
    (book_cells.YES, False, 0),
    (book_cells.MOMENT, datetime.datetime(2026, 5, 3, 14, 5, tzinfo=datetime.UTC), 0),
    (book_cells.DAY, datetime.date(1899, 1, 2), 0),
    (book_cells.IDENTITY, uuid.UUID("12345678-1234-5678-1234-567812345678"), 0),
    (book_cells.BYTES, b"\xfb\xff\x00=1+1", 0),
    (book_cells.JSON, {"b": [1, 2.5, None, "=1"], "a": "ü"}, 0),
    (book_cells.JSON, "text", 0),
    (book_cells.JSON, -3, 0),
]


@pytest.mark.parametrize(("kind", "value", "places"), VALUES)
def test_a_value_comes_back_from_json_and_from_a_cell(kind, value, places):
    written = as_json(kind, value, places)
    assert from_json(kind, written, places) == value
    cell = as_cell(kind, written)
    back = from_cell(kind, cell, places, may_be_empty=False)
    assert back == written and type(back) is type(written)
    if kind == book_cells.DECIMAL and isinstance(cell, Decimal):
        # A spreadsheet gives a number back as a binary one.
        assert from_cell(kind, float(cell), places, may_be_empty=False) == written


def test_a_number_longer_than_a_spreadsheet_keeps_is_text():
    assert as_cell(book_cells.DECIMAL, "123456789.1234567") == "123456789.1234567"
    assert as_cell(book_cells.DECIMAL, "-1.50") == Decimal("-1.5")
    assert as_cell(book_cells.WHOLE, 10**15) == "1000000000000000"
    assert as_cell(book_cells.WHOLE, 10**14) == 10**14


def test_a_minus_nought_is_written_as_nought_and_json_as_every_database_keeps_it():
    assert as_json(book_cells.DECIMAL, Decimal("-0.00"), 2) == "0.00"
    assert as_json(book_cells.JSON, {"b": 1e17, "a": -0.0}) == {"a": 0.0, "b": 10**17}
    assert list(as_json(book_cells.JSON, {"b": 1, "a": 1})) == ["a", "b"]


@pytest.mark.parametrize(
    ("kind", "written"),
    [
        (book_cells.WHOLE, "7"),
        (book_cells.WHOLE, True),
        (book_cells.WHOLE, 7.0),
        (book_cells.DECIMAL, 1.5),
        (book_cells.DECIMAL, "NaN"),
        (book_cells.DECIMAL, "Infinity"),
        (book_cells.DECIMAL, "1e5"),
        (book_cells.DECIMAL, "1.234"),
        (book_cells.TEXT, 5),
        (book_cells.YES, "true"),
        (book_cells.YES, 1),
        (book_cells.MOMENT, "2026-05-03"),
        (book_cells.MOMENT, "2026-05-03T14:05:00+02:00"),
        (book_cells.DAY, "2026-13-01"),
        (book_cells.DAY, "03.05.2026"),
        (book_cells.IDENTITY, "x"),
        (book_cells.BYTES, "not base64!"),
        (book_cells.BYTES, {}),
    ],
)
def test_what_is_written_otherwise_is_refused(kind, written):
    with pytest.raises(ValueError, match="as these books write it"):
        from_json(kind, written, 2)


def test_the_unit_is_the_longest_end_of_the_name():
    assert [unit_of(name) for name in ("mass_g", "ml_per_l", "limit_g_per_t", "on_hand", "px_per_mm")] == [
        "g",
        "mL/L",
        "g/t",
        "",
        "px/mm",
    ]


@pytest.mark.parametrize("kind", [book_cells.WHOLE, book_cells.DECIMAL, book_cells.TEXT, book_cells.DAY])
def test_a_yes_in_a_sheet_is_no_number_and_no_text(kind):
    # A program takes yes for 1 where it is not looked at.
    with pytest.raises(ValueError, match="is not a"):
        from_cell(kind, True, 2, may_be_empty=True)


def test_nothing_stays_nothing_and_an_empty_cell_is_what_its_column_may_hold():
    assert from_json(book_cells.DECIMAL, None, 2) is None
    assert as_json(book_cells.DECIMAL, None, 2) is None
    assert from_cell(book_cells.DECIMAL, "", 2, may_be_empty=True) is None
    assert from_cell(book_cells.TEXT, None, may_be_empty=False) == ""
    assert from_cell(book_cells.YES, False, may_be_empty=True) is False


def test_the_format_has_the_version_that_stands_in_every_file_kept_so_far():
    # A site that counts otherwise no longer takes in the books that groups keep on their shelves.
    assert (book_cells.FORMAT, book_cells.VERSION) == ("whole books of a prospecting group", 1)
