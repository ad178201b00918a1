"""Texts are inert in tables for other programs and come back as they were; numbers stay numbers."""

import csv
import datetime
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc.cells import as_meant, csv_line, for_xml, from_xml, inert, plain_cell, without_odd_signs

# Own examples of what OWASP Application Security Verification Standard 5.0.0, item 1.2.10, is about (a leading = + - @, tab or
# NUL), and of RFC 4180's own signs.
PAYLOADS = [
    "=1+1",
    "+1+1",
    "-1+1",
    "-1.5",
    "@SUM(A1)",
    '=HYPERLINK("http://example.invalid","x")',
    "=cmd|' /C calc'!A0",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    "  =1+1",
    "\xa0=1+1",
    "\u200b=1+1",
    "\ufeff=1+1",
    "＝1+1",
    "＋1",
    "－1",
    "＠x",
    "'=1+1",
    "''=1+1",
    "' =1+1",
    '"=1+1"',
    '";=1+1',
    "a,=1+1",
    "a\r\n=1+1",
    "_x003D_1+1",
    "=1+1;-2",
    "+49 30 1234",
    "-",
    "=",
]


def test_there_are_thirty_payloads():
    assert len(set(PAYLOADS)) == 30


@pytest.mark.parametrize("text", PAYLOADS)
def test_a_payload_starts_no_formula_and_comes_back(text):
    made = inert(text)
    assert made.lstrip(" \xa0\u200b\ufeff")[:1] not in (
        "=",
        "+",
        "-",
        "@",
        "\t",
        "\r",
        "\n",
        "＝",
        "＋",
        "－",
        "＠",
    )
    assert as_meant(made) == text
    assert from_xml(for_xml(made)) == made


@given(
    st.text(
        alphabet=st.one_of(st.sampled_from("='+-@ \t\r\n_x0041"), st.characters(exclude_categories=["Cs"]))
    )
)
def test_every_text_comes_back(text):
    assert as_meant(inert(text)) == text
    assert from_xml(for_xml(inert(text))) == inert(text)


def test_numbers_stay_numbers_and_texts_stand_in_marks():
    assert csv_line([Decimal("-1.50"), -1.5, 3, None, True]) == '-1.5,-1.5,3,,"yes"\r\n'
    assert plain_cell(Decimal("1E+3")) == 1000 and csv_line([Decimal("1E+3")]) == "1000\r\n"


@pytest.mark.parametrize("text", [text for text in PAYLOADS if "\0" not in text])
def test_a_reader_of_csv_gets_the_text_back(text):
    (row,) = csv.reader(io.StringIO(csv_line([text, 1]), newline=""))
    assert as_meant(row[0]) == text and row[1] == "1"


@pytest.mark.parametrize("sign", ["\0", "\x07", "\x1f", "\ufffe", "\uffff"])
def test_what_xml_can_not_hold_is_left_out(sign):
    """XML 1.0, section 2.2, production 2 (Char)."""
    assert without_odd_signs(f"a{sign}b") == plain_cell(f"a{sign}b") == "ab"
    assert csv_line([f"{sign}=1"]) == '"\'=1"\r\n'


def test_a_moment_is_written_in_the_one_time_that_is_everywhere_the_same():
    # Two hours east of Greenwich, 14:05 is 12:05 there.
    east = datetime.timezone(datetime.timedelta(hours=2))
    assert plain_cell(datetime.datetime(2026, 5, 3, 14, 5, 9, tzinfo=east)) == "2026-05-03 12:05:09"
