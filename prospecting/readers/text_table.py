"""The bytes of a text table in; its lines, each cut into cells, out."""

import codecs
import csv
import io
import re
from dataclasses import dataclass

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral

MOST_BYTES = 2_000_000
MOST_LINES = 20_000
MOST_CELLS = 200
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright strokes"}

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
# Tab, line feed, form feed and carriage return belong in a text; so does the end mark that old systems write.
_NOT_TEXT = re.compile("[\x00-\x08\x0b\x0e-\x19\x1b-\x1f]")


class NoTable(ValueError):
    """Nothing in the text looks like a table, cut in this way."""


@dataclass(frozen=True)
class Line:
    """One line of the file, cells exactly as printed; `number` counts from 1, as a text editor does."""

    number: int
    cells: tuple[str, ...]

    @property
    def text(self) -> str:
        """The cells that hold something, as one text."""
        return "  ".join(cell.strip() for cell in self.cells if cell.strip())

    @property
    def is_blank(self) -> bool:
        return not any(cell.strip() for cell in self.cells)

    def cell(self, index: int) -> str:
        """The cell at `index`, empty where the line ends before it."""
        return self.cells[index] if index < len(self.cells) else ""


@dataclass(frozen=True)
class Grid:
    """A file's lines cut into cells in one way: at a delimiter, at blanks, or one sheet of a spreadsheet."""

    lines: list[Line]
    delimiter: str = ""
    sheet: str = ""
    notes: tuple[str, ...] = ()
    # Taken only where no other way gives a table.
    is_last_resort: bool = False
    # Why it could not be cut so.
    refusal: ValueError | None = None

    @property
    def has_decimal_comma(self) -> bool:
        """Whether a comma may be the decimal sign: common where cells are divided by semicolons."""
        return self.delimiter == ";"


def decode(data: bytes) -> tuple[str, str]:
    """Return the text and the name of its encoding; ValueError with a sentence where this is no text."""
    if len(data) > MOST_BYTES:
        raise ValueError(
            phrase(
                "The file has {size} bytes; a certificate of at most {most} bytes is read.",
                size=numeral(len(data), ","),
                most=numeral(MOST_BYTES, ","),
            )
        )
    start = data[:1024].lstrip()
    if start.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise ValueError(
            phrase(
                "This looks like a spreadsheet of a kind that is not read; save it as .xlsx or CSV and send that file."
            )
        )
    if start.startswith(b"%PDF"):
        raise ValueError(
            phrase("This looks like a PDF; ask the laboratory for a CSV file, or type the readings in.")
        )
    text, name = _decoded(data)
    if not text.strip("\x1a \t\r\n\f\xa0"):
        raise ValueError(phrase("The file is empty."))
    if _NOT_TEXT.search(text):
        raise ValueError(
            phrase("This is not a plain text file; save the certificate as CSV (UTF-8) and send that file.")
        )
    return text, name


def _decoded(data: bytes) -> tuple[str, str]:
    for mark, codec, name in _MARKS:
        if data.startswith(mark):
            try:
                return data.decode(codec), name
            except UnicodeDecodeError:
                raise ValueError(
                    phrase(
                        "The file says it is {encoding} text but cannot be read as that; save it again.",
                        encoding=name,
                    )
                ) from None
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        return data.decode("latin-1"), "Latin-1"


def split_lines(text: str, delimiter: str) -> list[Line]:
    """Return every line, blank ones too, cut at `delimiter`; ValueError with a sentence where it cannot be cut.

    Strict about quotation marks: a stray one would swallow the samples up to the next one without a word.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    lines: list[Line] = []
    number = 1
    try:
        for cells in reader:
            if len(lines) == MOST_LINES:
                raise ValueError(
                    phrase(
                        "The file has more than {most} lines; divide it and read the parts.",
                        most=numeral(MOST_LINES, ","),
                    )
                )
            if len(cells) > MOST_CELLS:
                raise ValueError(too_many_cells(number))
            lines.append(Line(number, tuple(cells)))
            number = reader.line_num + 1
    except csv.Error:
        raise ValueError(
            phrase(
                "Line {line} has a quotation mark that is stray or never closed, or a cell far too long; mend that line.",
                line=number,
            )
        ) from None
    return lines


def too_many_cells(line_number: int) -> str:
    return phrase(
        "Line {line} has more than {most} cells; this is no certificate.", line=line_number, most=MOST_CELLS
    )


def used_width(line: Line) -> int:
    return max((index + 1 for index, cell in enumerate(line.cells) if cell.strip()), default=0)


def one_line(cell: str) -> str:
    return " ".join(cell.split())
