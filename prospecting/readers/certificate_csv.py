"""A laboratory's certificate in, as text, pasted table or spreadsheet; plain dataclasses out.

Nothing is made up on the way: the raw text of every cell stays, a mark is never a nought, and where a unit, a column or a
figure can be meant in two ways the certificate comes back with a question (`problems`) instead of an answer.
Layouts of certificates differ by laboratory; those read here are common practice, no source.
"""

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase, phrase_counted
from prospecting.readers import marks
from prospecting.readers.blank_table import split_at_blanks
from prospecting.readers.certificate import (
    Certificate,
    Choices,
    Column,
    ParsedReading,
    Row,
    TableUnknown,
)
from prospecting.readers.columns import read_columns
from prospecting.readers.header_facts import header_facts
from prospecting.readers.layout import find_layout
from prospecting.readers.samples import Body, with_repeats
from prospecting.readers.sheet_table import is_spreadsheet, read_sheets
from prospecting.readers.text_table import (
    DELIMITERS,
    Grid,
    Line,
    decode,
    one_line,
    split_lines,
    used_width,
)
from prospecting.readers.titles import GRADE_UNITS, LONGEST_TITLE

__all__ = [
    "GRADE_UNITS",
    "Certificate",
    "Choices",
    "Column",
    "ParsedReading",
    "Row",
    "TableUnknown",
    "describe",
    "open_certificate",
    "read_certificate",
    "read_opened",
    "titles_of",
]


@dataclass(frozen=True)
class Opened:
    """A file cut into cells in every way it can be; nothing of it is understood yet."""

    sha256: str
    filename: str
    encoding: str
    grids: list[Grid]


def open_certificate(data: bytes, filename: str = "") -> Opened:
    """Cut a file into cells; ValueError with a sentence when it is empty, too large, neither text nor a spreadsheet."""
    sha256 = hashlib.sha256(data).hexdigest()
    if is_spreadsheet(data):
        return Opened(sha256, filename, "", read_sheets(data))
    text, encoding = decode(data)
    return Opened(sha256, filename, encoding, text_grids(text))


def text_grids(text: str) -> list[Grid]:
    """The text cut at each delimiter that is in it, most frequent first, and at blanks; ValueError where none can be."""
    grids, refusals = [], []
    for delimiter in sorted(DELIMITERS, key=text.count, reverse=True):
        try:
            grids.append(Grid(split_lines(text, delimiter), delimiter))
        except ValueError as refusal:
            refusals.append(refusal)
    if not grids or (refusals and text.count(grids[0].delimiter) == 0):
        raise refusals[0]
    try:
        last = Grid(split_at_blanks(text), "blanks", is_last_resort=True)
    except ValueError as refusal:
        last = Grid([], "blanks", is_last_resort=True, refusal=refusal)
    return [*grids, last]


@dataclass(frozen=True)
class Titles:
    """What a table is known by again; `unknown_at` is the line of titles where the columns have to be said."""

    sha256: str
    text: str
    unknown_at: int | None = None


def titles_of(opened: Opened, sheet: str | None = None) -> Titles:
    """Return the titles of a table as they stand; ValueError where there is no table."""
    unknown_at = None
    try:
        layout = find_layout(opened.grids, Choices(sheet=sheet))
        beside = [line for label, line in layout.below if label in ("", "unit", "method", "title")]
        told = [*layout.above, layout.title_line, *beside]
    except TableUnknown as unknown:
        told, unknown_at = [unknown.title_line], unknown.title_line.number
    text = " | ".join(
        one_line(cell)[:LONGEST_TITLE] for line in told for cell in line.cells[: used_width(line)]
    )
    return Titles(hashlib.sha256(text.casefold().encode()).hexdigest(), text, unknown_at)


def read_certificate(data: bytes, filename: str = "", *, choices: Choices | None = None) -> Certificate:
    """Return the certificate in a file: text divided by any usual sign or by blanks, or a spreadsheet.

    Raises ValueError with a sentence when the file is empty, too large, neither text nor spreadsheet, or has no table of tags
    and gold (TableUnknown where a member can name the columns). Smaller trouble is told in `problems`, each naming line and
    column; read again with `choices` to answer a question there.

    >>> certificate = read_certificate(b"Sample,Au_ppb\\n234566,<5\\n234577,1250\\n")
    >>> [(row.tag_text, row.readings[0].symbol, row.readings[0].grade_g_per_t) for row in certificate.rows]
    [('234566', 'below', None), ('234577', 'value', Decimal('1.25'))]
    """
    return read_opened(open_certificate(data, filename), choices or Choices())


def read_opened(opened: Opened, choices: Choices) -> Certificate:
    layout = find_layout(opened.grids, choices)
    header = header_facts(layout.lines_above)
    columns, problems = read_columns(layout, header, choices)
    body = Body(layout, columns)
    body.read()
    if not body.rows:
        raise ValueError(phrase("No samples stand under the titles of the table; there is nothing to read."))
    return Certificate(
        filename=opened.filename,
        sha256=opened.sha256,
        encoding=opened.encoding,
        delimiter=layout.grid.delimiter,
        header=header,
        header_lines=tuple(line for line in layout.lines[: layout.body_at] if not line.is_blank),
        columns=columns,
        rows=with_repeats(body.rows),
        problems=tuple(problems + body.problems),
        ignored_lines=tuple(body.ignored),
        title_line=layout.title_line,
        sheet=layout.grid.sheet,
        sheets=tuple(grid.sheet for grid in opened.grids if grid.sheet),
        notes=layout.grid.notes,
    )


