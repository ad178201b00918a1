"""All rows of the books from SQLite into an empty PostgreSQL database, compared value by value before they count."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from django.apps import apps
from django.core.management.color import no_style
from django.db import DatabaseError, connection, connections, transaction
from django.db.models import AutoField, Field, Max, Model

from prospecting.actions.database_copy import set_last_number
from prospecting.actions.journal import write_event
from prospecting.actions.refusal import Refused
from prospecting.calc.row_digest import rows_digest
from prospecting.models.whole_books import last_number

AT_ONCE = 2000
# Filled by setting a new database up; the old one's rows take their place, for others name them by number.
SET_UP_FILLS = ("auth_permission", "django_content_type")


@dataclass(frozen=True)
class Moved:
    """How many rows of how many tables went, each table with the same digest on both sides."""

    rows: int
    tables: int


def refuse_unless_empty(*, target: str) -> None:
    """Refused when the database under this alias holds a row of its own; one that is set up and unused will do."""
    there = connections[target].introspection.table_names()
    full = [
        table
        for table in (model._meta.db_table for model in _models())
        if table in there and table not in SET_UP_FILLS and _any_row(target, table)
    ]
    if full:
        raise Refused(
            f"There is something in that database already (in {full[0]}). Books are moved into an empty database only.",
            code="not_empty",
        )


def move_books(*, target: str, say: Callable[[str], None]) -> Moved:
    """Copy every row into the set-up, empty database under this alias: all of them, or none when anything differs.

    The old books are locked for writing meanwhile, so that nothing is entered that would stay behind.
    """
    refuse_unless_empty(target=target)
    models = _models()
    with transaction.atomic(), transaction.atomic(using=target):
        write_event(
            member=None, kind="keeping", label="Move", what="the books were moved from SQLite to PostgreSQL"
        )
        with connections[target].cursor() as cursor:
            for table in SET_UP_FILLS:
                cursor.execute(f'DELETE FROM "{table}"')  # noqa: S608 (one of SET_UP_FILLS)
        for model in models:
            _copy(model, target)
        moved = 0
        for model in models:
            count, digest = rows_digest(_rows(model, "default"))
            if (count, digest) != rows_digest(_rows(model, target)):
                raise Refused(
                    f"What came of {model._meta.verbose_name_plural} is not what went. Nothing was kept in the new database.",
                    code="other_contents",
                )
            moved += count
            if count:
                say(f"{model._meta.verbose_name_plural}: {count:,}")
        with connections[target].cursor() as cursor:
            for sql in connections[target].ops.sequence_reset_sql(no_style(), models):
                cursor.execute(sql)
        _go_on_numbering(models, target)
    return Moved(moved, len(models))


def _models() -> list[type[Model]]:
    models = apps.get_models(include_auto_created=True)
    return sorted(
        (model for model in models if model._meta.managed and not model._meta.proxy),
        key=lambda model: model._meta.db_table,
    )


def _fields(model: type[Model]) -> list[Field]:
    return [field for field in model._meta.local_concrete_fields if not field.generated]


def _any_row(target: str, table: str) -> bool:
    with connections[target].cursor() as cursor:
        cursor.execute(f'SELECT 1 FROM "{table}" LIMIT 1')  # noqa: S608 (a name of the schema)
        return cursor.fetchone() is not None


def _rows(model: type[Model], alias: str) -> Iterator[tuple]:
    """Every row as Python values, so that both engines' ways of storing a decimal, a time or a text of JSON meet."""
    names = [field.attname for field in _fields(model)]
    return model._base_manager.using(alias).order_by().values_list(*names).iterator(chunk_size=AT_ONCE)


def _copy(model: type[Model], target: str) -> None:
    """By PostgreSQL's own way for many rows; not by saving, which would date every row anew."""
    fields = _fields(model)
    columns = ", ".join(f'"{field.column}"' for field in fields)
    there = connections[target]
    try:
        with (
            there.cursor() as cursor,
            cursor.copy(f'COPY "{model._meta.db_table}" ({columns}) FROM STDIN') as copy,
        ):
            for row in _rows(model, "default"):
                copy.write_row(
                    [field.get_db_prep_save(value, there) for field, value in zip(fields, row, strict=True)]
                )
    except (DatabaseError, there.Database.Error, ValueError) as error:
        raise Refused(
            f"PostgreSQL does not take what stands in {model._meta.verbose_name_plural}: {error}. Nothing was kept in the new "
            "database.",
            code="row_not_taken",
        ) from None


def _go_on_numbering(models: list[type[Model]], target: str) -> None:
    """No number is given twice, also not that of a row which is gone: it may stand in the journal."""
    for model in models:
        if isinstance(model._meta.pk, AutoField):
            given = last_number(model)
            if given > (model._base_manager.using(target).aggregate(most=Max("pk"))["most"] or 0):
                set_last_number(connections[target], model, given)


def is_movable() -> bool:
    return connection.vendor == "sqlite"
