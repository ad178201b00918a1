"""Texts in the cells of tables for other programs: never a formula there, and read back as they were."""

import datetime
import re
from collections.abc import Sequence
from decimal import Decimal

Cell = str | Decimal | int | float | bool | datetime.date | None

# What a spreadsheet takes for the beginning of a formula, also in its full-width form, behind blanks and apostrophes (OWASP
# Application Security Verification Standard 5.0.0, 1.2.10, names = + - @, tab and NUL).
_RUNS_AS_FORMULA = re.compile("['\\s\\x00-\\x1f\\xa0\\u200b\\ufeff]*[=+\\-@＝＋－＠\\t\\r\\n\\0]")
# Signs below the blank that no text of ours holds, and two that are no signs in Unicode nor in XML; a table for other programs
# leaves them out.
_NO_SIGN = re.compile("[\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\ufffe\\uffff]")
# What XML can't hold, and what looks like the way such signs are written (ECMA-376 part 1, 22.9.2.19, ST_Xstring).
_TO_WRITE_OUT = re.compile("[\\x00-\\x08\\x0b-\\x1f\\ufffe\\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_WRITTEN_OUT = re.compile("_x([0-9A-Fa-f]{4})_")


def inert(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula: an apostrophe goes before what would start one.

    A text that already begins with apostrophes before such a sign gets one more, so that `as_meant` takes off what was put
    there and no other. Numbers are not given here: they stay numbers.

    >>> inert("=1+1"), inert("rinse, low"), inert("  @home"), inert("'=1")
    ("'=1+1", 'rinse, low', "'  @home", "''=1")
    """
    return f"'{text}" if _RUNS_AS_FORMULA.match(text) else text


def as_meant(text: str) -> str:
    """Return a text read from a cell without the apostrophe that `inert` put before it.

    >>> as_meant("'=1+1"), as_meant("'t Hof"), as_meant("''=1")
    ('=1+1', "'t Hof", "'=1")
    """
    return text[1:] if text.startswith("'") and _RUNS_AS_FORMULA.match(text) else text


def without_odd_signs(text: str) -> str:
    """Return the text without signs that no text of ours holds (NUL, bell and the like); tabs and line ends stay.

    >>> without_odd_signs("a\\x07b\\tc")
    'ab\\tc'
    """
    return _NO_SIGN.sub("", text)


def plain_cell(value: Cell) -> str | Decimal | int | float | None:
    """Return what stands in a cell of a list for other programs: numbers bare, days and moments as text, yes or no.

    >>> plain_cell(Decimal("-1.50")), plain_cell("=1"), plain_cell(True), plain_cell(datetime.date(2026, 5, 3))
    (Decimal('-1.5'), "'=1", 'yes', '2026-05-03')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime.datetime):
        return value.astimezone(datetime.UTC).strftime("%Y-%m-%d %H:%M:%S")
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return value.normalize()
    return inert(without_odd_signs(value)) if isinstance(value, str) else value


def csv_line(line: Sequence[Cell]) -> str:
    """Return one line of a CSV file (RFC 4180): every text in quotation marks and inert, numbers bare, line end and all.

    >>> csv_line(["rinse", Decimal("-1.50"), None])
    '"rinse",-1.5,\\r\\n'
    """
    return f"{','.join(map(_csv_cell, line))}\r\n"


def _csv_cell(value: Cell) -> str:
    plain = plain_cell(value)
    if isinstance(plain, str):
        return '"' + plain.replace('"', '""') + '"'
    if isinstance(plain, Decimal):
        return f"{plain:f}"
    return "" if plain is None else str(plain)


def for_xml(text: str) -> str:
    """Return the text with signs that a spreadsheet's XML can't hold, or would change, written out as _xHHHH_.

    >>> for_xml("a\\r\\nb"), for_xml("_x0041_")
    ('a_x000D_\\nb', '_x005F_x0041_')
    """
    return _TO_WRITE_OUT.sub(lambda found: f"_x{ord(found[0]):04X}_", text)


def from_xml(text: str) -> str:
    """Return the text that `for_xml` was given.

    >>> from_xml("a_x000D_\\nb"), from_xml("_x005F_x0041_")
    ('a\\r\\nb', '_x0041_')
    """
    return _WRITTEN_OUT.sub(lambda found: chr(int(found[1], 16)), text)
