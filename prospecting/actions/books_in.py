"""The whole books taken in from a file, into a site that has none: everything as it was, or nothing at all."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice

from django.contrib.auth.hashers import make_password
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management.color import no_style
from django.core.validators import DecimalValidator, MaxLengthValidator
from django.db import DatabaseError, connection, models, transaction

from prospecting.actions.database_copy import set_last_number
from prospecting.actions.journal import write_event
from prospecting.actions.refusal import Refused
from prospecting.calc.book_cells import Json, from_json
from prospecting.models import Member
from prospecting.models.whole_books import NOT_KEPT, BookColumn, BookTable, book_tables, file_names
from prospecting.readers.books import Books, BooksRefused, FileFacts, TableFacts, open_books

MOST_AT_ONCE = 1000


@dataclass(frozen=True)
class TakenIn:
    rows: int
    files: int
    # What the file could not give: files that were gone when it was written, and cells a spreadsheet left out.
    missing_files: int
    left_out: int


def take_in_books(
    *, file, size: int, without_files: bool = False, told: Callable[[str], None] = lambda line: None
) -> TakenIn:
    """Take the whole books in from an opened file of so many bytes; each table is `told` when it is in.

    Rows keep their numbers, moments and seals. They are read back and compared with the file before anything counts. Raises
    Refused with one sentence, and then leaves neither rows nor photos behind. `without_files`: take in a spreadsheet that
    holds no photos and leaves long cells out.
    """
    written: list[str] = []
    try:
        books = open_books(file, size)
        _check_tables(books)
        with transaction.atomic():
            _check_empty()
            return _take_in(books, without_files, told, written)
    except BooksRefused as error:
        _take_away(written)
        raise Refused(str(error), code="books_file") from None
    except BaseException:
        _take_away(written)
        raise


def _take_in(books: Books, without_files: bool, told: Callable[[str], None], written: list[str]) -> TakenIn:
    tables = {table.name: table for table in book_tables()}
    rows = 0
    for facts in books.tables:
        rows += _store_rows(books, facts, tables[facts.name])
        told(f"{facts.name}: {facts.rows}")
    _check_references()
    _go_on_numbering(books, tables)
    for facts in books.tables:
        _check_read_back(facts, tables[facts.name])
    files, missing = _store_files(books, without_files, written)
    kind = "spreadsheet" if books.is_spreadsheet else "file"
    write_event(
        member=None,
        kind="keeping",
        label="Whole books",
        what=f"taken in from a {kind}: {rows} rows, {files} photos, all read back and found as written",
    )
    return TakenIn(rows=rows, files=files, missing_files=missing, left_out=books.left_out)


def _check_tables(books: Books) -> None:
    """Refuse a file whose tables or columns are not the site's own, by the first that differs."""
    tables = {table.name: table for table in book_tables()}
    end = f"It was written by version {books.site_version[:20]} of the site; take it in with that version."
    given = {facts.name for facts in books.tables}
    if foreign := sorted(given - set(tables)):
        raise Refused(f"This site has no table {foreign[0]}. {end}", code="books_table")
    if missing := sorted(set(tables) - given):
        raise Refused(f"The table {missing[0]} is missing from the file. {end}", code="books_table")
    if len(given) < len(books.tables):
        raise Refused("The file names a table twice.", code="books_table")
    for facts in books.tables:
        ours = [
            (column.name, column.kind, column.places, column.may_be_empty)
            for column in tables[facts.name].columns
        ]
        theirs = [(column.name, column.kind, column.places, column.may_be_empty) for column in facts.columns]
        if ours != theirs:
            odd = sorted(set(ours) ^ set(theirs))
            column = (
                f"The column {odd[0][0]} of table {facts.name}"
                if odd
                else f"The order of columns of {facts.name}"
            )
            raise Refused(f"{column} is not as on this site. {end}", code="books_column")


def _check_empty() -> None:
    for table in book_tables():
        if table.model._base_manager.exists():
            raise Refused(
                f"This site has books already (table {table.name} has rows). Whole books come only into an empty site: a new "
                "data folder or database, after the command migrate and before anybody is added.",
                code="books_not_empty",
            )


def _store_rows(books: Books, facts: TableFacts, table: BookTable) -> int:
    """Store a table's rows as they are: with their numbers, and without the moments that storing would set anew."""
    fields = [column.field for column in table.columns]
    not_kept = [field for field in table.model._meta.concrete_fields if (table.name, field.name) in NOT_KEPT]
    most = connection.ops.bulk_batch_size([*fields, *not_kept], range(MOST_AT_ONCE))
    stored = 0
    records = _records(books, facts, table)
    while some := list(islice(records, min(most, MOST_AT_ONCE))):
        try:
            # Raw: no field sets its own value on the way, as the moment of recording would.
            table.model._base_manager._insert(some, fields=[*fields, *not_kept], using="default", raw=True)
        except (DatabaseError, ValueError, OverflowError) as error:
            raise _refused_by_database(table.name, error) from None
        stored += len(some)
    return stored


