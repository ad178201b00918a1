from collections.abc import Callable, Iterable, Iterator, Sequence

import django_tables2 as tables
from django.db.models import Model, QuerySet

MOST_ROWS = 200
ROWS_AT_ONCE = 1000
# A column of the list as a file: its title with its unit, and what of a record stands in it.
FileColumn = tuple[str, Callable[[Model], object]]


class ListTable(tables.Table):
    """A list in pages; the address may ask for another number of rows on a page, within limits.

    A list that leaves as a file (views/list_file.py) says by `file_columns` what stands in it: bare numbers in the units the
    books are kept in, whatever units its reader likes.
    """

    # Set by the view that answers with the file; the list then offers it.
    file_name = ""
    file_columns: Callable[[], Sequence[FileColumn]]

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
