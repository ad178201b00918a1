"""Columns as the database hands them over, for queries of tens of thousands of rows, and one hash over such rows.

Django makes a Decimal or a date of every value by a function each; for so many that takes longer than the query.
"""

import hashlib
import marshal
from collections.abc import Iterable

from django.db.models import CharField, Expression, FloatField, IntegerField
from django.db.models.functions import Cast


class _AsItComes(Cast):
    def get_db_converters(self, connection) -> list:
        return []


def as_float(column: str) -> Cast:
    return _AsItComes(column, FloatField())


def as_flag(column: str | Expression) -> Cast:
    """1 or 0; None where it is not known."""
    return _AsItComes(column, IntegerField())


def as_day_text(column: str) -> Cast:
    """A day as YYYY-MM-DD."""
    return _AsItComes(column, CharField())


def rows_sha256(rows: Iterable) -> str:
    """64 signs that change with anything in these rows: lists and tuples of numbers, texts, flags and None."""
    # Form 2 of marshal writes equal rows alike, whatever else refers to them, and ten times as fast as JSON.
    return hashlib.sha256(marshal.dumps(list(rows), 2)).hexdigest()
