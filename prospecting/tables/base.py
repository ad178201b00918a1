from collections.abc import Callable, Iterable, Iterator, Sequence

import django_tables2 as tables
from django.db.models import F, Model, QuerySet

MOST_ROWS = 200
ROWS_AT_ONCE = 1000
# A column of the list as a file: its title with its unit, and what of a record stands in it.
FileColumn = tuple[str, Callable[[Model], object]]


def empty_last(column: str) -> Callable[[tables.Table, QuerySet, bool], tuple[QuerySet, bool]]:
    """How a table sorts a column that may be empty (`order_NAME`): rows with nothing in it last, up or down, on each engine."""

    def order(table: tables.Table, rows: QuerySet, is_descending: bool) -> tuple[QuerySet, bool]:
        value = F(column)
        return rows.order_by(
            value.desc(nulls_last=True) if is_descending else value.asc(nulls_last=True)
        ), True

    return order


class ListTable(tables.Table):
    """A list in pages; the address may ask for another number of rows on a page, within limits.

    A list that leaves as a file (views/list_file.py) says by `file_columns` what stands in it: bare numbers in the units the
    books are kept in, whatever units its reader likes.
    """

    # Set by the view that answers with the file; the list then offers it.
    file_name = ""
    file_columns: Callable[[], Sequence[FileColumn]]

    @property
    def order_by(self):
        return self._order_by

    @order_by.setter
    def order_by(self, columns) -> None:
        """Sorts by these columns, and rows that are alike in them newest first: in one order on every page."""
        # Only columns that are there: django-tables2 warns of other words that look like paths.
        known = [name for name in columns or () if name.removeprefix("-") in self.columns]
        tables.Table.order_by.fset(self, known)
        rows = self.data.data
        if self._order_by and isinstance(rows, QuerySet):
            self.data.data = rows.order_by(*rows.query.order_by, "-pk")

    def paginate(self, *args, per_page: int | None = None, **kwargs) -> None:
        # A negative number of rows makes a negative number of pages, on which django-tables2 stumbles.
        rows = min(max(per_page or 0, 0), MOST_ROWS)
        super().paginate(*args, per_page=rows or None, **kwargs)

    def file_rows(self) -> int:
        """How many rows there are below the titles, before any is read."""
        return len(self.data)

    def file_lines(self, records: Iterable[Model] | None = None) -> Iterator[list]:
        """The titles, then every record of the list in its present order, on this page or not; or the records given."""
        columns = self.file_columns()
        yield [title for title, _ in columns]
        if records is None:
            records = self.data.data
        if isinstance(records, QuerySet):
            records = records.iterator(chunk_size=ROWS_AT_ONCE)
        for record in records:
            yield [value(record) for _, value in columns]