def _records(books: Books, facts: TableFacts, table: BookTable) -> Iterator[models.Model]:
    last = None
    for number, row in enumerate(books.rows(facts), start=1):
        record = table.model()
        if table.model is Member:
            record.password = make_password(None)
        for column, written in zip(table.columns, row, strict=True):
            try:
                setattr(record, column.field.attname, _value(column, written))
            except (ValueError, ValidationError) as error:
                said = error.messages[0] if isinstance(error, ValidationError) else f"{error}."
                where = f"Row {number} of table {table.name}, column {column.name}"
                raise Refused(f"{where}: {said} Nothing was taken in.", code="books_value") from None
        if last is not None and record.pk <= last:
            raise Refused(
                f"The rows of table {table.name} do not stand in the order of their numbers. Nothing was taken in.",
                code="books_order",
            )
        last = record.pk
        yield record


def _value(column: BookColumn, written: Json) -> object:
    if written is None:
        if not column.may_be_empty:
            raise ValueError("it is empty, which it may not be")
        return None
    value = from_json(column.kind, written, column.places)
    # Only what a stricter database would refuse anyway: whatever the books hold comes in, rules of forms or not.
    for validator in column.field.validators:
        if isinstance(validator, MaxLengthValidator | DecimalValidator):
            validator(value)
    return value


def _check_references() -> None:
    try:
        connection.check_constraints()
    except DatabaseError as error:
        raise _refused_by_database("", error) from None


def _refused_by_database(name: str, error: Exception) -> Refused:
    where = f" in table {name}" if name else ""
    said = str(error).strip().splitlines()[0][:160] if str(error).strip() else type(error).__name__
    return Refused(
        f"The rows do not fit together{where}: the database says “{said}”. Nothing was taken in.",
        code="books_do_not_fit",
    )


def _go_on_numbering(books: Books, tables: dict[str, BookTable]) -> None:
    """New rows are numbered on from the last number ever given: an old number may stand in the journal."""
    with connection.cursor() as cursor:
        for sql in connection.ops.sequence_reset_sql(no_style(), [table.model for table in tables.values()]):
            cursor.execute(sql)
    for facts in books.tables:
        table = tables[facts.name]
        if table.has_numbers and facts.last_number > table.last_number():
            set_last_number(connection, table.model, facts.last_number)


def _check_read_back(facts: TableFacts, table: BookTable) -> None:
    read = hashlib.sha256()
    for row in table.rows():
        read.update(table.line(row))
    if read.hexdigest() != facts.sha256:
        raise Refused(
            f"Table {table.name} reads otherwise in this site's database than in the file. Nothing was taken in.",
            code="books_read_back",
        )


def _store_files(books: Books, without_files: bool, written: list[str]) -> tuple[int, int]:
    """Store the photos; returns how many are there now, and how many there are none of.

    `written` names those stored, should all be taken back.
    """
    named = set(file_names())
    if books.is_spreadsheet:
        if (named or books.left_out) and not without_files:
            raise Refused(
                f"The spreadsheet holds no photos ({len(named)} belong to these books) and leaves {books.left_out} long cells "
                "out. Take the ZIP, or say --without-files to do without them.",
                code="books_without_files",
            )
        return 0, len(named)
    if named != {facts.name for facts in books.files}:
        raise Refused(
            "The photos of the file are not those its rows name. Nothing was taken in.", code="books_photos"
        )
    for facts in books.files:
        if not facts.sha256:
            continue
        data = books.file(facts)
        if default_storage.exists(facts.name):
            _check_same_photo(facts)
            continue
        written.append(facts.name)
        default_storage.save(facts.name, ContentFile(data))
    missing = sum(1 for facts in books.files if not facts.sha256)
    return len(books.files) - missing, missing


def _check_same_photo(facts: FileFacts) -> None:
    """A photo that lies there already is left from a taking in that was ended halfway, or is somebody else's."""
    with default_storage.open(facts.name) as photo:
        if hashlib.file_digest(photo, "sha256").hexdigest() != facts.sha256:
            raise Refused(
                f"Another photo {facts.name} lies in this site's folder already. Nothing was taken in.",
                code="books_photo_there",
            )


def _take_away(names: list[str]) -> None:
    for name in names:
        default_storage.delete(name)
