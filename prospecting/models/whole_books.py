"""Which tables are the whole books and what each column of them holds: what leaves as one file and comes in again the same.

Frames write that file and actions read it; both go by this page, and so does whoever opens the file.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.db import connection, models

from prospecting.calc import book_cells
from prospecting.calc.book_cells import as_json, json_text, unit_of
from prospecting.calc.number_words import as_written

# What lets somebody in is no record of what was done: sign-ins, keys of programs and calendars, invitations. The last two are
# Django's own tables of rights, which the site does not use.
NOT_BOOKS = {"signin", "apitoken", "calendarlink", "invitation", "member_groups", "member_user_permissions"}
NOT_KEPT = {("member", "password")}
KINDS = {
    "BigAutoField": book_cells.WHOLE,
    "BigIntegerField": book_cells.WHOLE,
    "IntegerField": book_cells.WHOLE,
    "SmallIntegerField": book_cells.WHOLE,
    "PositiveIntegerField": book_cells.WHOLE,
    "PositiveBigIntegerField": book_cells.WHOLE,
    "PositiveSmallIntegerField": book_cells.WHOLE,
    "CharField": book_cells.TEXT,
    "TextField": book_cells.TEXT,
    "FileField": book_cells.TEXT,
    "DecimalField": book_cells.DECIMAL,
    "BooleanField": book_cells.YES,
    "DateTimeField": book_cells.MOMENT,
    "DateField": book_cells.DAY,
    "UUIDField": book_cells.IDENTITY,
    "BinaryField": book_cells.BYTES,
    "JSONField": book_cells.JSON,
}
NUMBERS = {book_cells.WHOLE, book_cells.DECIMAL}
ROWS_AT_ONCE = 1000


@dataclass(frozen=True)
class BookColumn:
    """One column: its name, the kind of its values (calc/book_cells.py), its unit and what it means."""

    name: str
    kind: str
    places: int
    may_be_empty: bool
    unit: str
    meaning: str
    field: models.Field
    # Where a file of this name lies beside the database.
    names_file: bool = False


@dataclass(frozen=True)
class BookTable:
    name: str
    model: type[models.Model]
    columns: tuple[BookColumn, ...]

    @property
    def meaning(self) -> str:
        """What a row of it is, in the model's own words."""
        said = (self.model.__doc__ or "").strip().split("\n\n")[0]
        # Django writes the fields there where a model has no words of its own.
        return "" if said.startswith(f"{self.model.__name__}(") else " ".join(said.split())

    @property
    def has_numbers(self) -> bool:
        """Whether the database itself numbers its rows."""
        return isinstance(self.model._meta.pk, models.AutoField)

    def count(self) -> int:
        return self.model._base_manager.count()

    def rows(self) -> Iterator[list]:
        """The rows by their number, each value as it is written in JSON; some at a time."""
        kinds = [(column.kind, column.places) for column in self.columns]
        names = [column.name for column in self.columns]
        found = self.model._base_manager.order_by("pk").values_list(*names)
        for row in found.iterator(chunk_size=ROWS_AT_ONCE):
            yield [as_json(kind, value, places) for value, (kind, places) in zip(row, kinds, strict=True)]

    def line(self, row: list) -> bytes:
        """A row as one line of JSON, its values under the names of their columns."""
        named = {column.name: value for column, value in zip(self.columns, row, strict=True)}
        return f"{json_text(named)}\n".encode()

    def last_number(self) -> int:
        """The greatest number its database has given a row, also to one that is gone: none of them is given again."""
        return last_number(self.model) if self.has_numbers else 0


def last_number(model: type[models.Model]) -> int:
    """The greatest number the database has given a row of this model, which it numbers itself."""
    name = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [name])
        else:
            cursor.execute(
                "SELECT pg_sequence_last_value(pg_get_serial_sequence(%s, %s)::regclass)",
                [name, model._meta.pk.column],
            )
        found = cursor.fetchone()
    return (found and found[0]) or 0


@cache
@as_written()
def book_tables() -> tuple[BookTable, ...]:
    """Every table of the site's own apps but those that let somebody in, in an order that does not change."""
    own = [config for config in apps.get_app_configs() if Path(config.path).parent == settings.BASE_DIR]
    found = [model for config in own for model in config.get_models(include_auto_created=True)]
    tables = [_table(model) for model in found if model._meta.model_name not in NOT_BOOKS]
    return tuple(sorted(tables, key=lambda table: table.name))


def file_names() -> Iterator[str]:
    """The name of every file beside the database that a row names."""
    for table in book_tables():
        for column in table.columns:
            if column.names_file:
                names = table.model._base_manager.order_by("pk").exclude(**{column.name: ""})
                yield from names.values_list(column.name, flat=True).iterator()


def _table(model: type[models.Model]) -> BookTable:
    name = model._meta.model_name
    fields = [field for field in model._meta.concrete_fields if (name, field.name) not in NOT_KEPT]
    return BookTable(name=name, model=model, columns=tuple(map(_column, fields)))


def _column(field: models.Field) -> BookColumn:
    holds = field.target_field if field.is_relation else field
    kind = KINDS[holds.get_internal_type()]
    return BookColumn(
        name=field.attname,
        kind=kind,
        places=getattr(holds, "decimal_places", None) or 0,
        may_be_empty=field.null,
        unit=unit_of(field.attname) if kind in NUMBERS and not field.is_relation else "",
        meaning=_meaning(field),
        field=field,
        names_file=isinstance(field, models.FileField),
    )


def _meaning(field: models.Field) -> str:
    said = str(field.verbose_name)
    if field.primary_key:
        return "number of the row"
    if field.is_relation:
        return f"{said}: number of a row of {field.related_model._meta.model_name}"
    if field.choices:
        return f"{said}: {'; '.join(f'{key} = {words}' for key, words in field.flatchoices)}"
    return said
