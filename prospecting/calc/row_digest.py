"""One figure for all rows of a table, alike on every database that holds the same rows."""

import datetime
import hashlib
import json
from collections.abc import Iterable
from decimal import Decimal
from uuid import UUID

_MODULUS = 2**256


def rows_digest(rows: Iterable[tuple]) -> tuple[int, str]:
    """How many rows, and 64 hexadecimal signs that change with any value in them, not with the order of the rows.

    The SHA-256 of every row, added up modulo 2**256, so that databases which sort texts differently agree. Against chance
    and faults, not against somebody who chooses rows with intent.

    >>> rows_digest([(1, "a"), (2, None)]) == rows_digest([(2, None), (1, "a")])
    True
    >>> rows_digest([(Decimal("1.50"),)]) == rows_digest([(Decimal("1.5"),)])
    True
    """
    number, total = 0, 0
    for row in rows:
        text = "\x1f".join(map(_written, row))
        total = (total + int.from_bytes(hashlib.sha256(text.encode()).digest())) % _MODULUS
        number += 1
    return number, f"{total:064x}"


def _written(value) -> str:
    """A value with its kind, written alike whichever database gave it."""
    match value:
        case None:
            return "-"
        case bool():
            return f"b{int(value)}"
        case Decimal():
            return f"d{_plain(value)}"
        case datetime.datetime():
            return f"t{value.astimezone(datetime.UTC).isoformat()}"
        case datetime.date():
            return f"y{value.isoformat()}"
        case bytes() | bytearray() | memoryview():
            return f"x{hashlib.sha256(value).hexdigest()}"
        case dict() | list():
            return f"j{json.dumps(value, sort_keys=True)}"
        case UUID():
            return f"u{value.hex}"
        case str():
            return f"s{len(value)}:{value}"
        case int() | float():
            return f"n{value!r}"
    raise TypeError(f"nothing is agreed for {type(value).__name__}")


def _plain(value: Decimal) -> str:
    """Without the zeros behind: 1.50 and 1.5 are one value, and so are 0 and -0."""
    return format(value.normalize(), "f") if value else "0"
