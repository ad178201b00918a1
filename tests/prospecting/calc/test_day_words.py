"""Days in words against Python's own names of months in English."""

import datetime

from prospecting.calc.day_words import day_words, short_month


def test_every_month_has_its_short_name():
    for month in range(1, 13):
        day = datetime.date(2026, month, 5)
        assert short_month(day) == f"{day:%b}"
        assert day_words(day) == f"{day:%d %b %Y}"
