import django_tables2 as tables

MOST_ROWS = 200


class ListTable(tables.Table):
    """A list in pages; the address may ask for another number of rows on a page, within limits."""

    def paginate(self, *args, per_page: int | None = None, **kwargs) -> None:
        # A negative number of rows makes a negative number of pages, on which django-tables2 stumbles.
        rows = min(max(per_page or 0, 0), MOST_ROWS)
        super().paginate(*args, per_page=rows or None, **kwargs)
