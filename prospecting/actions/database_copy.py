"""The whole database into one file while the site runs, and back into an empty place, on either engine."""

import os
import shutil
import sqlite3
import subprocess
from collections import defaultdict
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from django.apps import apps
from django.db import connection, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import FileField, Model

from prospecting.actions.refusal import Refused
from prospecting.calc.backups import Contents

Ask = Callable[[str], list[tuple]]

FILE_OF = {"sqlite": "books.sqlite3", "postgresql": "books.pgdump"}
# Who is signed in where: whoever finds a copy must not be able to go on in somebody's name. After a restore all sign in anew.
# Nor may a token, a calendar's address or an invitation open anything that was ended after the copy was made.
EMPTIED = (
    "django_session",
    "prospecting_signin",
    "prospecting_apitoken",
    "prospecting_calendarlink",
    "prospecting_invitation",
)
# Every table with each of its columns.
COLUMNS_OF = {
    "sqlite": "SELECT m.name, c.name FROM sqlite_master m JOIN pragma_table_info(m.name) c "
    "WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%'",
    "postgresql": "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = current_schema()",
}


def copy_database(target: Path) -> Contents:
    """Write the database as it stands now into `target`, checked and on the disk; what stands in it."""
    contents = _copy_sqlite(target) if connection.vendor == "sqlite" else _dump_postgresql(target)
    target.chmod(0o600)
    return contents


def contents_now() -> Contents:
    """What stands in the site's own database."""
    with connection.cursor() as cursor:
        return _contents(lambda sql: _answer(cursor, sql))


def faults_of_copy(copy: Path) -> list[str]:
    """What is wrong inside a copy made by copy_database, in sentences."""
    if copy.name == FILE_OF["postgresql"]:
        try:
            # Written to nowhere, but read to its end.
            _run("pg_restore", "--file=/dev/null", str(copy))
        except Refused as refusal:
            return refusal.messages
        return []
    # Immutable: nothing else writes it, and looking at it leaves no file beside it.
    try:
        with closing(sqlite3.connect(f"{copy.as_uri()}?mode=ro&immutable=1", uri=True)) as books:
            return _faults_of_sqlite(books)
    except sqlite3.Error as error:
        return [f"{copy.name} can't be read: {error}."]


def is_empty_database() -> bool:
    """Whether the site's own database has no table yet."""
    with connection.cursor() as cursor:
        return not connection.introspection.table_names(cursor)


def fill_database(copy: Path) -> None:
    """Put a copy made by copy_database in the place of the site's own, empty database."""
    if connection.vendor == "sqlite":
        _place_sqlite(copy)
    else:
        _run(
            "pg_restore",
            "--no-owner",
            "--no-privileges",
            "--single-transaction",
            "--exit-on-error",
            f"--dbname={connection.settings_dict['NAME']}",
            str(copy),
        )


def address_of_database(name: str) -> str:
    """DATABASE_URL of the database of this name on the site's own PostgreSQL server."""
    told = connection.settings_dict
    account = f"{quote(told['USER'], safe='')}:{quote(told['PASSWORD'], safe='')}@" if told["USER"] else ""
    port = f":{told['PORT']}" if told["PORT"] else ""
    return f"postgres://{account}{quote(told['HOST'], safe='')}{port}/{quote(name, safe='')}"


# ---- SQLite.


def _copy_sqlite(target: Path) -> Contents:
    """By the online backup: one reading of one moment, however many write meanwhile (they need not wait)."""
    living = Path(connection.settings_dict["NAME"])
    with closing(sqlite3.connect(target, isolation_level=None)) as books:
        with closing(sqlite3.connect(f"{living.as_uri()}?mode=ro", uri=True)) as source:
            source.backup(books)
        # One file, with nothing beside it; and what is emptied is overwritten, not only let go of.
        books.execute("PRAGMA journal_mode=DELETE")
        books.execute("PRAGMA secure_delete=ON")
        there = {name for (name,) in books.execute("SELECT name FROM sqlite_master")}
        for table in there.intersection(EMPTIED):
            books.execute(f'DELETE FROM "{table}"')  # noqa: S608 (one of EMPTIED)
        faults = _faults_of_sqlite(books)
        if faults:
            raise Refused(f"The copy is not sound: {' '.join(faults)}", code="copy_unsound")
        return _contents(lambda sql: books.execute(sql).fetchall())


def _faults_of_sqlite(books: sqlite3.Connection) -> list[str]:
    said = [row[0] for row in books.execute("PRAGMA integrity_check(20)")]
    faults = [] if said == ["ok"] else [f"SQLite says: {line}." for line in said]
    loose = books.execute("PRAGMA foreign_key_check").fetchmany(20)
    return faults + [
        f"Row {row} of {table} names a row of {other} that is not there." for table, row, other, _ in loose
    ]


