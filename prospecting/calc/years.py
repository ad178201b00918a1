"""The same day in another year."""

import datetime


def next_year(day: datetime.date) -> datetime.date:
    """The same day a year later; 28 February after a leap day.

    >>> next_year(datetime.date(2028, 2, 29))
    datetime.date(2029, 2, 28)
    """
    try:
        return day.replace(year=day.year + 1)
    except ValueError:
        return datetime.date(day.year + 1, 2, 28)
