"""The whole books as one file for people and other programs: a ZIP of lines of JSON with the photos, or a spreadsheet.

Read as they stood at one moment and written table by table, a thousand rows at a time, however many there are. What they may not
hold is said in the file itself; nothing is cut short in silence.
"""

import hashlib
import json
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from textwrap import wrap
from typing import BinaryIO

from django.core.files.storage import default_storage
from django.db.models import Sum
from django.utils import timezone

from prospecting.calc.book_cells import (
    ABOUT_SHEET,
    BYTES,
    COLUMNS_SHEET,
    FILES_LIST,
    FORMAT,
    JSON,
    LEFT_OUT_SHEET,
    LONGEST_CELL,
    MOST_SHEET_ROWS,
    TABLES_SHEET,
    TEXT,
    VERSION,
    WRITTEN_AS,
    as_cell,
    as_json,
    json_text,
)
from prospecting.calc.cells import for_xml, inert
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.frames.keeping import database_bytes
from prospecting.frames.one_moment import books_as_of_now
from prospecting.frames.sheets import DoesNotFit, safe_cells, saved_book
from prospecting.models import Photo
from prospecting.models.whole_books import BookColumn, BookTable, book_tables, file_names
from prospecting.version import site_version

WITHOUT = to_phrase(
    "Not in it: passwords, codes for signing in, devices signed in, keys of programs and of calendars, invitations. Every member "
    "is in it with name and role, and gets a new password on the site that takes these books in."
)
CAUTION = to_phrase(
    "It holds everything: positions, papers of claims, photos, and the keys of blocks that are still open. Whoever reads those "
    "is no longer blind. Keep it where only keepers reach it."
)
CHUNK = 1024 * 1024


def room_for_books(*, with_photos: bool) -> int:
    """Bytes that the file stays below in all likelihood: the database as it lies, and the photos that go along."""
    photos = Photo.objects.aggregate(size=Sum("size_bytes"))["size"] if with_photos else 0
    return database_bytes() + (photos or 0)


@dataclass(frozen=True)
class TableWritten:
    table: BookTable
    rows: int
    sha256: str
    last_number: int


@dataclass(frozen=True)
class BooksWritten:
    """What went into the file: rows of all tables, files beside them, and cells a spreadsheet had to leave out."""

    rows: int
    files: int
    left_out: int = 0


def write_books(file: BinaryIO, *, told: Callable[[str], None] = lambda line: None) -> BooksWritten:
    """Write the whole books into `file` as a ZIP; each table's name and rows are `told` when it is done."""
    with (
        books_as_of_now(),
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed,
    ):
        tables = []
        for table in book_tables():
            with packed.open(_member(f"tables/{table.name}.jsonl"), "w", force_zip64=True) as out:
                written = _write_lines(table, out)
            told(f"{table.name}: {written.rows}")
            tables.append(written)
        files, listing = _write_files(packed)
        told(f"photos: {files}")
        packed.writestr(_member(FILES_LIST), listing)
        facts = _facts(tables) | {"files_sha256": hashlib.sha256(listing).hexdigest()}
        packed.writestr(_member("books.json"), json.dumps(facts, ensure_ascii=False, indent=1).encode())
        packed.writestr(_member("README.txt"), _readme(tables).encode())
    return BooksWritten(rows=sum(each.rows for each in tables), files=files)