_MOST_COLUMNS_NAMED = 12


def describe(certificate: Certificate) -> list[str]:
    """Return plain sentences that tell a member what was read, before anything is kept."""
    rows, gold = certificate.rows, certificate.gold_columns
    tags = Counter(row.tag_text for row in rows)
    sentences = _header_sentences(certificate)
    sentences.append(
        phrase(
            "{rows}, gold in {columns}: {names}.",
            rows=phrase_counted("{number} row", "{number} rows", len(rows)),
            columns=phrase_counted("{number} column", "{number} columns", len(gold)),
            names="; ".join(map(_column_words, gold)),
        )
    )
    if certificate.sheet:
        sentences.append(phrase("Read from sheet {sheet}.", sheet=certificate.sheet))
    sentences.append(phrase("The tags stand in {column}.", column=certificate.tag_column))
    symbols = Counter(reading.symbol for row in rows for reading in row.readings)
    counts = ", ".join(_symbol_words(symbol, n) for symbol, n in symbols.items())
    sentences.append(phrase("Readings: {counts}.", counts=counts))
    again = sum(1 for n in tags.values() if n > 1)
    if again:
        sentences.append(
            phrase_counted(
                "{number} tag stands on more than one line; every reading is kept, in order.",
                "{number} tags stand on more than one line; every reading is kept, in order.",
                again,
            )
        )
    sentences += [
        _mass_column_words(column)
        for column in certificate.columns
        if column.meaning == "mass" and column.part
    ]
    sentences += _not_read_sentences(certificate)
    sentences += certificate.notes
    if certificate.ignored_lines:
        sentences.append(_left_out_sentence(certificate.ignored_lines))
    if certificate.problems:
        sentences.append(
            phrase_counted(
                "{number} thing to look at before this is kept.",
                "{number} things to look at before this is kept.",
                len(certificate.problems),
            )
        )
    return sentences


def _header_sentences(certificate: Certificate) -> list[str]:
    words = {
        "certificate_number": phrase("Certificate number"),
        "laboratory": phrase("Laboratory"),
        "date_reported": phrase("Day reported, as printed"),
        "client_order": phrase("Client order"),
    }
    return [f"{words[name]}: {certificate.header[name]}." for name in words if name in certificate.header]


def _column_words(column: Column) -> str:
    parts = [
        column.method or phrase("method not printed"),
        f"({column.unit})" if column.unit else phrase("(unit not known)"),
    ]
    if column.part:
        parts.append(phrase("{part} fraction of a screen fire assay", part=phrase(column.part)))
    if column.repeat_mark:
        parts.append(phrase(column.repeat_mark))
    if column.lower_limit_g_per_t is not None:
        limit = f"{column.lower_limit_g_per_t.normalize():f}"
        parts.append(phrase("lower limit {limit} g/t", limit=limit))
    return " ".join(parts)


def _mass_column_words(column: Column) -> str:
    said = {"column": column.number, "title": column.title, "part": phrase(column.part)}
    if column.unit:
        return phrase(
            "Column {column} ({title}) is the mass of the {part} fraction in {unit}.",
            unit=column.unit,
            **said,
        )
    return phrase("Column {column} ({title}) is the mass of the {part} fraction.", **said)


def _not_read_sentences(certificate: Certificate) -> list[str]:
    """That the columns that are no gold are kept as printed; nothing where there are none."""
    left = [
        f"{column.number} ({column.title})"
        for column in certificate.columns
        if column.title and (column.meaning == "other" or column.meaning == "mass" and not column.part)
    ]
    if not left:
        return []
    named = ", ".join(left[:_MOST_COLUMNS_NAMED])
    if len(left) > _MOST_COLUMNS_NAMED:
        return [phrase("Kept as printed and not read as gold: columns {named} and more.", named=named)]
    return [
        phrase_counted(
            "Kept as printed and not read as gold: column {named}.",
            "Kept as printed and not read as gold: columns {named}.",
            len(left),
            named=named,
        )
    ]


def _left_out_sentence(lines: Sequence[Line]) -> str:
    named = "; ".join(
        phrase("line {number} “{text}”", number=line.number, text=line.text[:80]) for line in lines[:8]
    )
    if len(lines) > 8:
        return phrase("Left out as no sample: {lines}; and {more} more.", lines=named, more=len(lines) - 8)
    return phrase("Left out as no sample: {lines}.", lines=named)


def _symbol_words(symbol: str, number: int) -> str:
    if symbol == marks.VALUE:
        return phrase_counted("{number} value", "{number} values", number)
    if symbol == marks.BLANK_CELL:
        return phrase_counted("{number} blank cell", "{number} blank cells", number)
    if symbol == marks.BELOW:
        return phrase("{number} below a lower limit", number=number)
    if symbol == marks.ABOVE:
        return phrase("{number} above an upper limit", number=number)
    return phrase("{number} {mark}", number=number, mark=phrase(symbol))