def _place_sqlite(copy: Path) -> None:
    place = Path(connection.settings_dict["NAME"])
    arriving = place.with_name(f"{place.name}.arriving")
    try:
        shutil.copyfile(copy, arriving)
        arriving.chmod(0o640)
        sync(arriving)
        connection.close()
        # An empty file that looking at the database has made, and what SQLite keeps beside it.
        for ending in ("", "-wal", "-shm"):
            place.with_name(place.name + ending).unlink(missing_ok=True)
        arriving.rename(place)
    except BaseException:
        arriving.unlink(missing_ok=True)
        raise
    sync(place.parent)


# ---- PostgreSQL.


def _dump_postgresql(target: Path) -> Contents:
    """What is counted and what is dumped is one moment: the dump reads by the counting transaction's own snapshot."""
    _tool("pg_dump")
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        contents = _contents(lambda sql: _answer(cursor, sql))
        [[snapshot]] = _answer(cursor, "SELECT pg_export_snapshot()")
        _run(
            "pg_dump",
            "--format=custom",
            "--no-owner",
            "--no-privileges",
            f"--snapshot={snapshot}",
            *(f"--exclude-table-data={table}" for table in EMPTIED),
            f"--file={target}",
        )
    sync(target)
    faults = faults_of_copy(target)
    if faults:
        raise Refused(f"The copy is not sound: {' '.join(faults)}", code="copy_unsound")
    return contents


def _run(program: str, *words: str) -> None:
    """Run a program of PostgreSQL; who it signs in as stands in its environment, where other accounts can't read it."""
    told = connection.settings_dict
    names = {
        "PGHOST": told["HOST"],
        "PGPORT": told["PORT"],
        "PGUSER": told["USER"],
        "PGPASSWORD": told["PASSWORD"],
        "PGDATABASE": told["NAME"],
    }
    environment = os.environ | {name: value for name, value in names.items() if value}
    done = subprocess.run(
        [_tool(program), *words], env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise Refused(f"{program} failed: {done.stderr.strip()}", code="database_program_failed")


def _tool(program: str) -> str:
    found = shutil.which(program)
    if not found:
        raise Refused(
            f"{program} is not on this machine. Install the client programs of PostgreSQL, of the server's version or a "
            "newer one (on Debian the package postgresql-client).",
            code="database_program_missing",
        )
    return found


# ---- Either.


def _answer(cursor, sql: str) -> list[tuple]:
    cursor.execute(sql)
    return cursor.fetchall()


def _contents(ask: Ask) -> Contents:
    """By the tables that stand there: the site's code may be newer than its database while it is being renewed."""
    columns = defaultdict(set)
    for table, column in ask(COLUMNS_OF[connection.vendor]):
        columns[table].add(column)
    files = set()
    for table, column in _columns_of_files():
        if column in columns[table]:
            files |= {name for (name,) in ask(f'SELECT "{column}" FROM "{table}"')}  # noqa: S608 (names of the schema)
    tables = {
        table: ask(f'SELECT count(*) FROM "{table}"')[0][0]  # noqa: S608 (a name of the schema)
        for table in sorted(columns)
        if table not in EMPTIED
    }
    seals = (
        ask("SELECT number, sha256 FROM prospecting_journalseal ORDER BY number DESC LIMIT 1")
        if "prospecting_journalseal" in columns
        else []
    )
    [[entries, last]] = ask("SELECT count(*), max(id) FROM prospecting_journalentry")
    number, sha256 = seals[0] if seals else (0, "")
    return Contents(
        tables=tables,
        migrations=[list(row) for row in ask("SELECT app, name FROM django_migrations ORDER BY app, name")],
        journal={"entries": entries, "last": last or 0, "seal": number, "sha256": sha256},
        files=sorted(files - {"", None}),
    )


def set_last_number(there: BaseDatabaseWrapper, model: type[Model], number: int) -> None:
    """Have the database number its next row of this model after `number`."""
    name = model._meta.db_table
    with there.cursor() as cursor:
        if there.vendor == "sqlite":
            cursor.execute("DELETE FROM sqlite_sequence WHERE name = %s", [name])
            cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [name, number])
        else:
            cursor.execute(
                "SELECT setval(pg_get_serial_sequence(%s, %s), %s)", [name, model._meta.pk.column, number]
            )


def _columns_of_files() -> list[tuple[str, str]]:
    return [
        (model._meta.db_table, field.column)
        for model in apps.get_models()
        for field in model._meta.local_concrete_fields
        if isinstance(field, FileField)
    ]


def sync(path: Path) -> None:
    """Return when this file, or the names in this folder, are on the disk and survive a power cut."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
