"""A day as a sentence has it, its month in the reader's language."""

import datetime

from prospecting.calc.language import phrase, to_phrase

MONTHS = (
    to_phrase("Jan"),
    to_phrase("Feb"),
    to_phrase("Mar"),
    to_phrase("Apr"),
    to_phrase("May"),
    to_phrase("Jun"),
    to_phrase("Jul"),
    to_phrase("Aug"),
    to_phrase("Sep"),
    to_phrase("Oct"),
    to_phrase("Nov"),
    to_phrase("Dec"),
)


def short_month(day: datetime.date) -> str:
    return phrase(MONTHS[day.month - 1])


def day_words(day: datetime.date) -> str:
    """Day, month and year, the day in two digits.

    >>> day_words(datetime.date(2026, 5, 3))
    '03 May 2026'
    """
    return phrase("{day} {month} {year}", day=str(day.day).zfill(2), month=short_month(day), year=day.year)