def write_spreadsheet(file: BinaryIO, *, told: Callable[[str], None] = lambda line: None) -> BooksWritten:
    """Write the whole books into `file` as a spreadsheet, one sheet for each table; DoesNotFit where one is too long."""
    with books_as_of_now():
        for table in book_tables():
            if (rows := table.count()) >= MOST_SHEET_ROWS:
                raise DoesNotFit(
                    phrase(
                        "Table {table} has {rows} rows, and a sheet holds {most} below its titles. Take the ZIP instead.",
                        table=table.name,
                        rows=numeral(rows, ","),
                        most=numeral(MOST_SHEET_ROWS - 1, ","),
                    )
                )
        with saved_book(file) as book:
            sheets = {name: book.create_sheet(name) for name in (ABOUT_SHEET, TABLES_SHEET, COLUMNS_SHEET)}
            left_out: list[list] = []
            tables = []
            for table in book_tables():
                tables.append(_write_sheet(table, book.create_sheet(table.name), left_out))
                told(f"{table.name}: {tables[-1].rows}")
            sheets[LEFT_OUT_SHEET] = book.create_sheet(LEFT_OUT_SHEET)
            for name, lines in _sheets_about(tables, left_out).items():
                for line in lines:
                    sheets[name].append(safe_cells(sheets[name], line))
    return BooksWritten(rows=sum(each.rows for each in tables), files=0, left_out=len(left_out))


def _member(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, date_time=timezone.now().timetuple()[:6])
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


def _write_lines(table: BookTable, out: BinaryIO) -> TableWritten:
    rows, read = 0, hashlib.sha256()
    for row in table.rows():
        line = table.line(row)
        read.update(line)
        out.write(line)
        rows += 1
    return TableWritten(table, rows, read.hexdigest(), table.last_number())


def _write_files(packed: zipfile.ZipFile) -> tuple[int, bytes]:
    """Every file that a row names, as it is; how many there were, and the list of them as lines of JSON."""
    count, lines = 0, []
    for name in file_names():
        facts: dict = {"name": name, "missing": True}
        if default_storage.exists(name):
            info = _member(f"photos/{name}")
            # A picture is packed already.
            info.compress_type = zipfile.ZIP_STORED
            read, size = hashlib.sha256(), 0
            with default_storage.open(name) as picture, packed.open(info, "w", force_zip64=True) as out:
                while chunk := picture.read(CHUNK):
                    read.update(chunk)
                    out.write(chunk)
                    size += len(chunk)
            facts = {"name": name, "bytes": size, "sha256": read.hexdigest()}
            count += 1
        lines.append(f"{json_text(facts)}\n")
    return count, "".join(lines).encode()


def _facts(tables: list[TableWritten]) -> dict:
    return {
        "format": FORMAT,
        "version": VERSION,
        "site_version": site_version(),
        "made_at": as_json("moment", timezone.now()),
        "left_out": WITHOUT,
        "caution": CAUTION,
        "tables": [
            {
                "name": each.table.name,
                "meaning": each.table.meaning,
                "file": f"tables/{each.table.name}.jsonl",
                "rows": each.rows,
                "sha256": each.sha256,
                "last_number": each.last_number,
                "columns": [_told(column) for column in each.table.columns],
            }
            for each in tables
        ],
    }


def _told(column: BookColumn) -> dict:
    told = {"name": column.name, "holds": column.kind, "may_be_empty": column.may_be_empty}
    if column.places:
        told["digits_behind_the_point"] = column.places
    if column.unit:
        told["unit"] = column.unit
    return told | {"meaning": column.meaning}


def _readme(tables: list[TableWritten]) -> str:
    """What the file is and what each column means, for who opens it without the site."""
    lines = [
        "The whole books of a prospecting group",
        "=" * 38,
        "",
        f"Format: {FORMAT}, version {VERSION}.",
        f"Written {timezone.now():%Y-%m-%d %H:%M} UTC by version {site_version()} of the site.",
        "",
        *wrap(CAUTION, 120),
        "",
        *wrap(WITHOUT, 120),
        "",
        "books.json        what is in the file: for each table its rows, its hash (SHA-256) and its columns",
        "tables/*.jsonl    one table each, in UTF-8: one row on a line, as a JSON object",
        f"{FILES_LIST}      the files of photos, each with its size and hash; missing: its file was gone already",
        "photos/           the photos under their own names",
        "",
        "How values are written:",
        *(f"  {kind}: {how}" for kind, how in WRITTEN_AS.items()),
        "  nothing: null, and only where a column may be empty",
        "",
        "A column whose name ends in _id holds the number (id) of a row of another table.",
        "Rows stand in the order of their numbers. Units stand at the end of a column's name and below: masses of ore are grams,",
        "of gold milligrams; grades are grams per tonne.",
        "last_number is the greatest number given to a row so far, also to one that was taken out: none is given twice.",
        "",
        "Take it in again on an empty site with the same version: manage.py import_books FILE",
        "",
    ]
    for each in tables:
        lines += [f"{each.table.name} ({each.rows} rows)", *wrap(each.table.meaning, 120), ""]
        lines += [f"  {_column_line(column)}" for column in each.table.columns]
        lines.append("")
    return "\n".join(lines)


