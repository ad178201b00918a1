"""Reading the books as they stood at one moment, while others go on entering."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection, transaction


@contextmanager
def books_as_of_now() -> Iterator[None]:
    """Read everything as it stood at one moment, so that what is entered meanwhile is not taken for a fault."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "sqlite":
        # Not atomic(): that takes the write lock, and nobody could enter anything while the books are read.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
        try:
            yield
        finally:
            with connection.cursor() as cursor:
                cursor.execute("ROLLBACK")
    else:
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            yield
