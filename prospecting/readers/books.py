"""The file of the whole books in: the ZIP or the spreadsheet that frames/books_out.py writes; its tables row by row out.

Whatever came to the file on the way is found: every table has its rows counted and its hash with it. Nothing is unpacked
before the file's own directory has been looked at.
"""

import hashlib
import json
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

from prospecting.calc.book_cells import (
    ABOUT_SHEET,
    COLUMNS_SHEET,
    FILES_LIST,
    FORMAT,
    JSON,
    LEFT_OUT_SHEET,
    TABLES_SHEET,
    VERSION,
    Json,
    from_cell,
    json_text,
)

# Lines of JSON pack ten to fifty times; only a file made to burst packs better than this.
MOST_RATIO = 300
SMALL_BYTES = 2_000_000
MOST_BYTES = 50_000_000_000
MOST_MEMBERS = 2_000_000
MOST_FACTS_BYTES = 20_000_000
# One row: a certificate of 12 MB in base64 is 16 MB.
LONGEST_LINE = 64_000_000
LONGEST_FILE = 64_000_000

_CHANGED = "The file was damaged or changed on the way: {}. Nothing was taken in."
_NOT_OURS = (
    "This is not a file of whole books. It is made by the command export_books, or on the keepers' page."
)
_TABLE = re.compile("[a-z][a-z0-9_]{0,60}")
# One kind of name, without a way out of the folder: parts of letters, digits, dots in the middle.
_FILE = re.compile(r"(?:[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}/){0,6}[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}")
_XML_KIND = re.compile(rb"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)


class BooksRefused(ValueError):
    """Why the file can't be taken in, in a sentence."""


@dataclass(frozen=True)
class ColumnFacts:
    name: str
    kind: str
    places: int
    may_be_empty: bool


@dataclass(frozen=True)
class TableFacts:
    name: str
    rows: int
    sha256: str
    last_number: int
    columns: tuple[ColumnFacts, ...]


@dataclass(frozen=True)
class FileFacts:
    """A file beside the books; without a hash where it was gone already when the books were written."""

    name: str
    sha256: str = ""


@dataclass(frozen=True)
class Books:
    """An opened file of whole books."""

    packed: zipfile.ZipFile
    site_version: str
    tables: tuple[TableFacts, ...]
    files: tuple[FileFacts, ...] = ()
    # Of a spreadsheet: how many cells it had to leave out.
    left_out: int = 0
    sheets: object = field(default=None, repr=False)

    @property
    def is_spreadsheet(self) -> bool:
        return self.sheets is not None

    def rows(self, table: TableFacts) -> Iterator[list[Json]]:
        """The rows of a table, values as written in JSON, in the order of its columns; refused at the end where one is amiss."""
        names = [column.name for column in table.columns]
        read, count = hashlib.sha256(), 0
        for row in self._sheet_rows(table) if self.is_spreadsheet else self._lines(table):
            try:
                line = json_text(dict(zip(names, row, strict=True)))
            except (ValueError, UnicodeError):
                raise BooksRefused(_changed(f"row {count + 1} of table {table.name} can't be read")) from None
            read.update(f"{line}\n".encode(errors="replace"))
            count += 1
            if count > table.rows:
                break
            yield row
        if count != table.rows:
            more = "more" if count > table.rows else f"{count:,}"
            raise BooksRefused(_changed(f"table {table.name} should have {table.rows:,} rows and has {more}"))
        if read.hexdigest() != table.sha256:
            raise BooksRefused(_changed(f"table {table.name} is not as it was written"))

    def file(self, facts: FileFacts) -> bytes:
        """The bytes of a file beside the books."""
        try:
            info = self.packed.getinfo(f"photos/{facts.name}")
            if info.file_size > LONGEST_FILE:
                raise BooksRefused(_changed(f"the photo {facts.name} is far too large"))
            data = self.packed.read(info)
        except BooksRefused:
            raise
        except Exception:
            # zipfile and zlib raise many things for a broken file.
            raise BooksRefused(_changed(f"the photo {facts.name} can't be read")) from None
        if hashlib.sha256(data).hexdigest() != facts.sha256:
            raise BooksRefused(_changed(f"the photo {facts.name} is not as it was written"))
        return data

    def _lines(self, table: TableFacts) -> Iterator[list[Json]]:
        names = [column.name for column in table.columns]
        try:
            with self.packed.open(f"tables/{table.name}.jsonl") as lines:
                number = 0
                while line := lines.readline(LONGEST_LINE):
                    number += 1
                    row = json.loads(line)
                    if not isinstance(row, dict) or list(row) != names:
                        raise BooksRefused(
                            _changed(f"row {number} of table {table.name} does not have its columns")
                        )
                    yield list(row.values())
        except BooksRefused:
            raise
        except (GeneratorExit, MemoryError):
            raise
        except Exception:
            raise BooksRefused(_changed(f"table {table.name} can't be read")) from None

    def _sheet_rows(self, table: TableFacts) -> Iterator[list[Json]]:
        try:
            lines = self.sheets[table.name].iter_rows(values_only=True)
            titles = list(next(lines))
            if titles != [column.name for column in table.columns]:
                raise BooksRefused(_changed(f"the sheet {table.name} does not have its columns"))
            for cells in lines:
                # A last cell that is empty may be missing.
                cells = [*cells, *[None] * (len(titles) - len(cells))]
                yield [
                    from_cell(column.kind, cell, column.places, may_be_empty=_may_be_empty(column))
                    for column, cell in zip(table.columns, cells, strict=True)
                ]
        except BooksRefused:
            raise
        except (GeneratorExit, MemoryError):
            raise
        except Exception:
            raise BooksRefused(_changed(f"the sheet {table.name} can't be read")) from None


def open_books(file: BinaryIO, size: int) -> Books:
    """Return the books in a file of so many bytes, its directory and its facts looked through; BooksRefused with a sentence."""
    try:
        packed = zipfile.ZipFile(file)
        _check_directory(packed, size)
        names = set(packed.namelist())
        if "xl/workbook.xml" in names:
            return _open_spreadsheet(packed, file)
        if "books.json" not in names:
            raise BooksRefused(_NOT_OURS)
        return _open_packed(packed, names)
    except BooksRefused:
        raise
    except (zipfile.BadZipFile, OSError):
        raise BooksRefused(
            "The file can't be opened: it is neither a whole ZIP nor a whole spreadsheet."
        ) from None
    except Exception:
        # zipfile, the parser of XML and openpyxl raise many things for a broken file.
        raise BooksRefused(_changed("what it says about itself can't be read")) from None


def _changed(what: str) -> str:
    return _CHANGED.format(what)


def _may_be_empty(column: ColumnFacts) -> bool:
    # JSON that is nothing is an empty cell too.
    return column.may_be_empty or column.kind == JSON


def _check_directory(packed: zipfile.ZipFile, size: int) -> None:
    """Refuse by what the file's own directory says, before anything is unpacked."""
    members = packed.infolist()
    if len(members) > MOST_MEMBERS or sum(each.file_size for each in members) > MOST_BYTES:
        raise BooksRefused("The file unpacks to more than any books hold. Nothing was taken in.")
    # Members that lie over one another pack to more than the whole file.
    if sum(each.compress_size for each in members) > size or len(set(packed.namelist())) < len(members):
        raise BooksRefused(_changed("its parts lie over one another"))
    for each in members:
        if each.file_size > SMALL_BYTES and each.file_size > MOST_RATIO * max(1, each.compress_size):
            raise BooksRefused(
                "Part of the file unpacks to hundreds of times its size: it is made to burst. Nothing was taken in."
            )
        if each.flag_bits & 1:
            raise BooksRefused("The file is locked with a password; save it without one.")


def _open_packed(packed: zipfile.ZipFile, names: set[str]) -> Books:
    facts = json.loads(_small(packed, "books.json"))
    _check_format(facts.get("format"), facts.get("version"))
    tables = tuple(_table_facts(each, each["columns"]) for each in facts["tables"])
    listing = _small(packed, FILES_LIST)
    if hashlib.sha256(listing).hexdigest() != facts["files_sha256"]:
        raise BooksRefused(_changed("its list of photos is not as it was written"))
    files = tuple(_file_facts(json.loads(line)) for line in listing.splitlines())
    known = {"books.json", "README.txt", FILES_LIST}
    known |= {f"tables/{table.name}.jsonl" for table in tables}
    known |= {f"photos/{each.name}" for each in files if each.sha256}
    if missing := sorted(known - names):
        raise BooksRefused(_changed(f"{missing[0]} is missing"))
    if foreign := sorted(names - known):
        raise BooksRefused(_changed(f"{foreign[0][:80]!r} does not belong in it"))
    return Books(packed=packed, site_version=_text(facts["site_version"]), tables=tables, files=files)


def _open_spreadsheet(packed: zipfile.ZipFile, file: BinaryIO) -> Books:
    from openpyxl import load_workbook

    for name in packed.namelist():
        if name.endswith((".xml", ".rels")):
            with packed.open(name) as part:
                # A document type can make a short text expand without end; no spreadsheet has one.
                if _XML_KIND.search(part.read(2000)):
                    raise BooksRefused(_changed("it holds what no spreadsheet holds"))
    sheets = load_workbook(file, read_only=True, data_only=True)
    if ABOUT_SHEET not in sheets.sheetnames:
        raise BooksRefused(_NOT_OURS)
    about = {line[0]: line[1] for line in sheets[ABOUT_SHEET].iter_rows(values_only=True) if line[0]}
    _check_format(about.get("format"), about.get("version"))
    columns: dict[str, list] = {}
    for table, name, holds, places, _, may_be_empty, *_ in _below_titles(sheets, COLUMNS_SHEET):
        told = {"name": name, "holds": holds, "digits_behind_the_point": places, "may_be_empty": may_be_empty}
        columns.setdefault(table, []).append(told)
    tables = tuple(
        _table_facts({"name": name, "rows": rows, "sha256": sha256, "last_number": last}, columns[name])
        for name, rows, sha256, last, *_ in _below_titles(sheets, TABLES_SHEET)
    )
    known = {ABOUT_SHEET, TABLES_SHEET, COLUMNS_SHEET, LEFT_OUT_SHEET} | {table.name for table in tables}
    if known != set(sheets.sheetnames):
        odd = sorted(known ^ set(sheets.sheetnames))[0]
        raise BooksRefused(_changed(f"the sheet {odd[:60]!r} is missing or does not belong in it"))
    return Books(
        packed=packed,
        site_version=_text(about["site_version"]),
        tables=tables,
        left_out=sum(1 for _ in _below_titles(sheets, LEFT_OUT_SHEET)),
        sheets=sheets,
    )


def _below_titles(sheets, name: str) -> Iterator[tuple]:
    lines = sheets[name].iter_rows(values_only=True)
    next(lines)
    return lines


def _check_format(name: object, version: object) -> None:
    if name != FORMAT:
        raise BooksRefused(_NOT_OURS)
    if type(version) is not int or version != VERSION:
        raise BooksRefused(
            f"The file is of version {str(version)[:20]} of its format, and this site reads version {VERSION}. "
            "Use the version of the site that wrote it."
        )


def _table_facts(told: dict, columns: list[dict]) -> TableFacts:
    if not _TABLE.fullmatch(told["name"]) or not re.fullmatch("[0-9a-f]{64}", told["sha256"]):
        raise ValueError
    return TableFacts(
        name=told["name"],
        rows=_number(told["rows"]),
        sha256=told["sha256"],
        last_number=_number(told["last_number"]),
        columns=tuple(
            ColumnFacts(
                name=_text(each["name"]),
                kind=_text(each["holds"]),
                places=_number(each.get("digits_behind_the_point", 0)),
                may_be_empty=each["may_be_empty"] is True,
            )
            for each in columns
        ),
    )


def _file_facts(told: dict) -> FileFacts:
    name = _text(told["name"])
    if not _FILE.fullmatch(name):
        raise BooksRefused(_changed(f"{name[:80]!r} is no name of a photo"))
    return FileFacts(name=name, sha256="" if told.get("missing") is True else _text(told["sha256"]))


def _small(packed: zipfile.ZipFile, name: str) -> bytes:
    if packed.getinfo(name).file_size > MOST_FACTS_BYTES * (10 if name == FILES_LIST else 1):
        raise BooksRefused(_changed(f"{name} is far too large"))
    return packed.read(name)


def _number(told: object) -> int:
    if type(told) is not int or not 0 <= told < 2**63:
        raise ValueError
    return told


def _text(told: object) -> str:
    if not isinstance(told, str):
        raise ValueError
    return told
