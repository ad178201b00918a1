"""Lists as files for other programs: CSV and spreadsheets, with every text inert (calc/cells.py)."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import chain, islice
from typing import TYPE_CHECKING, BinaryIO

from prospecting.calc.book_cells import LONGEST_CELL, MOST_SHEET_ROWS
from prospecting.calc.cells import Cell, csv_line, plain_cell
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written, numeral

if TYPE_CHECKING:
    from openpyxl import Workbook

# Enough lines to see how wide a column is.
LOOKED_AT = 200
WIDEST = 60
CUT = "… (longer than a cell holds)"


class DoesNotFit(Exception):
    """A sentence: what a spreadsheet can't hold."""


@as_written()
def write_csv(file: BinaryIO, lines: Iterable[Sequence[Cell]]) -> None:
    """Write the lines as CSV (RFC 4180) in UTF-8 with its mark, by which a spreadsheet knows it."""
    file.write("".encode("utf-8-sig"))
    for line in lines:
        file.write(csv_line(line).encode())


@as_written()
def write_xlsx(file: BinaryIO, sheets: Iterable[tuple[str, Iterable[Sequence[Cell]]]]) -> None:
    """Write a spreadsheet (ECMA-376) of sheets with their names, the first line of each being its titles.

    DoesNotFit where a list is longer than a sheet.
    """
    with saved_book(file) as book:
        for name, lines in sheets:
            _fill(book.create_sheet(name), iter(lines))


@contextmanager
def saved_book(file: BinaryIO) -> Iterator["Workbook"]:
    """A spreadsheet whose sheets are written from top to bottom, saved into `file` at the end.

    openpyxl keeps each sheet unpacked in the folder for temporary files and takes it away once it is saved; here also where
    anything goes wrong before.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    try:
        yield book
        book.save(file)
    finally:
        for sheet in book.worksheets:
            _take_away(sheet)


def _take_away(sheet) -> None:
    if sheet._writer is None:
        return
    # A disk that is full refuses the end of the sheet as well; one that is saved is closed and gone already.
    with suppress(Exception):
        sheet.close()
    with suppress(FileNotFoundError):
        sheet._writer.cleanup()


def check_length(rows: int) -> None:
    """DoesNotFit where so many rows below their titles are more than a sheet holds."""
    if rows >= MOST_SHEET_ROWS:
        raise DoesNotFit(
            phrase(
                "This list is longer than a sheet, which holds {number} lines. Take the CSV.",
                number=numeral(MOST_SHEET_ROWS, ","),
            )
        )


def safe_cells(sheet, line: Iterable, *, bold: bool = False) -> list:
    """The cells of one line of a sheet that is written from top to bottom: texts as texts, whatever they begin with."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    cells = []
    for value in line:
        if value == "":
            cells.append(None)
        elif isinstance(value, str):
            cell = WriteOnlyCell(sheet, value)
            cell.data_type = "s"
            if bold:
                cell.font = Font(bold=True)
            cells.append(cell)
        else:
            cells.append(value)
    return cells


def _fill(sheet, lines: Iterator[Sequence[Cell]]) -> None:
    from openpyxl.utils import get_column_letter

    first = [[_fitting(value) for value in line] for line in islice(lines, LOOKED_AT)]
    sheet.freeze_panes = "A2"
    for place in range(len(first[0])):
        widest = max(len(str(line[place] if line[place] is not None else "")) for line in first)
        sheet.column_dimensions[get_column_letter(place + 1)].width = min(widest + 2, WIDEST)
    rest = ([_fitting(value) for value in line] for line in lines)
    for number, line in enumerate(chain(first, rest)):
        check_length(number)
        sheet.append(safe_cells(sheet, line, bold=number == 0))


def _fitting(value: Cell) -> Cell:
    """A cell's value; a text too long for a cell says so at its end."""
    plain = plain_cell(value)
    if isinstance(plain, str) and len(plain) > LONGEST_CELL:
        return plain[: LONGEST_CELL - len(CUT)] + CUT
    return plain
