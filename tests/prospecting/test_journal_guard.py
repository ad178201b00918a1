"""No way through the database changes or removes a line of the journal, or its seal: tried by bare SQL on either engine."""

# Every name in these queries is that of a table or column of our own.
# ruff: noqa: S608

import re
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction

from prospecting.actions.journal import seal_unsealed, write_event
from prospecting.models import JournalEntry, JournalSeal
from tests import make

ROOT = Path(__file__).parent.parent.parent
MODELS = (JournalEntry, JournalSeal)
COLUMNS = [(model, field.column) for model in MODELS for field in model._meta.local_fields]


@pytest.fixture
def lines(db) -> list[tuple]:
    """Two sealed lines, as all columns of both tables."""
    for what in ("first", "second"):
        write_event(member=make.make_member(), kind="keeping", label="x", what=what, why="y")
    seal_unsealed()
    return everything()


def everything() -> list[tuple]:
    return [row for model in MODELS for row in model.objects.order_by("pk").values_list()]


def refused(sql: str) -> bool:
    with (
        pytest.raises(IntegrityError, match="only ever added to"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)
    return True


@pytest.mark.parametrize(("model", "column"), COLUMNS, ids=[f"{m._meta.model_name}-{c}" for m, c in COLUMNS])
def test_no_column_is_changed_by_bare_sql(lines, model, column):
    table = model._meta.db_table
    assert refused(f"UPDATE {table} SET {column} = {column}")
    assert everything() == lines


@pytest.mark.parametrize("model", MODELS)
def test_no_line_is_removed_by_bare_sql(lines, model):
    table = model._meta.db_table
    assert refused(f"DELETE FROM {table}")
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # What was written in this transaction is looked at now, or that alone would stop the emptying.
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        assert refused(f"TRUNCATE {table} CASCADE")
    assert everything() == lines


@pytest.mark.parametrize("model", MODELS)
def test_no_line_is_replaced_by_bare_sql(lines, model):
    """SQLite's REPLACE takes a row away without asking the trigger on removing."""
    if connection.vendor != "sqlite":
        pytest.skip("PostgreSQL knows no REPLACE")
    table = model._meta.db_table
    assert refused(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    if model is JournalSeal:
        assert refused(
            f"REPLACE INTO {table} (number, entry_id, sha256) SELECT number + 100, entry_id, sha256 FROM {table}"
        )
    assert everything() == lines


def test_the_whole_database_is_not_emptied_either(lines):
    with pytest.raises(Exception, match="flush|only ever added to"), transaction.atomic():
        call_command("flush", interactive=False, verbosity=0)
    assert everything() == lines


def test_what_meets_no_line_passes(lines):
    """Loading records from a file begins with an update that meets nothing."""
    with connection.cursor() as cursor:
        cursor.execute("UPDATE prospecting_journalentry SET what = 'x' WHERE id = 0")
        cursor.execute("DELETE FROM prospecting_journalentry WHERE id = 0")


def test_lines_are_written_by_one_module_alone():
    """Everything else goes through write_journal and write_event, or it would have no seal."""
    writes = re.compile(r"Journal(Entry|Seal)(\.objects\.(bulk_)?(create|update)|\()")
    found = {
        path.relative_to(ROOT).as_posix()
        for app in ("prospecting", "trials")
        for path in (ROOT / app).rglob("*.py")
        if "migrations" not in path.parts and writes.search(path.read_text())
    }
    assert found == {"prospecting/models/journal.py", "prospecting/actions/journal.py"}