def _column_line(column: BookColumn) -> str:
    unit = f", {column.unit}" if column.unit else ""
    empty = ", may be empty" if column.may_be_empty else ""
    return f"{column.name}: {column.kind}{unit}{empty}. {column.meaning}"


def _write_sheet(table: BookTable, sheet, left_out: list[list]) -> TableWritten:
    """The rows as cells. The hash is of the lines as the sheet holds them, without what it had to leave out."""
    sheet.freeze_panes = "A2"
    sheet.append(safe_cells(sheet, [column.name for column in table.columns]))
    read, rows = hashlib.sha256(), 0
    for row in table.rows():
        kept, cells = [], []
        for column, value in zip(table.columns, row, strict=True):
            cell = as_cell(column.kind, value)
            if isinstance(cell, str) and len(cell) > LONGEST_CELL:
                left_out.append([table.name, row[0], column.name, _why(column, cell)])
                value = None if column.may_be_empty or column.kind == JSON else ""
                cell = None
            kept.append(value)
            cells.append(cell)
        read.update(table.line(kept))
        sheet.append(safe_cells(sheet, cells))
        rows += 1
    return TableWritten(table, rows, read.hexdigest(), table.last_number())


def _why(column: BookColumn, cell: str) -> str:
    what = {BYTES: "a file", TEXT: "a text"}.get(column.kind, "a record")
    return f"{what} of {len(cell):,} signs; a cell holds {LONGEST_CELL:,}"


def _sheets_about(tables: list[TableWritten], left_out: list[list]) -> dict[str, list[list]]:
    gone = (
        f"{len(left_out)} cells are left out, named on the sheet “{LEFT_OUT_SHEET}”: a cell holds {LONGEST_CELL:,} signs at most."
        if left_out
        else "No cell is left out."
    )
    return {
        ABOUT_SHEET: [
            ["format", FORMAT],
            ["version", VERSION],
            ["site_version", site_version()],
            ["made_at", as_json("moment", timezone.now())],
            ["cells_left_out", len(left_out)],
            ["", "The whole books of a prospecting group, one sheet for each table."],
            ["", CAUTION],
            ["", WITHOUT],
            ["", f"Photos are not in it; the ZIP has them. {gone}"],
            [
                "",
                "A number with more digits than a spreadsheet keeps stands as text, and so do days and moments (UTC).",
            ],
            [
                "",
                "A text that would start a formula has an apostrophe before it; one that begins so already has one more. "
                "A line end and other such signs stand as _xHHHH_ (ECMA-376, ST_Xstring).",
            ],
        ],
        TABLES_SHEET: [
            ["table", "rows", "sha256", "last_number"],
            *([each.table.name, each.rows, each.sha256, each.last_number] for each in tables),
        ],
        COLUMNS_SHEET: [
            ["table", "column", "holds", "digits_behind_the_point", "unit", "may_be_empty", "meaning"],
            *(
                [
                    each.table.name,
                    column.name,
                    column.kind,
                    column.places,
                    column.unit,
                    column.may_be_empty,
                    for_xml(inert(column.meaning)),
                ]
                for each in tables
                for column in each.table.columns
            ),
        ],
        LEFT_OUT_SHEET: [["table", "number", "column", "why"], *left_out],
    }
