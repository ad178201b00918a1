"""A laboratory's certificate as a text table in; plain dataclasses out.

Nothing is made up on the way: the raw text of every cell stays, a mark is never a nought, and where a unit, a column or a
figure can be meant in two ways the certificate comes back with a question (`problems`) instead of an answer.
Layouts of certificates differ by laboratory; those read here are common practice, no source.
"""

import hashlib
from collections import Counter

from prospecting.readers import marks
from prospecting.readers.certificate import Certificate, Choices, Column, ParsedReading, Row
from prospecting.readers.columns import read_columns
from prospecting.readers.header_facts import header_facts
from prospecting.readers.layout import find_layout
from prospecting.readers.samples import Body, with_repeats
from prospecting.readers.text_table import decode
from prospecting.readers.titles import GRADE_UNITS

__all__ = [
    "GRADE_UNITS",
    "Certificate",
    "Choices",
    "Column",
    "ParsedReading",
    "Row",
    "describe",
    "read_certificate",
]


def read_certificate(data: bytes, filename: str = "", *, choices: Choices | None = None) -> Certificate:
    """Return the certificate in a file of comma-, semicolon- or tab-separated text.

    Raises ValueError with a sentence when the file is empty, too large, no text, or has no table of tags and gold. Smaller
    trouble is told in `problems`, each naming line and column; read again with `choices` to answer a question there.

    >>> certificate = read_certificate(b"Sample,Au_ppb\\n234566,<5\\n234577,1250\\n")
    >>> [(row.tag_text, row.readings[0].symbol, row.readings[0].grade_g_per_t) for row in certificate.rows]
    [('234566', 'below', None), ('234577', 'value', Decimal('1.25'))]
    """
    choices = choices or Choices()
    text, encoding = decode(data)
    layout = find_layout(text, choices)
    header = header_facts(layout.lines_above)
    columns, problems = read_columns(layout, header, choices)
    body = Body(layout, columns)
    body.read()
    if not body.rows:
        raise ValueError("No samples stand under the titles of the table; there is nothing to read.")
    return Certificate(
        filename=filename,
        sha256=hashlib.sha256(data).hexdigest(),
        encoding=encoding,
        delimiter=layout.delimiter,
        header=header,
        header_lines=tuple(line for line in layout.lines[: layout.body_at] if not line.is_blank),
        columns=columns,
        rows=with_repeats(body.rows),
        problems=tuple(problems + body.problems),
        ignored_lines=tuple(body.ignored),
    )


def describe(certificate: Certificate) -> list[str]:
    """Return plain sentences that tell a member what was read, before anything is kept."""
    rows, gold = certificate.rows, certificate.gold_columns
    tags = Counter(row.tag_text for row in rows)
    names = "; ".join(f"{_column_words(column)}" for column in gold)
    sentences = _header_sentences(certificate)
    sentences.append(f"{_count(len(rows), 'row')}, gold in {_count(len(gold), 'column')}: {names}.")
    sentences.append(f"The tags stand in {certificate.tag_column}.")
    symbols = Counter(reading.symbol for row in rows for reading in row.readings)
    sentences.append(
        "Readings: " + ", ".join(_symbol_words(symbol, n) for symbol, n in symbols.items()) + "."
    )
    again = sum(1 for n in tags.values() if n > 1)
    if again:
        verb = "stands" if again == 1 else "stand"
        sentences.append(
            f"{_count(again, 'tag')} {verb} on more than one line; every reading is kept, in order."
        )
    for column in certificate.columns:
        if column.meaning in ("mass", "other") and column.title:
            sentences.append(
                f"Column {column.number} ({column.title}) is kept as printed and not read as gold."
            )
    if certificate.ignored_lines:
        left_out = "; ".join(
            f"line {line.number} “{line.text[:80]}”" for line in certificate.ignored_lines[:8]
        )
        more = len(certificate.ignored_lines) - 8
        sentences.append(f"Left out as no sample: {left_out}{f'; and {more} more' if more > 0 else ''}.")
    if certificate.problems:
        sentences.append(f"{_count(len(certificate.problems), 'thing')} to look at before this is kept.")
    return sentences


def _header_sentences(certificate: Certificate) -> list[str]:
    words = {
        "certificate_number": "Certificate number",
        "laboratory": "Laboratory",
        "date_reported": "Day reported, as printed",
        "client_order": "Client order",
    }
    return [f"{words[name]}: {certificate.header[name]}." for name in words if name in certificate.header]


def _column_words(column: Column) -> str:
    parts = [column.method or "method not printed", f"({column.unit})" if column.unit else "(unit not known)"]
    if column.repeat_mark:
        parts.append(column.repeat_mark)
    if column.lower_limit_g_per_t is not None:
        parts.append(f"lower limit {column.lower_limit_g_per_t.normalize():f} g/t")
    return " ".join(parts)


def _symbol_words(symbol: str, number: int) -> str:
    words = {
        marks.VALUE: _count(number, "value"),
        marks.BELOW: f"{number} below a lower limit",
        marks.ABOVE: f"{number} above an upper limit",
        marks.BLANK_CELL: _count(number, "blank cell"),
    }
    return words.get(symbol, f"{number} {symbol}")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
