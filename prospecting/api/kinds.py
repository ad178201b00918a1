"""Kinds of values that the API tells and takes: how each is written, how it is read, and how it is described."""

import datetime
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Choices
from django.utils.dateparse import parse_datetime

# Section 5.6, as JSON Schema's format date-time asks.
RFC_3339 = re.compile(
    r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,9})?(Z|[+-]\d{2}:\d{2})", re.ASCII | re.IGNORECASE
)
# What a database keeps as the number of a record.
LAST_ID = 2**63 - 1


@dataclass(frozen=True)
class Kind:
    """`schema` is its JSON Schema, `says` the same in a few words for a person.

    `write` turns a value of the books into JSON, `read` takes JSON that came and returns the value; it raises ValueError with
    a sentence. `spell` turns the text of an address into the JSON it spells, where that is no text.
    """

    schema: dict
    says: str
    write: Callable[[Any], Any]
    read: Callable[[Any], Any]
    spell: Callable[[str], Any] = str

    def read_text(self, text: str) -> Any:
        return self.read(self.spell(text))


def _as_it_is(value: Any) -> Any:
    return value


def _spell_whole(text: str) -> Any:
    return int(text) if re.fullmatch(r"[0-9]{1,19}", text, re.ASCII) else text


def _spell_yes_no(text: str) -> Any:
    return {"true": True, "false": False}.get(text, text)


def decimal_text(value: Decimal) -> str:
    """A decimal in plain digits, without noughts at its end: 1.50 is 1.5 and 1E+3 is 1000."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def moment_text(moment: datetime.datetime) -> str:
    """A moment in UTC, to the second: 2026-05-03T17:04:00Z."""
    return moment.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _read_decimal(value: Any) -> str:
    """The digits themselves: what was sent is kept beside what it means."""
    if isinstance(value, str) and re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,5})?", value, re.ASCII):
        return value
    raise ValueError('Write the number as text with a point and without a unit, like "12.3".')


def _read_whole(value: Any) -> int:
    # JSON Schema takes 3.0 for a whole number.
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    # True and false are numbers to Python, not to anybody else.
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= LAST_ID:
        return value
    raise ValueError("Give a whole number, 0 or more.")


def _read_yes_no(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    raise ValueError("Give true or false.")


def _read_day(value: Any) -> datetime.date:
    try:
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value, re.ASCII):
            return datetime.date.fromisoformat(value)
    except (TypeError, ValueError):
        pass
    raise ValueError("Write the day as year-month-day, like 2026-05-03.")


def _read_moment(value: Any) -> datetime.datetime:
    moment = None
    if isinstance(value, str) and RFC_3339.fullmatch(value):
        with suppress(ValueError):
            moment = parse_datetime(value.upper())
    # The first and last years are no moments in every zone.
    if moment is not None and 1 < moment.year < 9999:
        return moment
    raise ValueError("Write the moment with its zone, like 2026-05-03T17:04:00Z.")


def _read_identity(value: Any) -> UUID:
    if isinstance(value, str) and re.fullmatch(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}", value):
        return UUID(value)
    raise ValueError("Give a UUID that your program made for this entry, like 9b2e…-….")


def _read_code(value: Any) -> str:
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z0-9-]{1,12}", value, re.ASCII):
        return value.upper()
    raise ValueError("Give the code on the tag: letters, digits and hyphens.")


WHOLE = Kind({"type": "integer", "minimum": 0}, "whole number", _as_it_is, _read_whole, _spell_whole)
ID = Kind(
    {"type": "integer", "format": "int64", "minimum": 0, "maximum": LAST_ID},
    "number of a record",
    _as_it_is,
    _read_whole,
    _spell_whole,
)
YES_NO = Kind({"type": "boolean"}, "true or false", bool, _read_yes_no, _spell_yes_no)
DECIMAL = Kind(
    {"type": "string", "pattern": r"^-?[0-9]+(\.[0-9]+)?$"},
    "decimal as text",
    decimal_text,
    _read_decimal,
)
# What is sent: no sign, and no more places than the books keep.
TYPED_DECIMAL = Kind(
    {"type": "string", "pattern": r"^[0-9]{1,9}(\.[0-9]{1,5})?$"},
    "decimal as text",
    decimal_text,
    _read_decimal,
)
DAY = Kind({"type": "string", "format": "date"}, "day, year-month-day", datetime.date.isoformat, _read_day)
MOMENT = Kind({"type": "string", "format": "date-time"}, "moment in UTC", moment_text, _read_moment)
IDENTITY = Kind({"type": "string", "format": "uuid"}, "UUID", str, _read_identity)
CODE = Kind(
    {"type": "string", "pattern": "^[A-Za-z0-9-]{1,12}$"},
    "code on a tag",
    _as_it_is,
    _read_code,
)


def text(most: int | None = None) -> Kind:
    """Words; at most so many signs where that is said."""

    def read(value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError("Give a text.")
        if most is not None and len(value) > most:
            raise ValueError(f"That is longer than {most} signs.")
        if "\0" in value or not _can_be_kept(value):
            raise ValueError("That holds a sign that can't be kept.")
        return value

    schema = {"type": "string"} if most is None else {"type": "string", "maxLength": most}
    return Kind(schema, "text", str, read)


def _can_be_kept(value: str) -> bool:
    """Half of a pair of surrogates is a sign to JSON, and to no database."""
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return True


TEXT = text()


def one_of(choices: type[Choices]) -> Kind:
    """One of the words by which the books tell kinds, states and outcomes apart."""
    values = [value for value in choices.values if value]

    def read(value: Any) -> str:
        if value in values:
            return value
        raise ValueError(f"Give one of: {', '.join(values)}.")

    return Kind({"type": "string", "enum": values}, f"one of: {', '.join(values)}", str, read)


def list_of(kind: Kind, *, least: int | None = None, most: int | None = None) -> Kind:
    """Several of a kind, in order."""

    def read(value: Any) -> list:
        if not isinstance(value, list) or not (least or 0) <= len(value) <= (most or len(value)):
            raise ValueError(f"Give a list of {least or 0} to {most}." if most else "Give a list.")
        return [kind.read(each) for each in value]

    schema = {"type": "array", "items": kind.schema}
    schema |= {name: limit for name, limit in (("minItems", least), ("maxItems", most)) if limit is not None}
    return Kind(schema, f"list: {kind.says}", lambda values: [kind.write(each) for each in values], read)
