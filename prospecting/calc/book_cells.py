"""What one cell of the whole books is written as, in a line of JSON and in a sheet, and read back as the same value."""

import base64
import binascii
import datetime
import json
import uuid
from collections.abc import Callable
from decimal import Decimal, InvalidOperation

from prospecting.calc.cells import as_meant, for_xml, from_xml, inert

FORMAT = "whole books of a prospecting group"
VERSION = 1
FILES_LIST = "photos.jsonl"
ABOUT_SHEET, TABLES_SHEET, COLUMNS_SHEET, LEFT_OUT_SHEET = "about", "all tables", "all columns", "left out"
# A column's kind of value, by the words that stand in the file.
WHOLE, DECIMAL, TEXT, YES, MOMENT, DAY, IDENTITY, BYTES, JSON = (
    "whole number",
    "decimal number",
    "text",
    "true or false",
    "moment",
    "day",
    "identity",
    "bytes",
    "JSON",
)
WRITTEN_AS = {
    WHOLE: "a number",
    DECIMAL: "text, so that no digit is lost: 1200.00000",
    TEXT: "text",
    YES: "true or false",
    MOMENT: "text, in UTC: 2026-05-03T14:05:00.000000Z",
    DAY: "text: 2026-05-03",
    IDENTITY: "text of a UUID",
    BYTES: "text in base64",
    JSON: "JSON as it is, names in the order of the alphabet",
}
# A spreadsheet keeps so many digits of a number; the names of its limits: Microsoft, "Excel specifications and limits".
MOST_DIGITS = 15
LONGEST_CELL = 32_767
MOST_SHEET_ROWS = 1_048_576
UNITS = {
    "g_per_t": "g/t",
    "g_per_ml": "g/mL",
    "mg_per_l": "mg/L",
    "ml_per_l": "mL/L",
    "px_per_mm": "px/mm",
    "g": "g",
    "mg": "mg",
    "ml": "mL",
    "um": "µm",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "min": "min",
    "s": "s",
    "days": "days",
    "px": "px",
    "bytes": "bytes",
    "temp_c": "°C",
    "minutes": "min",
}
Json = str | int | bool | list | dict | float | None


def unit_of(name: str) -> str:
    """Return the unit that the end of a column's name says, or nothing.

    >>> unit_of("on_hand_g"), unit_of("limit_g_per_t"), unit_of("minutes"), unit_of("note")
    ('g', 'g/t', 'min', '')
    """
    parts = name.split("_")
    ends = ("_".join(parts[start:]) for start in range(len(parts)))
    return next((UNITS[end] for end in ends if end in UNITS), "")


def as_json(kind: str, value: object, places: int = 0) -> Json:
    """Return a value of the books as what stands for it in a line of JSON; `places` are a decimal's digits behind the point."""
    return None if value is None else _WRITE[kind](value, places)


def from_json(kind: str, written: Json, places: int = 0) -> object:
    """Return the value that `as_json` was given; ValueError with the end of a sentence where it is not written that way.

    >>> from_json(DECIMAL, "1200.00000", 5), from_json(DAY, "2026-05-03")
    (Decimal('1200.00000'), datetime.date(2026, 5, 3))
    """
    if written is None:
        return None
    try:
        value = _READ[kind](written)
        # One way of writing each value, or what comes in would go out otherwise.
        if as_json(kind, value, places) == written:
            return value
    except (ValueError, TypeError, AttributeError, InvalidOperation, binascii.Error, RecursionError):
        pass
    raise ValueError(f"{str(written)[:40]!r} is not a {kind} as these books write it ({WRITTEN_AS[kind]})")


def json_text(written: Json) -> str:
    """Return the one text of a piece of JSON."""
    return json.dumps(written, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def as_cell(kind: str, written: Json) -> str | int | bool | Decimal | None:
    """Return what stands in a sheet for a value as `as_json` writes it: numbers as numbers, texts that run nowhere.

    A number of more digits than a spreadsheet keeps is given as text. The text may be longer than a cell holds.
    """
    if written is None or kind == YES:
        return written
    if kind in (WHOLE, DECIMAL) and len(str(written).lstrip("-0.").replace(".", "")) <= MOST_DIGITS:
        return Decimal(written) if kind == DECIMAL else written
    return for_xml(inert(json_text(written) if kind == JSON else str(written)))


def from_cell(kind: str, cell: object, places: int = 0, *, may_be_empty: bool) -> Json:
    """Return what `as_cell` was given; an empty cell is nothing, or where that may not be, an empty text.

    Raises ValueError where the cell can't be read as its kind.
    """
    if cell is None or cell == "":
        return None if may_be_empty else ""
    if isinstance(cell, bool):
        if kind == YES:
            return cell
        raise ValueError(f"{cell} is not a {kind}")
    text = as_meant(from_xml(cell)) if isinstance(cell, str) else str(cell)
    try:
        if kind == DECIMAL:
            return as_json(DECIMAL, Decimal(text), places)
        if kind == WHOLE:
            return int(text)
        return json.loads(text) if kind == JSON else text
    except (ValueError, InvalidOperation, RecursionError):
        raise ValueError(f"{text[:40]!r} is not a {kind}") from None


def steady(written: Json) -> Json:
    """Return a piece of JSON as every database gives it back: names in order, a great float as a whole number, no minus nought.

    >>> steady({"b": 1e16, "a": -0.0})
    {'a': 0.0, 'b': 10000000000000000}
    """
    if isinstance(written, dict):
        return {name: steady(written[name]) for name in sorted(written)}
    if isinstance(written, list):
        return [steady(each) for each in written]
    if isinstance(written, float):
        return int(written) if abs(written) >= 1e16 and written.is_integer() else written + 0.0
    return written


def _decimal(value: Decimal, places: int) -> str:
    if not value.is_finite():
        raise ValueError("no number")
    # Plus nought: one database keeps the sign of a minus nought, the other doesn't.
    return f"{value.quantize(Decimal(1).scaleb(-places)) + 0:f}"


def _moment(value: datetime.datetime, places: int) -> str:
    return f"{value.astimezone(datetime.UTC).replace(tzinfo=None).isoformat(timespec='microseconds')}Z"


def _same(value: object, places: int) -> object:
    return value


_WRITE: dict[str, Callable] = {
    WHOLE: _same,
    DECIMAL: _decimal,
    TEXT: _same,
    YES: _same,
    MOMENT: _moment,
    DAY: lambda value, places: value.isoformat(),
    IDENTITY: lambda value, places: str(value),
    BYTES: lambda value, places: base64.b64encode(value).decode(),
    JSON: lambda value, places: steady(value),
}


def _kept(kind: type) -> Callable:
    def read(written: Json) -> object:
        if type(written) is not kind:
            raise TypeError
        return written

    return read


_READ: dict[str, Callable] = {
    WHOLE: _kept(int),
    DECIMAL: lambda written: Decimal(_kept(str)(written)),
    TEXT: _kept(str),
    YES: _kept(bool),
    MOMENT: datetime.datetime.fromisoformat,
    DAY: datetime.date.fromisoformat,
    IDENTITY: uuid.UUID,
    BYTES: lambda written: base64.b64decode(written, validate=True),
    JSON: lambda written: written,
}
